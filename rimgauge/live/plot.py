"""The live curve: gap in millimetres against the spoke numbers."""

from __future__ import annotations

import math
from collections.abc import Callable

import cv2
import numpy as np

from rimgauge.live.ink import Image, Ink, polyline, size_of, write
from rimgauge.live.trail import CELLS, Trail, spread_mm
from rimgauge.records import Box, FloatArray

DASH = 6
SMALLEST_RANGE_MM = 1.0
"""The scale never shows less than this, so that a true wheel looks true."""


def draw_curve(
    picture: Image,
    box: Box,
    trail: Trail,
    *,
    spoke_angles_deg: FloatArray,
    angle_deg: float,
    ink: Ink,
    before_mm: FloatArray | None = None,
) -> None:
    """Draw this revolution thick, the one before thin, a line where the pointer is, and the worst places.

    before_mm (CELLS,): an earlier measurement, drawn in dashes.
    """
    unit = picture.shape[0] / 720
    low, high, step = gap_range_mm(trail, before_mm)
    x, y, width, height = box

    def across(cell: FloatArray) -> FloatArray:
        return x + cell / CELLS * width

    def down(gap_mm: FloatArray | float) -> FloatArray:
        return np.asarray(y + (high - np.asarray(gap_mm)) / (high - low) * height)

    for level in np.arange(math.ceil(low / step - 1e-6), math.floor(high / step + 1e-6) + 1) * step:
        row = round(float(down(level)))
        cv2.line(picture, (x, row), (x + width, row), ink.grid, max(1, round(unit)))
        at = (x - 10 * unit, row + 8 * unit)
        write(picture, f"{level:.1f}", at, height=16 * unit, colour=ink.quiet, align=1)
    _number_spokes(picture, box, spoke_angles_deg, ink)
    cells: FloatArray = np.arange(CELLS, dtype=np.float64) + 0.5
    if before_mm is not None:
        for start in range(0, CELLS, 2 * DASH):
            dash = np.arange(start, min(start + DASH, CELLS))
            polyline(
                picture, np.stack([across(cells[dash]), down(before_mm[dash])], axis=1), ink.words, 2 * unit
            )
    for values, colour, thick in ((trail.earlier_mm, ink.quiet, unit), (trail.now_mm, ink.curve, 4.5 * unit)):
        for stretch in _stretches(values):
            points = np.stack([across(cells[stretch]), down(values[stretch])], axis=1)
            polyline(picture, points, colour, thick)
    _mark_worst(picture, trail, across, down, ink)
    if math.isfinite(angle_deg):
        column = round(x + angle_deg % 360 / 360 * width)
        cv2.line(picture, (column, y), (column, y + height), ink.here, max(2, round(3 * unit)))
        if trail.cell is not None and math.isfinite(trail.gap_mm):
            centre = (column, round(float(down(trail.gap_mm))))
            cv2.circle(picture, centre, round(9 * unit), ink.here, -1, cv2.LINE_AA)
            cv2.circle(picture, centre, round(9 * unit), ink.ground, max(1, round(2 * unit)), cv2.LINE_AA)


def _mark_worst(
    picture: Image,
    trail: Trail,
    across: Callable[[FloatArray], FloatArray],
    down: Callable[[FloatArray], FloatArray],
    ink: Ink,
) -> None:
    """Point at the largest and the smallest gap with a triangle each, once the whole wheel was seen."""
    if not math.isfinite(spread_mm(trail)):
        return
    size = 9 * picture.shape[0] / 720
    for cell, way in ((int(np.nanargmax(trail.now_mm)), -1.0), (int(np.nanargmin(trail.now_mm)), 1.0)):
        x, y = float(across(np.asarray(cell + 0.5))), float(down(trail.now_mm[cell])) + way * 0.8 * size
        corners = np.array([[x, y], [x - size, y + way * 1.6 * size], [x + size, y + way * 1.6 * size]])
        cv2.fillPoly(picture, [np.round(corners * 16).astype(np.int32)], ink.words, cv2.LINE_AA, 4)


def gap_range_mm(trail: Trail, before_mm: FloatArray | None = None) -> tuple[float, float, float]:
    """Return bottom, top and grid step of the scale [mm], which moves only by whole steps."""
    both = np.concatenate([trail.now_mm, trail.earlier_mm, [] if before_mm is None else before_mm])
    seen = both[np.isfinite(both)]
    low, high = (float(seen.min()), float(seen.max())) if seen.size else (SMALLEST_RANGE_MM / 2,) * 2
    room = max(SMALLEST_RANGE_MM, 1.15 * (high - low))
    wanted = room / 4
    decade = 10 ** math.floor(math.log10(wanted))
    step = next(factor * decade for factor in (1, 2, 5, 10) if factor * decade >= wanted - 1e-9)
    middle = (low + high) / 2
    bottom = math.floor((middle - room / 2) / step) * step
    return bottom, math.ceil((middle + room / 2) / step) * step, step


def _number_spokes(picture: Image, box: Box, spoke_angles_deg: FloatArray, ink: Ink) -> None:
    """Write as many spoke numbers as there is room for, the first and every so many after it."""
    unit = picture.shape[0] / 720
    x, y, width, height = box
    count = len(spoke_angles_deg)
    need = size_of("00", 16 * unit)[0] + 10 * unit
    every = next(step for step in (1, 2, 4, 5, 10, 20, 60) if width / count * step >= need or step == 60)
    foot = y + height
    for index, angle_deg in enumerate(spoke_angles_deg):
        column = round(x + float(angle_deg) % 360 / 360 * width)
        numbered = index % every == 0
        cv2.line(picture, (column, foot), (column, round(foot + (8 if numbered else 4) * unit)), ink.quiet, 1)
        if numbered:
            at = (column, foot + 30 * unit)
            write(picture, f"{index + 1}", at, height=16 * unit, colour=ink.words, align=0.5)
    cv2.line(picture, (x, foot), (x + width, foot), ink.quiet, max(1, round(unit)))


def _stretches(values: FloatArray) -> list[slice]:
    """Return the runs of neighbouring places that were seen."""
    seen = np.concatenate([[False], np.isfinite(values), [False]])
    edges = np.flatnonzero(seen[1:] != seen[:-1])
    return [slice(int(start), int(stop)) for start, stop in edges.reshape(-1, 2)]
