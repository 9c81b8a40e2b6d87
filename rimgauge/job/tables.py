"""Curve and spokes as CSV, for spreadsheets and other programs."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from pathlib import Path

from rimgauge.records import Runout

from . import disk


def write_tables(folder: Path, measurement: Path, runout: Runout) -> tuple[Path, ...]:
    """Write curve, spokes and frames into a folder, named after the measurement; give the files' names."""
    writers = {"curve": write_curve_csv, "spokes": write_spokes_csv, "frames": write_frames_csv}
    paths = tuple(folder / f"{measurement.stem}-{kind}.csv" for kind in writers)
    for path, write in zip(paths, writers.values(), strict=True):
        write(path, runout)
    return paths


def write_curve_csv(path: Path, runout: Runout) -> None:
    """Write the fitted curve of each side, one line a point: side, angle_deg, lateral_mm (or radial_mm).

    Raises
    ------
    BadFile
        It can't be written.

    """
    rows = (
        (side.side, angle_deg, runout_mm)
        for side in runout.sides
        for angle_deg, runout_mm in zip(side.curve_angle_deg.tolist(), side.curve_mm.tolist(), strict=True)
    )
    _write(path, ("side", "angle_deg", f"{runout.direction}_mm"), rows)


def write_spokes_csv(path: Path, runout: Runout) -> None:
    """Write the runout at each spoke, one line a spoke and side; read_readings takes the file of one side.

    `side` is the side of the rim that was measured, `flange` the one the spoke comes from.

    Raises
    ------
    BadFile
        It can't be written.

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
    _write(path, names, rows)


def write_frames_csv(path: Path, runout: Runout) -> None:
    """Write what every frame said, one line a frame: frame, time_s, angle_deg, a gap a side, quality.

    Cells are empty where a frame gave nothing.

    Raises
    ------
    BadFile
        It can't be written.

    """
    frames = runout.frames
    columns = [frames.time_s, frames.angle_deg, *frames.gap_mm, frames.quality]
    rows = (
        (number, *("" if math.isnan(value) else value for value in values))
        for number, values in enumerate(zip(*(column.tolist() for column in columns), strict=True))
    )
    gaps = [f"{side.side}_gap_mm" for side in runout.sides]
    _write(path, ("frame", "time_s", "angle_deg", *gaps, "quality"), rows)


def _write(path: Path, names: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    text = io.StringIO(newline="")
    table = csv.writer(text, lineterminator="\n")
    table.writerow(names)
    table.writerows(rows)
    disk.write_text(Path(path), text.getvalue())
