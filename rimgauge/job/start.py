"""Start a job: a folder with a wheel file to fill in."""

from __future__ import annotations

import contextlib
import json
import re
import unicodedata
from pathlib import Path

from rimgauge.errors import BadFile, BadInput
from rimgauge.records import FEWEST_SPOKES, MOST_SPOKES

from . import disk
from .build import parse_build, read_build
from .folder import WHEEL, Job, find_job
from .manifest import MANIFEST, now, write_manifest


def create_job(
    folder: Path, *, spokes: int, name: str = "", kind: str | None = None, crossings: int | None = None
) -> Job:
    """Make a job folder with a wheel file to fill in; it appears whole or not at all.

    Stopped half-way, the same call again finishes the work; a job in which nothing was done yet, and whose wheel file
    is as it was made, is made anew for other values.

    Raises
    ------
    BadInput
        The folder holds something already or lies in a job, or a value can't be right.
    BadFile
        The folder can't be made.

    """
    folder = Path(folder)
    _check_name(folder)
    _check_in_no_job(folder)
    text = wheel_text(spokes=spokes, name=name or folder.resolve().name, kind=kind, crossings=crossings)
    with disk.one_sentence(folder):
        folder.mkdir(parents=True, exist_ok=True)
        found = [path.name for path in folder.iterdir() if not path.name.startswith(".")]
    job = Job(folder=folder)
    if found and not (
        _is_untouched(job, found) and (MANIFEST not in found or disk.read_text(job.wheel) != text)
    ):
        inside = "; to change the wheel of a job write it into its wheel.toml" if WHEEL in found else ""
        raise BadInput(f"{folder}: is there already and not empty; choose another name{inside}")
    disk.write_text(job.wheel, text)
    write_manifest(folder, now())
    return job


def _check_in_no_job(folder: Path) -> None:
    """Refuse a job within a job, which the list of jobs would pass over and the outer record call an addition."""
    outer = find_job(folder.resolve().parent)
    if outer is not None:
        raise BadInput(
            f"{folder}: would lie inside another job, {outer.folder}; make it beside that one, for example as "
            f"{outer.folder.parent / folder.name}"
        )


def _is_untouched(job: Job, found: list[str]) -> bool:
    """Whether a folder holds nothing but what was made when a job was started in it."""
    if WHEEL not in found or not set(found) <= {WHEEL, MANIFEST}:
        return False
    with contextlib.suppress(BadFile, BadInput):
        build = read_build(job.wheel)
        made = wheel_text(
            spokes=build["spokes"],
            name=build.get("name", ""),
            kind=build.get("kind"),
            crossings=build.get("crossings"),
        )
        return disk.read_text(job.wheel) == made
    return False


def _check_name(folder: Path) -> None:
    """Refuse a name that another system couldn't hold: a record is meant to be handed on."""
    name = folder.resolve().name
    if disk.is_device_name(name) or name.endswith((" ", ".")) or re.search(r'[<>:"|?*\\\x00-\x1f]', name):
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
{kind}   # what you leave out is taken from it; it is one of:
#   "box-section alloy", "box-section alloy, dished rear", "light alloy",
#   "deep alloy", "disc-brake alloy", "wide heavy alloy", "carbon deep",
#   "small-wheel alloy", "steel channel"
{crossings}   # how many spokes each spoke crosses on its way; 0 = radial
# first_spoke_side = "right"   # the flange of the first spoke after the valve; right = drive side
# side_pattern = "RL"          # sides of the spokes from the first on, as it repeats, for example "RRL"
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
