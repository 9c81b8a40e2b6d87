"""All that a job holds as one JSON file, for other programs."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from rimgauge.errors import BadFile

from . import disk
from .build import read_build
from .dish_file import read_dish
from .folder import Job, dishes, passes, plans, reading_files
from .manifest import read_manifest
from .pass_file import read_pass
from .plan_file import read_plan
from .reader import headed, read_json, render
from .readings import read_readings
from .tables import same_table
from .view_file import read_view

EVERYTHING = "job.json"
_VIEWS = ("view.json", "view-lateral.json", "view-radial.json")


def everything(job: Job) -> str:
    """Give the wheel, views, readings, measurements, plans and dishes of a job as the text of one JSON file.

    Each is checked first and stands under the name of its file with the fields that it has there; readings
    stand as a list a column.

    Raises
    ------
    BadFile
        A file of the job can't be read.

    """
    manifest, build = read_manifest(job.folder), read_build(job.wheel)
    files: dict[str, Any] = {job.wheel.name: build}
    for name in _VIEWS:
        if (job.folder / name).is_file():
            files[name] = _checked(job.folder / name, read_view)
    files |= {file.name: _columns(file, build["spokes"]) for file in reading_files(job)}
    files |= {file.name: _checked(file, read_pass) for file in passes(job)}
    files |= {file.name: _checked(file, read_plan) for file in plans(job)}
    files |= {file.name: _checked(file, read_dish) for file in dishes(job)}
    fields = {
        "name": manifest.name,
        "created": manifest.created,
        "fingerprint": manifest.fingerprint,
        "files": files,
    }
    return render(headed("rimgauge-export", fields))


def write_export(folder: Path, texts: Mapping[str, str], job: Job | None) -> tuple[Path, ...]:
    """Write an export's files, by name, into a folder; give the files.

    Nothing of another wheel is written over, and no table but one of the same numbers.

    Parameters
    ----------
    folder : where to; made if it isn't there.
    texts : the text of each file under its name.
    job : whose measurements they are.

    Raises
    ------
    BadFile
        The folder holds what was exported of another job or measurement, or a table that was changed since, or a
        file can't be written.

    """
    _check_free(folder, texts, job)
    with disk.one_sentence(folder):
        folder.mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        disk.write_text(folder / name, text)
    return tuple(folder / name for name in texts)


def _check_free(folder: Path, texts: Mapping[str, str], job: Job | None) -> None:
    """Refuse a folder that holds files of another job: what is measured never changes, so its tables don't either."""
    if (folder / EVERYTHING).exists():
        earlier = read_json(folder / EVERYTHING, "rimgauge-export")
        if job is None or earlier["created"].text() != read_manifest(job.folder).created:
            raise BadFile(
                folder,
                f"holds the export of another job, {earlier['name'].text()!r}; choose a folder of its own",
            )
    for name in texts:
        path = folder / name
        if name != EVERYTHING and path.exists() and not same_table(disk.read_text(path), texts[name]):
            raise BadFile(
                path,
                "is there already and holds other numbers, of another measurement or changed since; choose another "
                "folder with --to",
            )


def _checked(path: Path, read: Callable[[Path], object]) -> Any:
    read(path)
    return json.loads(disk.read_text(path))


def _columns(path: Path, spokes: int) -> dict[str, list[float | None]]:
    found = read_readings(path, spokes, need=())
    columns = {"lateral_mm": found.lateral_mm, "radial_mm": found.radial_mm, "tension_n": found.tension_n}
    return {
        name: [None if value != value else value for value in values.tolist()]  # noqa: PLR0124 # NaN
        for name, values in columns.items()
    }
