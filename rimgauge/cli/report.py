"""rimgauge report: make the page that goes with the wheel."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from rimgauge import __version__
from rimgauge.cli.common import json_option, print_json
from rimgauge.errors import BadFile, BadInput

if TYPE_CHECKING:
    from rimgauge.job import Job
    from rimgauge.records import Direction, Runout
    from rimgauge.report import Comparison, Evidence, Photo

_PATH = click.Path(path_type=Path)
_SOFTWARE = f"rimgauge {__version__}"


@click.command()
@click.argument("job", required=False, type=_PATH)
@click.option("--out", type=_PATH, help="The PDF to write; left out: report.pdf in the job folder.")
@click.option("--before", type=_PATH, help="Without a job: the measurement before the work.")
@click.option("--after", type=_PATH, help="Without a job: the measurement after the work.")
@click.option("--name", help="What the wheel is called on the page.")
@click.option("--picture", type=_PATH, help="A picture of the worst place to put on the page.")
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Size of the page."
)
@json_option
def command(
    *,
    job: Path | None,
    out: Path | None,
    before: Path | None,
    after: Path | None,
    name: str | None,
    picture: Path | None,
    paper: Literal["a4", "letter"],
    as_json: bool,
) -> None:
    """Make the page that goes with the wheel.

    The PDF says how true the wheel runs and how sure that is, before and after the work, with a picture of
    the worst place and the usual cautions. The first measurement of a job is taken as before, the last one
    as after. Inside a job folder JOB can be left out.

    Example:  rimgauge report "rear wheel" --out report.pdf
    """
    from rimgauge.job.disk import write_bytes
    from rimgauge.report import evidence_pages, headline, moment, pdf_bytes

    folder = None
    if before is not None or after is not None:
        if job is not None:
            raise BadInput("give either a job or --before and --after, not both")
        evidence = _from_files(before, after, name=name, picture=picture)
    else:
        folder = _job(job)
        evidence = _from_job(folder, name=name, picture=picture)
    target = out or (folder.folder if folder else Path()) / "report.pdf"
    afters = tuple(each.after for each in evidence.comparisons)
    newest = max(moment(each.created) for each in afters)
    title = f"Runout of {evidence.wheel_name}"
    pages = evidence_pages(evidence, paper=paper)
    write_bytes(target, pdf_bytes(pages, when=newest, title=title, software=_SOFTWARE))
    if folder is not None:
        _record(folder, target)
    if as_json:
        outcomes = {each.direction: each.verdict.outcome for each in afters}
        print_json({"report": str(target), "headline": headline(afters), "outcomes": outcomes})
    else:
        click.echo(f"{headline(afters)}\nWrote {target}.")


def _job(folder: Path | None) -> Job:
    from rimgauge.job import find_job, open_job

    if folder is not None:
        return open_job(folder)
    here = find_job(Path.cwd())
    if here is None:
        raise BadInput("no job folder here; name one (rimgauge report FOLDER), or give --before and --after")
    return here


def _from_files(
    before: Path | None, after: Path | None, *, name: str | None, picture: Path | None
) -> Evidence:
    from rimgauge.report import Evidence

    if after is None:
        raise BadInput("--before needs --after; a single measurement goes to --after alone")
    used = [path for path in (before, after) if path is not None]
    return Evidence(
        wheel_name=name or "wheel without a name",
        comparisons=(_comparison(before, after, picture=picture),),
        fingerprint=_fingerprint(used),
        software=_SOFTWARE,
    )


def _from_job(job: Job, *, name: str | None, picture: Path | None) -> Evidence:
    """Compare the first and the last measurement of each direction of a job."""
    from rimgauge.job import passes, read_build, read_pass
    from rimgauge.report import Evidence

    found: dict[Direction, list[Path]] = {}
    for path in passes(job):
        found.setdefault(read_pass(path).direction, []).append(path)
    if not found:
        raise BadFile(job.folder, "has no measurement yet; make one with `rimgauge measure`")
    build = read_build(job.wheel)
    comparisons: list[Comparison] = []
    used: list[Path] = []
    directions: tuple[Direction, ...] = ("lateral", "radial")
    for direction in (each for each in directions if each in found):
        first, last = found[direction][0], found[direction][-1]
        before = first if first != last else None
        comparisons.append(_comparison(before, last, picture=None if comparisons else picture, job=job))
        used += [path for path in (before, last) if path is not None]
    diameter_mm = build.get("rim", {}).get("effective_diameter_mm")
    return Evidence(
        wheel_name=name or build.get("name") or job.folder.resolve().name,
        comparisons=tuple(comparisons),
        fingerprint=_fingerprint(used),
        software=_SOFTWARE,
        **({} if diameter_mm is None else {"rim_diameter_mm": diameter_mm}),
    )


def _comparison(
    before: Path | None, after: Path, *, picture: Path | None, job: Job | None = None
) -> Comparison:
    """Read the measurements; in a job the scale comes from the view, the pictures lie beside the passes."""
    from rimgauge.capture import read_picture
    from rimgauge.job import read_pass, read_view, view_path
    from rimgauge.report import Comparison, Photo

    later = read_pass(after)
    earlier = read_pass(before) if before is not None else None
    if earlier is not None and earlier.direction != later.direction:
        raise BadInput(
            f"{before} is {earlier.direction} but {after} is {later.direction}; "
            "compare two measurements of the same direction"
        )
    if picture is not None:
        photos = [Photo(picture=read_picture(picture), words="The worst place, as the camera saw it")]
    else:
        photos = [] if before is None or earlier is None else _kept_photo(before, earlier, "before the work")
        photos += _kept_photo(after, later, "" if before is None else "after the work")
    view = view_path(job, later.direction) if job is not None else None
    return Comparison(
        after=later,
        before=earlier,
        scale=read_view(view).scale if view is not None and view.is_file() else None,
        photos=tuple(photos),
    )


def _kept_photo(path: Path, measurement: Runout, when: str) -> list[Photo]:
    """Read the picture of the worst place that `measure` kept with a measurement, if it did."""
    from rimgauge.capture import read_picture
    from rimgauge.job import kept_picture, picture_path
    from rimgauge.report import Photo

    if kept_picture(path, measurement) is None:
        return []
    words = f"The worst place {when}".strip() + ", as the camera saw it"
    return [Photo(picture=read_picture(picture_path(path)), words=words)]


def _fingerprint(used: list[Path]) -> str:
    """Say the SHA-256 over the measurements one after the other, which anyone can work out again."""
    digest = hashlib.sha256(b"".join(path.read_bytes() for path in used)).hexdigest()
    return f"SHA-256 of {', '.join(path.name for path in used)}, one after the other: {digest}"


def _record(job: Job, written: Path) -> None:
    """Take a report that lies in the job folder into the manifest, so that `verify` knows it."""
    from rimgauge.job import update_manifest

    if written.resolve().is_relative_to(job.folder.resolve()):
        update_manifest(job)
