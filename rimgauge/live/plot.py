"""The live curve, gap in millimetres against the spoke numbers; and the same laid round the wheel, drawn too large."""

from __future__ import annotations

import math
from collections.abc import Callable

import cv2
import numpy as np

from rimgauge.live.ink import Image, Ink, polyline, size_of, write
from rimgauge.live.trail import CELLS, Trail, spread_mm
from rimgauge.records import Box, FloatArray, Side, round_factor

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
    before_mm: FloatArray | None,
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


RADIUS_MM = 311.0
"""Of a common rim; it only sets which factor fits the picture."""
LARGEST_BULGE = 0.3
CENTRE_SHARE, RADIUS_SHARE = 0.395, 0.29
"""Of the box's height: the rest is for the words below."""


def factor_for(reach_mm: float) -> int:
    """Largest of 1, 2, 5, 10, 20 … that keeps the deviation drawn within a share of the radius."""
    return round_factor(LARGEST_BULGE * RADIUS_MM / max(reach_mm, 0.05))


def draw_shape(
    canvas: Image,
    box: Box,
    trail: Trail,
    *,
    spoke_angles_deg: FloatArray,
    angle_deg: float,
    side: Side,
    ink: Ink,
) -> None:
    """Lay the gap's deviation round the wheel as it stands, the pointer on top; dots are spokes, the mark is a bar."""
    unit = canvas.shape[0] / 720
    x, y, width, height = box
    centre = np.array([x + width / 2, y + CENTRE_SHARE * height])
    radius = RADIUS_SHARE * height
    turned_deg = angle_deg if math.isfinite(angle_deg) else 0.0
    rim = (1.0 if side == "left" else -1.0) * trail.now_mm
    seen = np.isfinite(rim)
    mean = float(rim[seen].mean()) if seen.any() else 0.0
    reach = float(np.abs(rim[seen] - mean).max()) if seen.any() else 0.0
    factor = factor_for(reach)

    def places(at_deg: FloatArray, out: FloatArray | float) -> FloatArray:
        # Rolling forward is clockwise here, so that what passes the pointer later lies to its left.
        way = np.radians(turned_deg - at_deg)
        return centre + np.stack([np.sin(way), -np.cos(way)], axis=-1) * (radius * np.asarray(out))[..., None]

    cells: FloatArray = (np.arange(CELLS, dtype=np.float64) + 0.5) * (360.0 / CELLS)
    polyline(canvas, places(cells, np.ones(CELLS)), ink.quiet, unit, closed=True)
    out = 1.0 + np.where(seen, factor * (rim - mean) / RADIUS_MM, np.nan)
    for k in np.flatnonzero(seen & np.roll(seen, -1)):
        pair = places(cells[[k, (k + 1) % CELLS]], out[[k, (k + 1) % CELLS]])
        polyline(canvas, pair, ink.curve, 4 * unit)
    for spot in places(spoke_angles_deg, 0.86):
        cv2.circle(canvas, _whole(spot), round(2.5 * unit), ink.quiet, -1, cv2.LINE_AA)
    if math.isfinite(angle_deg):
        polyline(canvas, places(np.zeros(2), np.array([0.8, 0.92])), ink.words, 6 * unit)
    tip = centre - (0.0, 1.06 * radius)
    arrow = tip + unit * np.array([[0.0, 0.0], [-9.0, -22.0], [9.0, -22.0]])
    cv2.fillPoly(canvas, [np.round(arrow * 16).astype(np.int32)], ink.here, cv2.LINE_AA, 4)
    lateral = side != "outer"
    lines = (
        (f"{'Sideways' if lateral else 'Radial'} runout, {factor} times too large", 22.0, 54.0, ink.words),
        (f"outside the thin circle: {'to the right' if lateral else 'outward'}", 19.0, 27.0, ink.words),
        ("laid round a circle, not the rim's outline", 17.0, 1.0, ink.quiet),
    )
    for words, tall, up, colour in lines:
        fitting = tall * unit * min(1.0, width / size_of(words, tall * unit)[0])
        at = (x + width / 2, y + height - up * unit)
        write(canvas, words, at, height=fitting, colour=colour, align=0.5)


def _whole(point: FloatArray) -> tuple[int, int]:
    return round(float(point[0])), round(float(point[1]))
