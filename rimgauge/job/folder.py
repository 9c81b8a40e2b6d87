"""The job folder: a wheel's file, its views, and every pass and plan, numbered."""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import re
import sys
import unicodedata
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import IO, Literal

from rimgauge.errors import BadFile, BadInput
from rimgauge.records import Direction, Plan, Runout, record

from . import disk
from .build import FEWEST_SPOKES, MOST_SPOKES, parse_build
from .manifest import MANIFEST, Manifest, read_manifest, write_manifest
from .passes import read_pass, write_pass
from .plans import write_plan
from .views import read_view

if sys.platform == "win32":
    import msvcrt

    def _take(file: IO[bytes]) -> None:
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
else:
    import fcntl

    def _take(file: IO[bytes]) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


Numbered = Literal["pass", "plan", "readings"]
_ENDINGS: dict[Numbered, str] = {"pass": "json", "plan": "json", "readings": "csv"}
WHEEL = "wheel.toml"

_RESERVED = {
    "con",
    "prn",
    "aux",
    "nul",
    *(f"{port}{digit}" for port in ("com", "lpt") for digit in "123456789"),
}
"""Names that Windows keeps for devices, with any ending."""


@record
class Job:
    """A job folder; every other file of the job lies in it."""

    folder: Path

    @property
    def wheel(self) -> Path:
        """The wheel's file."""
        return self.folder / WHEEL


# --- starting and finding -----------------------------------------------------------------------------


def create_job(
    folder: Path, *, spokes: int, name: str = "", kind: str | None = None, crossings: int | None = None
) -> Job:
    """Make a job folder with a wheel file to fill in; it appears whole or not at all.

    Stopped half-way, the same call again finishes the work.

    Raises
    ------
    BadInput
        The folder holds something already, or a value can't be right.
    BadFile
        The folder can't be made.
    """
    folder = Path(folder)
    _check_name(folder)
    text = wheel_text(spokes=spokes, name=name or folder.resolve().name, kind=kind, crossings=crossings)
    with disk.one_sentence(folder):
        folder.mkdir(parents=True, exist_ok=True)
        found = [path.name for path in folder.iterdir() if not path.name.startswith(".")]
    job = Job(folder=folder)
    if found and (found != [WHEEL] or disk.read_text(job.wheel) != text):
        raise BadInput(f"{folder}: is there already and not empty; choose another name")
    disk.write_text(job.wheel, text)
    write_manifest(folder, _now())
    return job


def _check_name(folder: Path) -> None:
    """Refuse a name that another system couldn't hold: a record is meant to be handed on."""
    name = folder.resolve().name
    if (
        name.split(".")[0].lower() in _RESERVED
        or name.endswith((" ", "."))
        or re.search(r'[<>:"|?*\\\x00-\x1f]', name)
    ):
        raise BadInput(f"{str(folder)!r} can't be the name of a folder on every system; choose a plainer one")


def wheel_text(*, spokes: int, name: str, kind: str | None, crossings: int | None) -> str:
    """Write out a wheel file with what is known, and with the rest as comments to fill in.

    Raises
    ------
    BadInput
        A value can't be right.
    """
    if not FEWEST_SPOKES <= spokes <= MOST_SPOKES:
        raise BadInput(f"a wheel has {FEWEST_SPOKES} to {MOST_SPOKES} spokes, not {spokes}")
    if any(unicodedata.category(letter) in ("Cc", "Cs") for letter in name + (kind or "")):
        raise BadInput(f"the name {name!r} has letters that can't be printed; choose a plainer one")
    text = _WHEEL_TEXT.format(
        name=_quoted(name),
        spokes=spokes,
        kind=f"kind = {_quoted(kind)}" if kind is not None else '# kind = ".."',
        crossings=f"crossings = {crossings}" if crossings is not None else "# crossings = 3",
    )
    try:
        parse_build(Path("the new wheel"), text)
    except BadFile as trouble:
        raise BadInput(str(trouble)) from trouble
    return text


def _quoted(text: str) -> str:
    """Quote a text for TOML, whose plain strings are JSON's."""
    return json.dumps(text, ensure_ascii=False)


