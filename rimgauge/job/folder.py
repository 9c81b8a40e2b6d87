"""The job folder: a wheel's file, its views, and every pass and plan, numbered."""

from __future__ import annotations

import contextlib
import re
from pathlib import Path
from typing import Literal

from rimgauge.errors import BadFile
from rimgauge.records import Direction, record

from . import disk
from .manifest import MANIFEST, read_manifest
from .plan_file import read_plan
from .view_file import read_view

Numbered = Literal["pass", "plan", "dish", "readings"]
_ENDINGS: dict[Numbered, str] = {"pass": "json", "plan": "json", "dish": "json", "readings": "csv"}
WHEEL = "wheel.toml"


@record
class Job:
    """A job folder; every other file of the job lies in it."""

    folder: Path

    @property
    def wheel(self) -> Path:
        """The wheel's file."""
        return self.folder / WHEEL


def find_job(start: Path) -> Job | None:
    """Find the job folder that `start` is, or lies in; None where there is none."""
    here = Path(start).resolve()
    for folder in (here, *here.parents):
        if (folder / WHEEL).is_file() and (folder / MANIFEST).is_file():
            return Job(folder=folder)
    return None


def open_job(folder: Path) -> Job:
    """Open a job folder by its name.

    Raises
    ------
    BadFile
        There is no such folder, or it is no job.

    """
    folder = Path(folder)
    if not folder.is_dir():
        raise BadFile(folder, "there is no such folder")
    for name in (WHEEL, MANIFEST):
        if not (folder / name).is_file():
            raise BadFile(folder, f"is no job: there is no {name} in it; `rimgauge new` starts one")
    return Job(folder=folder)


def passes(job: Job) -> tuple[Path, ...]:
    """List the measurements, oldest first."""
    return _numbered(job, "pass")


def plans(job: Job) -> tuple[Path, ...]:
    """List the plans, oldest first."""
    return _numbered(job, "plan")


def dishes(job: Job) -> tuple[Path, ...]:
    """List how far the rim stood from the middle, oldest first."""
    return _numbered(job, "dish")


def corrections_between(job: Job, one: Path, other: Path) -> Path | None:
    """Find the newest plan with corrections that was kept between two measurements of the job; None for none.

    Raises
    ------
    BadFile
        A plan can't be read.

    """
    first, last = sorted((number_of(one.name), number_of(other.name)))
    found = [
        path
        for path in plans(job)
        if (plan := read_plan(path)).corrections
        and _pattern("pass").fullmatch(plan.follows)
        and first <= number_of(plan.follows) < last
    ]
    return found[-1] if found else None


def results(job: Job) -> tuple[Path, ...]:
    """List all that is written once: measurements, plans and dishes."""
    return (*passes(job), *plans(job), *dishes(job))


def reading_files(job: Job) -> tuple[Path, ...]:
    """List the files of readings typed in by hand, oldest first."""
    return _numbered(job, "readings")


def next_path(job: Job, kind: Numbered) -> Path:
    """Name the next file of a kind: pass-01.json, pass-02.json, ..

    The number is above every one that is there or was recorded, whatever goes with it: so a file that was
    deleted is not mistaken for a later one, and what a killed command left (frames without their measurement)
    is in nobody's way.
    """
    with disk.one_sentence(job.folder):
        names = [path.name for path in job.folder.iterdir()]
    with contextlib.suppress(BadFile):  # a measurement is not lost because the manifest can't be read
        names += [entry.name for entry in read_manifest(job.folder).entries]
    found = (re.match(rf"{kind}-(\d{{2,6}})\b", name) for name in names)
    highest = max((int(match[1]) for match in found if match), default=0)
    return job.folder / f"{kind}-{highest + 1:02d}.{_ENDINGS[kind]}"


def view_path(job: Job, direction: Direction) -> Path:
    """Name the file of the view for a direction: view-lateral.json or view-radial.json.

    A view.json of that direction is taken where the other isn't there.

    Raises
    ------
    BadFile
        The view.json can't be read.

    """
    own, plain = job.folder / f"view-{direction}.json", job.folder / "view.json"
    if not own.exists() and plain.exists() and read_view(plain).direction == direction:
        return plain
    return own


def _pattern(kind: Numbered) -> re.Pattern[str]:
    return re.compile(rf"{kind}-\d{{2,6}}\.{_ENDINGS[kind]}")


def _numbered(job: Job, kind: Numbered) -> tuple[Path, ...]:
    with disk.one_sentence(job.folder):
        found = [path for path in job.folder.iterdir() if _pattern(kind).fullmatch(path.name)]
    return tuple(sorted(found, key=lambda path: number_of(path.name)))


def number_of(name: str) -> int:
    """Number in the name of a result: 3 of pass-03.json."""
    return int(name.partition("-")[2].partition(".")[0])
