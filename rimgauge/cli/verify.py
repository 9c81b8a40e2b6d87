"""rimgauge verify: check that a job's files are as they were written."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from rimgauge.cli.common import json_option, print_json
from rimgauge.errors import BadInput


@click.command()
@click.argument("job", required=False, type=click.Path(path_type=Path))
@json_option
def command(job: Path | None, as_json: bool) -> None:
    """Check that a job's files are as they were written.

    Compares every file of the folder JOB with the sums recorded when it was written, and names what is
    missing, changed or added. Inside a job folder JOB can be left out. Ends with 1 if anything differs.

    Example:  rimgauge verify "rear wheel"
    """
    from rimgauge.job import find_job, read_manifest, verify_job

    if job is None:
        here = find_job(Path.cwd())
        if here is None:
            raise BadInput("no job folder here; name one: rimgauge verify FOLDER")
        job = here.folder
    troubles = verify_job(job)
    sound = not troubles
    manifest = read_manifest(job) if sound else None
    if as_json:
        listed = [
            {"kind": trouble.kind, "file": trouble.file, "words": trouble.words} for trouble in troubles
        ]
        print_json(
            {
                "job": str(job),
                "sound": sound,
                "fingerprint": manifest and manifest.fingerprint,
                "troubles": listed,
            }
        )
    elif manifest:
        count = len(manifest.entries)
        click.echo(f"{job}: {'the 1 file is' if count == 1 else f'all {count} files are'} as recorded.")
        click.echo(f"Fingerprint {manifest.fingerprint[:32]}\n            {manifest.fingerprint[32:]}")
    else:
        click.echo(f"{job}: NOT as recorded.")
        for trouble in troubles:
            click.echo(f"  {trouble.words}")
    if troubles:
        sys.exit(1)
