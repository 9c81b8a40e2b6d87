"""rimgauge verify: check that a job is as it was written, and that its numbers come out the same again."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rimgauge.cli.common import PATH, json_option, print_json, quoted, shown
from rimgauge.errors import BadInput

if TYPE_CHECKING:
    from rimgauge.job import Job, Manifest, Trouble
    from rimgauge.recheck import Check

MOST_NAMED = 5
"""Differences of one measurement that are listed; one wrong angle moves every number after it."""


@click.command()
@click.argument("job", required=False, type=PATH)
@click.option(
    "--take-in",
    "added",
    type=PATH,
    multiple=True,
    metavar="FILE",
    help="Accept a file or folder that you added to the job, changed or removed; may be given several times.",
)
@json_option
def command(job: Path | None, added: tuple[Path, ...], as_json: bool) -> None:
    """Check that a job is as it was written, and work its numbers out again.

    Compares every file of the folder JOB with the sums recorded when it was written, and names what is
    missing, changed or added; no other command takes in what it didn't write. Where all is as recorded,
    each measurement is worked out again from its frames' values, and from its pictures where they were kept,
    and each dish from its measurements. Inside a job folder JOB can be left out. Ends with 1 if anything
    differs.

    Example:  rimgauge verify "rear wheel"
    """
    from rimgauge.job import dishes, find_job, open_job, passes, read_manifest, verify_job
    from rimgauge.recheck import check_dish, check_pass

    if job is None:
        here = find_job(Path.cwd())
        # With a wheel file this is a job whose manifest is gone.
        if here is None and not Path("wheel.toml").is_file():
            raise BadInput("no job folder here; name one: rimgauge verify FOLDER")
        job = Path.cwd() if here is None else here.folder
    if added:
        _take_in(open_job(job), added)
    troubles = verify_job(job)
    manifest = None if troubles else read_manifest(job)
    checks = [] if troubles else [check for path in passes(open_job(job)) for check in check_pass(path)]
    checks += [] if troubles else [check_dish(path) for path in dishes(open_job(job))]
    if as_json:
        print_json(_fields(job, manifest, troubles, checks))
    else:
        click.echo("\n".join(_lines(job, manifest, troubles, checks)))
    if troubles or not all(check.same for check in checks):
        sys.exit(1)


def _take_in(job: Job, added: tuple[Path, ...]) -> None:
    """Record what was added, changed or removed by hand; results, and pages made of them, are never taken in so."""
    from rimgauge.job import job_files, made_by_hand, read_manifest, update_manifest, verify_job

    folder = job.folder.resolve()
    recorded = {folder / entry.name for entry in read_manifest(folder).entries}
    troubles = verify_job(folder)
    gone = {folder / each.file for each in troubles if each.kind == "missing"}
    changed = gone | {folder / each.file for each in troubles if each.kind == "changed"}
    there = [folder / name for name in job_files(folder)]
    places = [path.parent.resolve() / path.name for path in added]
    for path, place in zip(added, places, strict=True):
        if not (place.exists() or place in gone) or not all(
            each.is_relative_to(folder) for each in (place, place.resolve())
        ):
            raise BadInput(f"--take-in {path}: there is no such file in {job.folder}")
        inside = {each for each in recorded if each.is_relative_to(place)}
        if inside and (place == folder or not _may_be_accepted(folder, inside, changed)):
            raise BadInput(
                f"--take-in {path}: is recorded already; only what was added, or changed or removed and is no "
                "result, can be taken in"
            )
        if made_by_hand(folder, place.relative_to(folder).as_posix()):
            raise BadInput(
                f"--take-in {path}: has the name of a measurement, plan or dish, or of what goes with one, and only "
                "the command that makes one records it; move it out of the folder, or give it another name"
            )
        if place not in gone and not any(each.is_relative_to(place) for each in there):
            raise BadInput(
                f"--take-in {path}: holds nothing to take in; the manifest, hidden files and empty folders are "
                "no part of a job's record"
            )
    update_manifest(job, places)


def _may_be_accepted(folder: Path, recorded: set[Path], changed: set[Path]) -> bool:
    """Whether something of this was changed, and none of it is a result or a page: those are made anew."""
    from rimgauge.job import is_page, made_by_hand

    fixed = any(
        is_page(each.name) or made_by_hand(folder, each.relative_to(folder).as_posix()) for each in recorded
    )
    return not fixed and bool(recorded & changed)


def _hints(job: Path, troubles: tuple[Trouble, ...]) -> list[str]:
    """Say what to do about each kind of trouble that there is."""
    from rimgauge.job import is_page, made_by_hand

    here = "" if job.resolve() == Path.cwd().resolve() else f" {quoted(job)}"
    changed = [trouble.file for trouble in troubles if trouble.kind in ("changed", "missing")]
    pages = [name for name in changed if is_page(name)]
    mended = [name for name in changed if name not in pages and not made_by_hand(job, name)]
    hints = []
    if any(trouble.kind == "manifest" for trouble in troubles):
        hints.append(f"Bring {job / 'manifest.json'} back from a copy.")
    if len(changed) > len(pages):
        lost = any(made_by_hand(job, name) for name in changed)
        hints.append(f"Put back a copy of what was recorded{', or measure the wheel again' if lost else ''}.")
    if mended:
        named = (f"--take-in {quoted(Path(shown(job / name)))}" for name in mended)
        hints.append("What you changed or removed on purpose you can accept as it is now:")
        hints.append(f"  rimgauge verify{here} {' '.join(named)}")
    if pages:
        hints.append(
            f"A page can be made anew: rimgauge report{here} --out {quoted(Path(shown(job / pages[0])))}"
        )
    extra = [trouble.file for trouble in troubles if trouble.kind == "extra"]
    if results := [file for file in extra if made_by_hand(job, file)]:
        hints.append(f"Move out of the folder what no command made: {', '.join(results)}")
    if added := [file for file in extra if file not in results]:
        file = quoted(Path(shown(job / added[0])))
        hints.append("Move what was added out of the folder; or, if it belongs to the job, take it in:")
        hints.append(f"  rimgauge verify{here} --take-in {file}")
    return hints


def _lines(
    job: Path, manifest: Manifest | None, troubles: tuple[Trouble, ...], checks: list[Check]
) -> list[str]:
    if manifest is None:
        return [
            f"{job}: NOT as recorded.",
            *(f"  {trouble.words}" for trouble in troubles),
            "",
            *_hints(job, troubles),
        ]
    count = len(manifest.entries)
    lines = [f"{job}: {'the 1 file is' if count == 1 else f'all {count} files are'} as recorded."]
    for check in checks:
        source = f"the {check.rests_on} of its {check.count} frame{'' if check.count == 1 else 's'}"
        if check.rests_on == "measurements":
            source = "the measurements that it names"
        if check.trouble:
            lines.append(f"{check.file} could NOT be worked out again from {source}: {check.trouble}")
            continue
        result = "comes out the same" if check.same else "does NOT come out the same"
        lines.append(f"{check.file} {result} from {source}.")
        if check.older:
            lines.append("  How unsure its spokes are was not compared: an older program made it.")
        lines += [f"  {difference.words}" for difference in check.differences[:MOST_NAMED]]
        left = len(check.differences) - MOST_NAMED
        lines += [f"  and {left} more"] if left > 0 else []
    half = len(manifest.fingerprint) // 2
    return [
        *lines,
        f"Fingerprint {manifest.fingerprint[:half]}\n            {manifest.fingerprint[half:]}",
    ]


def _fields(
    job: Path, manifest: Manifest | None, troubles: tuple[Trouble, ...], checks: list[Check]
) -> dict[str, object]:
    return {
        "job": str(job),
        "sound": manifest is not None and all(check.same for check in checks),
        "fingerprint": manifest and manifest.fingerprint,
        "troubles": [
            {"kind": trouble.kind, "file": trouble.file, "words": trouble.words} for trouble in troubles
        ],
        "worked_out_again": [
            {
                "file": check.file,
                "from": check.rests_on,
                "same": check.same,
                "spokes_uncertainties_compared": check.rests_on != "measurements" and not check.older,
                "trouble": check.trouble or None,
                "differences": [
                    {"field": each.field, "recorded": each.recorded, "again": each.again}
                    for each in check.differences
                ],
            }
            for check in checks
        ],
    }
