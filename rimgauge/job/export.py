"""All that a job holds as one JSON file, for other programs."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from . import disk
from .build import read_build
from .dish_file import read_dish
from .folder import Job, dishes, passes, plans, reading_files
from .manifest import read_manifest
from .pass_file import read_pass
from .plan_file import read_plan
from .reader import render
from .readings import read_readings
from .view_file import read_view

_VIEWS = ("view.json", "view-lateral.json", "view-radial.json")


def write_everything(path: Path, job: Job) -> None:
    """Write the wheel, views, readings, measurements, plans and dishes of a job into one JSON file.

    Each is checked first and stands under the name of its file with the fields that it has there; readings
    stand as a list a column.

    Raises
    ------
    BadFile
        A file of the job can't be read, or the one file can't be written.

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
    whole = {
        "format": "rimgauge-export",
        "version": 1,
        "name": manifest.name,
        "created": manifest.created,
        "fingerprint": manifest.fingerprint,
        "files": files,
    }
    disk.write_text(path, render(whole))


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