_WHEEL_TEXT = """\
# The build of this wheel. Only `spokes` must be here.
# What you know makes the plan better: take the # away and put your own number.
# What is left out is filled in from the kind of wheel, and the plan says so.

name = {name}
spokes = {spokes}
{kind}   # the kind of wheel, in general words
{crossings}   # how many spokes each spoke crosses on its way; 0 = radial
# first_spoke_side = "right"   # the flange of the first spoke after the valve; right = drive side
# first_spoke_deg = 5.6        # from the mark at the valve to spoke 1; left out: half a spacing

[rim]
# effective_diameter_mm = 602  # effective rim diameter (ERD)

[hub]
# right_flange_diameter_mm = 45
# left_flange_diameter_mm = 45
# right_flange_offset_mm = 36  # from the flange to the middle plane of the rim
# left_flange_offset_mm = 36

[spoke]
# right_diameter_mm = 2.0      # in the middle of the spoke
# left_diameter_mm = 2.0

[tension]
# right_n = 1000               # mean of the side, as measured
# left_n = 1000
# limit_n = 1200               # the wheel maker's limit

[tolerance]
# lateral_mm = 0.5             # how true is true enough
# radial_mm = 0.5
# dish_mm = 1.0
"""


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")


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


# --- what lies in it ----------------------------------------------------------------------------------


def passes(job: Job) -> tuple[Path, ...]:
    """List the measurements, oldest first."""
    return _numbered(job, "pass")


def plans(job: Job) -> tuple[Path, ...]:
    """List the plans, oldest first."""
    return _numbered(job, "plan")


def next_path(job: Job, kind: Numbered) -> Path:
    """Name the next file of a kind: pass-01.json, pass-02.json, ..; the highest number there is, plus one."""
    highest = max((_number(path) for path in _numbered(job, kind)), default=0)
    return job.folder / f"{kind}-{highest + 1:02d}.{_ENDINGS[kind]}"


def latest(job: Job, direction: Direction) -> Path | None:
    """Find the last measurement of a direction; None where there is none.

    Raises
    ------
    BadFile
        A measurement can't be read.
    """
    return next((path for path in reversed(passes(job)) if read_pass(path).direction == direction), None)


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
    named = re.compile(rf"{kind}-\d{{2,6}}\.{_ENDINGS[kind]}")
    with disk.one_sentence(job.folder):
        found = [path for path in job.folder.iterdir() if named.fullmatch(path.name)]
    return tuple(sorted(found, key=_number))


def _number(path: Path) -> int:
    return int(path.stem.split("-")[1])


# --- adding to it -------------------------------------------------------------------------------------


@contextlib.contextmanager
def hold(job: Job) -> Iterator[None]:
    """Keep other processes from writing to the job; the lock falls by itself when this process ends.

    Raises
    ------
    BadInput
        Another process holds it.
    BadFile
        The folder can't be written.
    """
    path = job.folder / ".lock"
    with disk.one_sentence(path):
        file = path.open("ab")
    with file:
        try:
            with disk.one_sentence(path):
                _take(file)
        except BadFile as trouble:
            if not isinstance(trouble.__cause__, BlockingIOError | PermissionError):  # no locks on this disk
                raise
            busy = f"{job.folder}: another rimgauge is writing to this job; wait until it has ended"
            raise BadInput(busy) from trouble
        yield


def keep_pass(job: Job, runout: Runout) -> Path:
    """Write a measurement under the next number and record it in the manifest.

    Raises
    ------
    BadInput
        Another process is writing to the job.
    BadFile
        A file can't be written.
    """
    with hold(job):
        path = next_path(job, "pass")
        write_pass(path, runout)
        _record(job, ())
    return path


def keep_plan(job: Job, plan: Plan) -> Path:
    """Write a plan under the next number and record it in the manifest; raises what keep_pass does."""
    with hold(job):
        path = next_path(job, "plan")
        write_plan(path, plan)
        _record(job, ())
    return path


def update_manifest(job: Job, rewritten: Collection[Path] = ()) -> Manifest:
    """Record the SHA-256 of every file of the job.

    Passes and plans recorded before keep their sum, so that a change since is still found by `verify`;
    only those in `rewritten` are recorded anew.

    Raises
    ------
    BadInput
        Another process is writing to the job.
    BadFile
        A file can't be read, or the manifest was changed or can't be written.
    """
    with hold(job):
        return _record(job, rewritten)


def _record(job: Job, rewritten: Collection[Path]) -> Manifest:
    folder = job.folder.resolve()
    names = [Path(os.path.abspath(path)).relative_to(folder).as_posix() for path in rewritten]
    has_one = (folder / MANIFEST).exists()
    return write_manifest(folder, read_manifest(folder).created if has_one else _now(), rewritten=names)
