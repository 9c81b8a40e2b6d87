"""rimgauge verify: check that a job is as it was written, and that its numbers come out the same again."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rimgauge.cli.common import json_option, print_json
from rimgauge.errors import BadInput

if TYPE_CHECKING:
    from rimgauge.job import Manifest, Trouble
    from rimgauge.recheck import Check

MOST_NAMED = 5
"""Differences of one measurement that are listed; one wrong angle moves every number after it."""


@click.command()
@click.argument("job", required=False, type=click.Path(path_type=Path))
@json_option
def command(job: Path | None, as_json: bool) -> None:
    """Check that a job is as it was written, and work its numbers out again.

    Compares every file of the folder JOB with the sums recorded when it was written, and names what is
    missing, changed or added. Where all is as recorded, each measurement is worked out again from its frames'
    values, and from its pictures where they were kept, and each dish from its measurements. Inside a job
    folder JOB can be left out. Ends with 1 if anything differs.

    Example:  rimgauge verify "rear wheel"
    """
    from rimgauge.job import dishes, find_job, open_job, passes, read_manifest, verify_job
    from rimgauge.recheck import check_dish, check_pass

    if job is None:
        here = find_job(Path.cwd())
        if here is None:
            raise BadInput("no job folder here; name one: rimgauge verify FOLDER")
        job = here.folder
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


def _lines(
    job: Path, manifest: Manifest | None, troubles: tuple[Trouble, ...], checks: list[Check]
) -> list[str]:
    if manifest is None:
        return [
            f"{job}: NOT as recorded.",
            *(f"  {trouble.words}" for trouble in troubles),
            "Put back a copy of what was recorded, or measure the wheel again.",
        ]
    count = len(manifest.entries)
    lines = [f"{job}: {'the 1 file is' if count == 1 else f'all {count} files are'} as recorded."]
    for check in checks:
        source = f"the {check.rests_on} of its {check.frames} frames"
        if check.rests_on == "measurements":
            source = "the measurements that it names"
        if check.trouble:
            lines.append(f"{check.file} could NOT be worked out again from {source}: {check.trouble}")
            continue
        result = "comes out the same" if check.same else "does NOT come out the same"
        lines.append(f"{check.file} {result} from {source}.")
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
                "trouble": check.trouble or None,
                "differences": [
                    {"field": each.field, "recorded": each.recorded, "again": each.again}
                    for each in check.differences
                ],
            }
            for check in checks
        ],
    }
