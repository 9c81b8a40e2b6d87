"""rimgauge export: measurements as tables, and a whole job as one file, for other programs."""

from __future__ import annotations

from pathlib import Path

import click

from rimgauge.cli.common import PATH, json_option, print_json, shown
from rimgauge.errors import BadInput


@click.command()
@click.argument("source", required=False, type=PATH)
@click.option("--to", "folder", type=PATH, required=True, help="Folder for the files.")
@json_option
def command(source: Path | None, folder: Path, as_json: bool) -> None:
    """Write measurements as tables (CSV), and a whole job as one JSON file, for other programs.

    SOURCE is one measurement (pass-01.json) or a job; inside a job folder it can be left out. Each measurement
    gives three tables: the fitted curve, the runout at each spoke, and what every frame said. A folder that
    holds the export of another job is refused.

    Example:  rimgauge export "rear wheel" --to tables
    """
    from rimgauge.job import (
        EVERYTHING,
        check_as_recorded,
        check_none_missing,
        everything,
        find_job,
        open_job,
        passes,
        read_pass,
        results,
        tables,
        write_export,
    )

    job = None
    if source is None:
        job = find_job(Path.cwd())
        if job is None:
            raise BadInput(
                "no job folder here; name a job or a measurement: rimgauge export SOURCE --to FOLDER"
            )
    elif source.is_dir():
        job = open_job(source)
    if job is not None and folder.resolve().is_relative_to(job.folder.resolve()):
        raise BadInput(
            f"{folder} lies inside the job, whose record must stay as it is; choose a folder beside it: --to ../{folder.name}"
        )
    if job is not None:
        check_none_missing(job)
    files = passes(job) if job is not None else (source,) if source is not None else ()
    check_as_recorded(files if job is None else results(job))
    texts = {} if job is None else {EVERYTHING: everything(job)}
    for path in files:
        texts |= tables(path, read_pass(path))
    owner = job or find_job(files[0].resolve().parent)
    written = write_export(folder, texts, owner)
    if as_json:
        print_json({"written": [str(path) for path in written]})
    else:
        click.echo("\n".join(f"Wrote {shown(path)}." for path in written))
