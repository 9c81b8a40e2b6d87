"""readings.csv: runout and tension at each spoke, typed in by hand from any indicator."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NoReturn

import numpy as np

from rimgauge.errors import BadFile
from rimgauge.records import NEWTONS_PER_KGF, Readings

from . import disk
from .reader import FARTHEST_MM, nearest

_VALUES = ("lateral_mm", "radial_mm", "tension_n", "tension_kgf")
_READ = ("spoke", *_VALUES)
_LARGEST = dict(zip(_VALUES, (FARTHEST_MM, FARTHEST_MM, 10_000.0, 1_000.0), strict=True))
"""A spoke of 3 mm breaks under about 8 kN."""
SLACKEST_N, TIGHTEST_KGF, MOST_RUNOUT_MM = 250.0, 300.0, 40.0
"""Built wheels have 400 to 1500 N a spoke, and a spoke breaks at 250 to 300 kgf; between brake blocks or chain stays no
rim strays by centimetres (common practice)."""
_PASSED_OVER = ("side", "flange", "angle_deg", "standard_uncertainty_mm", "note")
"""Columns that may stand in the file and aren't used; the CSV that rimgauge exports has them."""

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")


def read_readings(
    path: Path,
    spokes: int,
    *,
    centred: bool = False,
    need: Sequence[str] = ("lateral_mm", "radial_mm"),
) -> Readings:
    """Read the values at each of the wheel's spokes; NaN where nothing was read.

    Columns are told by the header, in any order; commas, semicolons or tabs stand between them, and a
    decimal comma is taken where it can't be mistaken.

    Parameters
    ----------
    path : the file.
    spokes : how many spokes the wheel has.
    centred : the lateral values are from the centre plane, so that their mean is the dish.
    need : of these columns at least one must have a value for every spoke; ("tension_n",) for a file of
        tensions alone, () to need none.

    Raises
    ------
    BadFile
        The file can't be read, a value is no number, or a spoke is missing, doubled or not of this wheel.

    """
    path = Path(path)
    values = {name: np.full(spokes, math.nan) for name in _VALUES}
    first_line: dict[int, int] = {}
    for line, row in _rows(path):
        spoke = _spoke(path, line, row.pop("spoke", ""), spokes)
        if spoke in first_line:
            _fail(path, line, f"spoke {spoke} was on line {first_line[spoke]} already")
        first_line[spoke] = line
        for name, cell in row.items():
            if cell:
                values[name][spoke - 1] = _number(path, line, name, cell)
    tension_n = _in_newtons(path, values)
    _check_units(path, values)
    columns = {"lateral_mm": values["lateral_mm"], "radial_mm": values["radial_mm"], "tension_n": tension_n}
    _check_complete(path, columns, need)
    return Readings(**columns, centred=centred)


def _rows(path: Path) -> Iterator[tuple[int, dict[str, str]]]:
    """Go through the rows that hold anything, as line number and cells by column name."""
    text = disk.read_text(path)
    header_text = next((line for line in text.splitlines() if line.strip()), "")
    between = next((mark for mark in ";\t" if mark in header_text), ",")
    table = csv.reader(io.StringIO(text, newline=""), delimiter=between)
    header: list[str] = []
    try:
        for row in table:
            cells = [cell.strip() for cell in row]
            if not any(cells):
                continue
            if not header:
                header = _header(path, [cell.lower() for cell in cells])
            elif len(cells) > len(header):
                trouble = f"there are {len(cells)} cells under {len(header)} column names"
                _fail(
                    path, table.line_num, f"{trouble}; with a decimal comma, put semicolons between columns"
                )
            else:
                pairs = zip(header, cells, strict=False)  # empty cells at the end may be left out
                yield table.line_num, {name: cell for name, cell in pairs if name in _READ}
    except csv.Error as trouble:
        _fail(path, table.line_num, f"can't be read as a table ({trouble})")
    if not header:
        raise BadFile(path, f"is empty; its first line must be like {','.join(_READ[:-1])}")


