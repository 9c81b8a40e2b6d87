"""The runout laid round a circle and drawn too large, by a stated factor: not the rim's outline."""

from __future__ import annotations

import math

import cv2
import numpy as np

from rimgauge.live.ink import Image, Ink, polyline, size_of, write
from rimgauge.live.trail import CELLS, Trail
from rimgauge.records import Box, FloatArray, Side

RADIUS_MM = 311.0
"""Of a common rim; it only sets which factor fits the picture."""
LARGEST_BULGE = 0.3
CENTRE_SHARE, RADIUS_SHARE = 0.395, 0.29
"""Of the box's height: the rest is for the words below."""


def factor_for(reach_mm: float) -> int:
    """Largest of 1, 2, 5, 10, 20 … that keeps the deviation drawn within a share of the radius."""
    most = max(LARGEST_BULGE * RADIUS_MM / max(reach_mm, 0.05), 1.0)
    decade: int = 10 ** math.floor(math.log10(most))
    return max(step * decade for step in (1, 2, 5) if step * decade <= most)


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
