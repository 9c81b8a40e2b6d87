"""Add to a job, one process at a time: numbered results, and the manifest after each."""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import sys
import time
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import IO

from rimgauge.errors import BadFile, BadInput
from rimgauge.records import Direction, Plan, Runout, View

from . import disk
from .dish_file import KeptDish, write_dish
from .folder import Job, next_path, passes, plans, view_path
from .manifest import MANIFEST, Manifest, now, read_manifest, write_manifest
from .pass_file import pass_text
from .plan_file import plan_fields, read_plan, write_plan
from .reader import read_json
from .recorded import begin, finish, give_up, is_as_recorded, unfinished
from .view_file import write_view

if sys.platform == "win32":
    import msvcrt

    def _take(file: IO[bytes]) -> None:
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
else:
    import fcntl

    def _take(file: IO[bytes]) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


PATIENCE_S = 10.0
"""How long a command waits for another one that writes to the same job: none writes for longer than a moment,
except where many frames are kept."""


@contextlib.contextmanager
def hold(job: Job) -> Iterator[None]:
    """Keep other processes from writing to the job; the lock falls by itself when this process ends.

    Raises
    ------
    BadInput
        Another process holds it, and has not let go in PATIENCE_S.
    BadFile
        The folder can't be written.

    """
    with disk.one_sentence(job.folder):
        file = (job.folder / ".lock").open("ab")
    with file:
        end_s = time.monotonic() + PATIENCE_S
        while not _taken(job, file):
            if time.monotonic() > end_s:
                busy = f"{job.folder}: another rimgauge is writing to this job; wait until it has ended"
                raise BadInput(busy)
            time.sleep(0.05)
        disk.sweep(job.folder)
        yield


def _taken(job: Job, file: IO[bytes]) -> bool:
    try:
        with disk.one_sentence(job.folder):
            _take(file)
    except BadFile as trouble:
        if isinstance(trouble.__cause__, BlockingIOError | PermissionError):
            return False
        raise  # this disk knows no locks
    return True


def keep_pass(
    job: Job,
    runout: Runout,
    *,
    picture: bytes | None = None,
    frames: Sequence[Path] = (),
    used: Collection[Path] = (),
) -> Path:
    """Write a measurement, and what goes with it, under the next number and record all in the manifest.

    used: what it was measured from; what of that lies in the job is recorded too, if it isn't yet.

    Raises
    ------
    BadInput
        Another process is writing to the job.
    BadFile
        A file can't be written.

    """
    with hold(job):
        path = next_path(job, "pass")
        with _begun(job, path):
            write_measured(path, runout, picture=picture, frames=frames)
        _record(job, (), used)
    return path


def keep_as(
    job: Job,
    path: Path,
    runout: Runout,
    *,
    picture: bytes | None = None,
    frames: Sequence[Path] = (),
    used: Collection[Path] = (),
) -> None:
    """Write a measurement into the job under a name that was asked for, and record it; else as keep_pass."""
    with hold(job):
        write_measured(path, runout, picture=picture, frames=frames)
        beside = [] if picture is None else [picture_path(path)]
        _record(job, [path, *beside, *([frames_path(path)] if frames else [])], used)


@contextlib.contextmanager
def _begun(job: Job, path: Path) -> Iterator[None]:
    """Note a result while it is written; where it can't be, it is forgotten: one of its name is a person's own then."""
    begin(job.folder, path.stem)
    try:
        yield
    except BadFile:
        give_up(job.folder, path.stem)
        raise


def write_measured(path: Path, runout: Runout, *, picture: bytes | None, frames: Sequence[Path]) -> None:
    """Write a measurement with the picture of its worst place (JPEG) and copies of its frames beside it, all or nothing.

    The measurement itself comes last: where it is, all that goes with it is there too.

    Raises
    ------
    BadFile
        A file can't be read or written.

    """
    files = {} if picture is None else {picture_path(path): picture}
    if picture is not None:
        runout = replace(runout, picture_sha256=hashlib.sha256(picture).hexdigest())
    files[path] = disk.as_bytes(pass_text(path, runout))
    if frames:
        disk.copy_files(frames, frames_path(path))
    left_over = picture is None and is_kept_picture(path)
    try:
        disk.write_together(files)
    except BaseException:
        if frames:
            shutil.rmtree(frames_path(path), ignore_errors=True)
        raise
    if left_over:
        picture_path(path).unlink()


def is_kept_picture(measurement: Path) -> bool:
    """Tell whether the picture beside a measurement is the one that was kept with it, by its sum."""
    picture = picture_path(measurement)
    with contextlib.suppress(BadFile):
        if picture.is_file() and measurement.is_file():
            known = read_json(measurement, "rimgauge-pass").value.get("picture_sha256")
            return bool(known == hashlib.sha256(disk.read_bytes(picture)).hexdigest())
    return False


def picture_path(measurement: Path) -> Path:
    """Name the picture of the worst place that goes with a measurement: pass-01.jpg."""
    return measurement.with_suffix(".jpg")


def frames_path(measurement: Path) -> Path:
    """Name the folder of frames that goes with a measurement: pass-01-frames."""
    return measurement.with_name(f"{measurement.stem}-frames")


def kept_picture(measurement: Path, runout: Runout) -> bytes | None:
    """Read the picture of the worst place; None where none was kept, or another took its place since."""
    try:
        data = picture_path(measurement).read_bytes()
    except OSError:
        return None
    return data if hashlib.sha256(data).hexdigest() == runout.picture_sha256 else None


