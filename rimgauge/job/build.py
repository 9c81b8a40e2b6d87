"""wheel.toml: the build of a wheel, written by a person."""

from __future__ import annotations

import functools
import itertools
import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from rimgauge.errors import BadFile
from rimgauge.records import FEWEST_SPOKES, MOST_SPOKES

from . import disk
from .reader import Reader

_Read = Callable[[Reader], Any]

_positive: _Read = functools.partial(Reader.number, above=0)
_tolerance: _Read = functools.partial(Reader.number, above=0, below=100)
_not_negative: _Read = functools.partial(Reader.number, least=0)

_TABLES: dict[str, dict[str, _Read]] = {
    "rim": dict.fromkeys(
        ("effective_diameter_mm", "lateral_bending_n_m2", "radial_bending_n_m2", "torsion_n_m2", "axial_n"),
        _positive,
    ),
    "hub": dict.fromkeys(
        (
            "right_flange_diameter_mm",
            "left_flange_diameter_mm",
            "right_flange_offset_mm",
            "left_flange_offset_mm",
        ),
        _positive,
    ),
    "spoke": dict.fromkeys(("right_diameter_mm", "left_diameter_mm", "turn_mm"), _positive),
    "tension": {"right_n": _not_negative, "left_n": _not_negative, "limit_n": _positive},
    "tolerance": dict.fromkeys(("lateral_mm", "radial_mm", "dish_mm"), _tolerance),
}


def _table(fields: dict[str, _Read], place: Reader) -> dict[str, Any]:
    place.only(*fields)
    found = ((name, place.get(name), read) for name, read in fields.items())
    return {name: read(value) for name, value, read in found if value is not None}


_BUILD: dict[str, _Read] = {
    "name": Reader.text,
    "spokes": functools.partial(Reader.whole, least=FEWEST_SPOKES, most=MOST_SPOKES),
    "crossings": functools.partial(Reader.whole, least=0),
    "first_spoke_side": lambda place: place.choice("right", "left"),
    "side_pattern": Reader.text,
    "first_spoke_deg": functools.partial(Reader.number, least=0, below=360),
    "spoke_angles_deg": functools.partial(Reader.numbers, least=0),
    "kind": Reader.text,
    **{name: functools.partial(_table, fields) for name, fields in _TABLES.items()},
}


def read_build(path: Path) -> dict[str, Any]:
    """Read a wheel file: only the fields that stand in it, each checked, nested as in the file.

    `spokes` is always there; every number of a table is a float.

    Raises
    ------
    BadFile
        The file can't be read, has a field of an unknown name, or a value that can't be right.

    """
    return parse_build(Path(path), disk.read_text(Path(path)))


def parse_build(path: Path, text: str) -> dict[str, Any]:
    """Read a wheel file's text; `path` is what complaints name. See read_build."""
    try:
        value = tomllib.loads(text)
    except RecursionError as trouble:
        raise BadFile(path, "is nested too deeply to be a wheel file") from trouble
    except ValueError as trouble:
        first = str(trouble).partition("\n")[0]
        _check_point(path, text, first)
        raise BadFile(
            path, f"can't be read as a wheel file (TOML): {first[:1].lower()}{first[1:]}"
        ) from trouble
    place = Reader(path, value)
    build = _table(_BUILD, place)
    place["spokes"]  # the one field that nothing can stand in for
    _check_crossings(place, build)
    _check_angles(place, build)
    return build


def _check_point(path: Path, text: str, complaint: str) -> None:
    """Refuse a decimal comma in plain words, where it stands in the line that the complaint about the TOML names."""
    named = re.search(r"at line (\d+)", complaint)
    line = text.split("\n")[int(named[1]) - 1] if named else ""
    found = re.match(r"[^#\"'\[=]*=\s*([+-]?\d+),(\d+)\s*(#|$)", line)
    if named and found:
        number, again = f"{found[1]},{found[2]}", f"{found[1]}.{found[2]}"
        raise BadFile(path, f"line {named[1]} has {number} with a comma; write {again} with a point")


def _check_crossings(place: Reader, build: dict[str, Any]) -> None:
    """Refuse more crossings than geometry allows: a spoke that would lie straight through the hub."""
    most = (build["spokes"] - 1) // 4
    if build.get("crossings", 0) > most:
        place["crossings"].fail(
            f"must be {most} or less with {build['spokes']} spokes, not {build['crossings']}"
        )


def _check_angles(place: Reader, build: dict[str, Any]) -> None:
    angles = build.get("spoke_angles_deg")
    if angles is None:
        return
    where = place["spoke_angles_deg"]
    if len(angles) != build["spokes"]:
        where.fail(f"must hold one angle for each of the {build['spokes']} spokes, not {len(angles)}")
    if angles[-1] >= 360 or any(after <= before for before, after in itertools.pairwise(angles)):
        where.fail("must rise from spoke to spoke and stay below 360")
    if abs(build.get("first_spoke_deg", angles[0]) - angles[0]) > 1e-6:
        place["first_spoke_deg"].fail(
            f"is {build['first_spoke_deg']:g}, but spoke_angles_deg starts at {angles[0]:g}"
        )