def _header(path: Path, names: list[str]) -> list[str]:
    for name in names:
        if name not in _READ + _PASSED_OVER:
            near = nearest(name, _READ)
            hint = f"did you mean {near}?" if near else f"known are {', '.join(_READ)}"
            raise BadFile(path, f"the column {name[:40]!r} is not known; {hint}")
        if names.count(name) > 1:
            raise BadFile(path, f"the column {name} stands twice in the header")
    if "spoke" not in names or not set(names) & set(_VALUES):
        raise BadFile(path, f"the header must name the column spoke and at least one of {', '.join(_VALUES)}")
    return names


def _spoke(path: Path, line: int, cell: str, spokes: int) -> int:
    if not re.fullmatch(r"\d{1,6}", cell) or not 1 <= int(cell) <= spokes:
        _fail(path, line, f"spoke must be a whole number from 1 to {spokes}, not {cell[:40]!r}")
    return int(cell)


def _number(path: Path, line: int, name: str, cell: str) -> float:
    plain = cell.replace("\N{MINUS SIGN}", "-")
    value = float(plain.replace(",", ".")) if _NUMBER.fullmatch(plain) else math.nan
    if not math.isfinite(value):
        _fail(path, line, f"{name} {cell[:40]!r} is not a number")
    if name.startswith("tension") and value < 0:
        _fail(path, line, f"{name} is {value:g}, and a spoke can't push; tension must be 0 or more")
    if abs(value) > _LARGEST[name]:
        _fail(path, line, f"{name} is {value:g}; no wheel reads more than {_LARGEST[name]:g}")
    return value


def _check_units(path: Path, values: dict[str, np.ndarray]) -> None:
    """Refuse columns whose values can only be meant in another unit."""
    newtons, kilograms = (
        column[np.isfinite(column)] for column in (values["tension_n"], values["tension_kgf"])
    )
    if len(newtons) and newtons.max() < SLACKEST_N:
        raise BadFile(
            path,
            f"tension_n is {newtons.max():g} at most, far too little for a built wheel; if these are kilograms "
            "(kgf), call the column tension_kgf; if they are newtons, bring the tension up evenly first",
        )
    if len(kilograms) and kilograms.max() * NEWTONS_PER_KGF < SLACKEST_N:
        raise BadFile(
            path,
            f"tension_kgf is {kilograms.max():g} at most, far too little for a built wheel; if these are marks of the gauge's "
            "own scale, write what its table makes of them; if they are kilograms, bring the tension up evenly first",
        )
    if len(kilograms) and np.median(kilograms) > TIGHTEST_KGF:
        raise BadFile(
            path,
            f"tension_kgf is about {np.median(kilograms):g}, more than a spoke bears; if these are newtons, call "
            "the column tension_n",
        )
    for name in ("lateral_mm", "radial_mm"):
        read = values[name][np.isfinite(values[name])]
        if len(read) and np.ptp(read) > MOST_RUNOUT_MM:
            raise BadFile(
                path,
                f"{name} differs by {np.ptp(read):g} mm round the wheel, which no wheel that turns in its frame does; "
                "write millimetres, not hundredths",
            )


def _in_newtons(path: Path, values: dict[str, np.ndarray]) -> np.ndarray:
    newtons, kilograms = values["tension_n"], values["tension_kgf"]
    both = np.flatnonzero(np.isfinite(newtons) & np.isfinite(kilograms))
    if len(both):
        raise BadFile(
            path, f"spoke {both[0] + 1} has a tension in N and another in kgf; leave one of them empty"
        )
    return np.where(np.isfinite(newtons), newtons, kilograms * NEWTONS_PER_KGF)


def _check_complete(path: Path, columns: dict[str, np.ndarray], need: Sequence[str]) -> None:
    if not need:
        return
    missing = np.flatnonzero(np.all([np.isnan(columns[name]) for name in need], axis=0)) + 1
    if len(missing):
        count, some = len(missing), ", ".join(str(number) for number in missing[:8])
        which = f"spoke {some}" if count == 1 else f"spokes {some}{' and others' if count > 8 else ''}"
        wanted = need[0] if len(need) == 1 else " or ".join((", ".join(need[:-1]), need[-1]))
        raise BadFile(path, f"no {wanted} for {which}; measure there and fill it in")


def _fail(path: Path, line: int, trouble: str) -> NoReturn:
    raise BadFile(path, f"line {line}: {trouble}")
