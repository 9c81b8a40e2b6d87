"""Curve, spokes and frames as CSV, for spreadsheets and other programs, with the digits that mean something."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from pathlib import Path

from rimgauge.records import Runout

PLACES = {"_mm": 4, "_deg": 3, "time_s": 6, "quality": 3}
"""Places after the point by the end of a column's name: a hundredth of what a good measurement is unsure of."""


def tables(measurement: Path, runout: Runout) -> dict[str, str]:
    """Give the text of curve, spokes and frames under the names of their files, after that of the measurement."""
    texts = {"curve": curve_csv, "spokes": spokes_csv, "frames": frames_csv}
    return {f"{measurement.stem}-{kind}.csv": text(runout) for kind, text in texts.items()}


def curve_csv(runout: Runout) -> str:
    """List the fitted curve of each side, one line a point: side, angle_deg, lateral_mm (or radial_mm)."""
    rows = (
        (side.side, angle_deg, runout_mm)
        for side in runout.sides
        for angle_deg, runout_mm in zip(side.curve_angle_deg.tolist(), side.curve_mm.tolist(), strict=True)
    )
    return _text(("side", "angle_deg", f"{runout.direction}_mm"), rows)


def spokes_csv(runout: Runout) -> str:
    """List the runout at each spoke, one line a spoke and side; read_readings takes the table of one side.

    `side` is the side of the rim that was measured, `flange` the one the spoke comes from.
    """
    rows = (
        (side.side, number, *values)
        for side in runout.sides
        for number, values in enumerate(
            zip(
                side.spoke_flange,
                side.spoke_angle_deg.tolist(),
                side.spoke_mm.tolist(),
                side.spoke_standard_uncertainty_mm.tolist(),
                strict=True,
            ),
            start=1,
        )
    )
    names = ("side", "spoke", "flange", "angle_deg", f"{runout.direction}_mm", "standard_uncertainty_mm")
    return _text(names, rows)


def frames_csv(runout: Runout) -> str:
    """List what every frame said, one line a frame: frame, time_s, angle_deg, a gap a side, quality.

    Cells are empty where a frame gave nothing.
    """
    frames = runout.frames
    columns = [frames.time_s, frames.angle_deg, *frames.gap_mm, frames.quality]
    rows = (
        (number, *("" if math.isnan(value) else value for value in values))
        for number, values in enumerate(zip(*(column.tolist() for column in columns), strict=True))
    )
    gaps = [f"{side.side}_gap_mm" for side in runout.sides]
    return _text(("frame", "time_s", "angle_deg", *gaps, "quality"), rows)


def same_table(one: str, other: str) -> bool:
    """Tell whether two tables hold the same numbers, the more digits of either rounded to what PLACES keeps."""
    return _rounded(one) == _rounded(other)


def _rounded(table: str) -> str:
    try:
        names, *rows = list(csv.reader(io.StringIO(table, newline=""))) or [[]]
    except csv.Error:
        return table
    if any(len(row) != len(names) for row in rows):
        return table
    return _text(names, ([_number(cell) for cell in row] for row in rows))


def _number(cell: str) -> object:
    try:
        return float(cell)
    except ValueError:
        return cell


def _text(names: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    text = io.StringIO(newline="")
    table = csv.writer(text, lineterminator="\n")
    table.writerow(names)
    table.writerows([_cell(name, value) for name, value in zip(names, row, strict=True)] for row in rows)
    return text.getvalue()


def _cell(name: str, value: object) -> object:
    """Round a number to the places of its column; what rounds to nothing has no minus."""
    places = next((count for end, count in PLACES.items() if name.endswith(end)), None)
    return value if places is None or not isinstance(value, float) else round(value, places) + 0.0
