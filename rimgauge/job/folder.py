"""The job folder: a wheel's file, its views, and every pass and plan, numbered."""

from __future__ import annotations

import contextlib
import itertools
import os
from collections.abc import Iterable
from pathlib import Path

from rimgauge.errors import BadFile
from rimgauge.records import Direction, record

from . import disk
from .manifest import MANIFEST, read_manifest
from .names import Numbered, highest, is_numbered, number_of, numbered
from .view_file import read_view

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


def results(job: Job) -> tuple[Path, ...]:
    """List all that is written once: measurements, plans and dishes."""
    return (*passes(job), *plans(job), *dishes(job))


def reading_files(job: Job) -> tuple[Path, ...]:
    """List the files of readings typed in by hand, oldest first.

    Raises
    ------
    BadFile
        Two are of one number, such as readings-01.csv and readings-1.csv: which is newer can't be told.

    """
    found = _numbered(job, "readings")
    for one, other in itertools.pairwise(found):
        if number_of(one.name) == number_of(other.name):
            raise BadFile(
                other,
                f"is of the same number as {one.name}, and which is newer can't be told; give one another number",
            )
    return found


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
    return job.folder / numbered(kind, highest(names, kind) + 1)


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


def _numbered(job: Job, kind: Numbered) -> tuple[Path, ...]:
    with disk.one_sentence(job.folder):
        return paths_among(job.folder, os.listdir(job.folder), kind)


def paths_among(folder: Path, names: Iterable[str], kind: Numbered) -> tuple[Path, ...]:
    """Of the names of a folder's files those of a kind, as paths, oldest first."""
    found = sorted(
        (name for name in names if is_numbered(name, kind)), key=lambda name: (number_of(name), name)
    )
    return tuple(folder / name for name in found)
