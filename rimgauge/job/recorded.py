"""Whether results of a job are as they were recorded, and what a command that was killed was about to record."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterable
from pathlib import Path

from rimgauge.errors import BadFile
from rimgauge.records import Direction

from . import disk
from .folder import WHEEL, Job, find_job
from .manifest import MANIFEST, read_manifest
from .names import is_persons, is_result, result_stem

_UNFINISHED = ".unfinished"
"""Names the results that a command is writing; it stays where the command was killed before it recorded them."""


def check_as_recorded(files: Iterable[Path]) -> None:
    """Refuse a result of a job that was changed or added since it was recorded; files elsewhere are passed over.

    Raises
    ------
    BadFile
        There is one, or the job's manifest can't be read.

    """
    recorded: dict[Path, dict[str, str]] = {}
    for path in files:
        folder = path.resolve().parent
        if not (is_result(path.name) and (folder / WHEEL).is_file() and (folder / MANIFEST).is_file()):
            continue
        if folder not in recorded:
            recorded[folder] = {entry.name: entry.sha256 for entry in read_manifest(folder).entries}
        known = recorded[folder].get(path.name)
        if known is None and path.stem in unfinished(folder):
            continue
        if known != hashlib.sha256(disk.read_bytes(path)).hexdigest():
            since = "was added to the job by hand" if known is None else "is not as it was recorded"
            raise BadFile(path, f"{since}, so nothing is made of it; rimgauge verify tells more")


def check_view_as_recorded(path: Path) -> None:
    """Refuse a view of a job that was changed since it was recorded; one elsewhere or never recorded is passed over.

    Raises
    ------
    BadFile
        It was changed.

    """
    if changed_since_recorded(path):
        what = "was changed by hand since it was recorded; aim again, or accept it as it is: "
        raise BadFile(path, f"{what}rimgauge verify --take-in {recorded_as(path)[0]}")


def changed_since_recorded(path: Path) -> bool:
    """Whether a file of a job is not as it was recorded; one elsewhere or never recorded isn't changed."""
    known = recorded_as(path)[1]
    return bool(known) and known != hashlib.sha256(disk.read_bytes(path)).hexdigest()


def is_as_recorded(path: Path) -> bool:
    """Whether a file lies in a job whose record holds it as it is now: a command may put another in its place."""
    return path.is_file() and recorded_as(path)[1] == hashlib.sha256(disk.read_bytes(path)).hexdigest()


def recorded_as(path: Path) -> tuple[str, str]:
    """Name of a file in its job, and its SHA-256 in the record; '' where there is none."""
    place = path.resolve()
    job = find_job(place.parent)
    if job is None:
        return "", ""
    name = place.relative_to(job.folder).as_posix()
    with contextlib.suppress(BadFile):  # a damaged manifest is told of where the result is written
        return name, next(
            (each.sha256 for each in read_manifest(job.folder).entries if each.name == name), ""
        )
    return name, ""


def check_none_missing(job: Job) -> None:
    """Refuse a job of which a result, view or readings are gone: what is left may tell another story.

    Raises
    ------
    BadFile
        There is one, or the job's manifest can't be read.

    """
    for entry in read_manifest(job.folder).entries:
        wanted = is_result(entry.name) or is_persons(entry.name)
        if wanted and not (job.folder / entry.name).is_file():
            raise missing(job.folder / entry.name)


def check_view_not_missing(job: Job, direction: Direction) -> None:
    """Refuse to do without a view of that direction that is recorded but gone; raises what check_none_missing does."""
    names = {entry.name for entry in read_manifest(job.folder).entries}
    for name in (f"view-{direction}.json", "view.json"):
        if name in names and not (job.folder / name).is_file():
            raise missing(job.folder / name)


def missing(path: Path) -> BadFile:
    """Say that a recorded file is gone, and what to do."""
    if is_result(path.name):
        rest = "so nothing is made of the rest; bring it back from a copy, or start a new job with `rimgauge new`"
    else:
        again = ", aim again" if path.name.startswith("view") else ""
        direction = path.stem.removeprefix("view-")
        accept = (
            f"verify --take-in {path.name}"
            if direction == path.stem
            else f"aim --direction {direction} --forget"
        )
        rest = f"bring it back from a copy{again}, or accept that it is gone: rimgauge {accept}"
    return BadFile(path, f"is recorded in the job but missing, {rest}")


def made_by_hand(folder: Path, name: str) -> bool:
    """Whether a file that is not recorded has the name of a result, or of what goes with one, that no command began."""
    stem = result_stem(name)
    return stem != "" and stem not in unfinished(folder)


def begin(folder: Path, stem: str) -> None:
    """Note that a result is about to be written: pass-03 for pass-03.json and what goes with it."""
    disk.write_text(folder / _UNFINISHED, "\n".join(sorted({*unfinished(folder), stem})))


def unfinished(folder: Path) -> tuple[str, ...]:
    """List the results that were begun and not recorded."""
    try:
        return tuple(disk.read_text(folder / _UNFINISHED).split())
    except BadFile:
        return ()


def give_up(folder: Path, stem: str) -> None:
    """Forget one result that was begun and could not be written; where others wait for the record, they stay noted."""
    left = [each for each in unfinished(folder) if each != stem]
    if not left:
        finish(folder)
        return
    with contextlib.suppress(BadFile):  # noted, it does no harm
        disk.write_text(folder / _UNFINISHED, "\n".join(left))


def finish(folder: Path) -> None:
    """Forget what was begun: it is recorded."""
    with contextlib.suppress(OSError):
        (folder / _UNFINISHED).unlink(missing_ok=True)