def keep_plan(job: Job, plan: Plan, *, typed: Collection[Path] = ()) -> Path:
    """Write a plan under the next number and record it in the manifest; raises what keep_pass does.

    typed: readings it was made on; what of that lies in the job is recorded too, as it is now: an older plan holds what
    it was made on itself.

    Where the manifest can't be read, nothing is written: unlike a measurement, a plan can be made again.
    """
    with hold(job):
        _check_manifest(job)
        path = next_path(job, "plan")
        newest = passes(job)[-1:]
        with _begun(job, path):
            write_plan(path, replace(plan, follows=newest[0].name if newest else ""))
        _record(job, typed)
    return path


def kept_already(job: Job, plan: Plan) -> Path | None:
    """Find the job's newest plan where it says all that this one says, made on the same; else None.

    Raises
    ------
    BadFile
        It can't be read.

    """
    newest = plans(job)[-1:]
    if not newest:
        return None
    there = read_plan(newest[0])
    measured = passes(job)[-1:]
    follows = measured[0].name if measured else ""
    return newest[0] if plan_fields(there) == plan_fields(replace(plan, follows=follows)) else None


def keep_dish(job: Job, kept: KeptDish) -> Path:
    """Write a dish under the next number and record it in the manifest; raises what keep_plan does."""
    with hold(job):
        _check_manifest(job)
        path = next_path(job, "dish")
        with _begun(job, path):
            write_dish(path, kept)
        _record(job, ())
    return path


def keep_view(
    job: Job,
    path: Path,
    view: View,
    pictures: Mapping[Path, bytes] | None = None,
    *,
    used: Collection[Path] = (),
    gone: Collection[Path] = (),
) -> None:
    """Write a view of the job, with pictures that go with it, and record them; raises what keep_pass does.

    used: what the view was made from; what of that lies in the job is recorded too, if it isn't yet.
    gone: pictures of the view as it was, which are taken away.

    Where the manifest can't be read, nothing is written: the view as it was stays.
    """
    pictures = pictures or {}
    with hold(job):
        _check_manifest(job)
        write_view(path, view)
        for name, data in pictures.items():
            disk.write_bytes(name, data)
        _take_away(gone)
        _record(job, (path, *pictures, *gone), used)


def forget_view(job: Job, direction: Direction) -> Path:
    """Take a view of the job away, with its pictures, and record that it is gone on purpose; gives its file.

    Measurements made with it keep it in themselves. Raises what keep_plan does.

    Raises
    ------
    BadInput
        The job has and had no such view.

    """
    with hold(job):
        _check_manifest(job)
        path = view_path(job, direction)
        recorded = {entry.name for entry in read_manifest(job.folder).entries}
        if not path.exists() and path.name not in recorded:
            raise BadInput(f"this job has no {direction} view")
        gone = (path, aim_picture_path(job, direction), *kept_scale_picture(path))
        _take_away(gone)
        _record(job, gone)
    return path


def _take_away(files: Collection[Path]) -> None:
    for each in files:
        with disk.one_sentence(each):
            each.unlink(missing_ok=True)


def aim_picture_path(job: Job, direction: Direction) -> Path:
    """Name the picture of what was found that goes with the job's view of a direction."""
    return job.folder / f"aim-{direction}.png"


def scale_picture_path(view_file: Path) -> Path:
    """Name the picture that goes with a view of a job whose scale the camera itself took: view-lateral-scale.jpg."""
    return view_file.with_name(f"{view_file.stem}-scale.jpg")


def kept_scale_picture(view_file: Path) -> tuple[Path, ...]:
    """That picture where it is there as it was recorded, else none: another file of this name is a person's own."""
    path = scale_picture_path(view_file)
    return (path,) if is_as_recorded(path) else ()


def update_manifest(job: Job, ours: Collection[Path] = (), used: Collection[Path] = ()) -> Manifest:
    """Record the wheel as it is now and the files in `ours`, and what was added of views, readings and `used`.

    All else keeps the sum that it was recorded with, or stays out of the record, so that what was changed or
    added since is still found by `verify`; of a folder in `ours` or `used` all files count.

    Raises
    ------
    BadInput
        Another process is writing to the job.
    BadFile
        A file can't be read, or the manifest was changed or can't be written.

    """
    with hold(job):
        return _record(job, ours, used)


def _check_manifest(job: Job) -> None:
    if (job.folder / MANIFEST).exists():
        read_manifest(job.folder)


def _record(job: Job, ours: Collection[Path], used: Collection[Path] = ()) -> Manifest:
    folder = job.folder.resolve()
    names = _names_in(folder, ours)
    for stem in unfinished(folder):
        path = folder / f"{stem}.json"
        names += [path.name, picture_path(path).name, frames_path(path).name]
    has_one = (folder / MANIFEST).exists()
    created = read_manifest(folder).created if has_one else now()
    manifest = write_manifest(folder, created, ours=names, used=_names_in(folder, used))
    finish(folder)
    return manifest


def _names_in(folder: Path, files: Collection[Path]) -> list[str]:
    places = [Path(os.path.abspath(path)) for path in files]
    return [place.relative_to(folder).as_posix() for place in places if place.is_relative_to(folder)]
