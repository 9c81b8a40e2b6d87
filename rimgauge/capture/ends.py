"""Two straight edges of something of known size, such as a bank card: found to a fraction of a pixel."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.targets import Length
from rimgauge.errors import ScaleMissing
from rimgauge.records import FloatArray, IntArray

REACH_PX = 12
"""An edge is sought so far from where a person pointed."""
ROWS_PX = 20
"""Half the stretch of edge that is looked at."""
LEAST_STEP = 12.0
"""Grey levels by which an edge must stand out."""
MOST_TURN_DEG = 8.0
CLEAR_SHARE = 0.35
"""An edge so steep beside the steepest one near it is clear."""


def between_edges(
    picture: NDArray[np.uint8], start: FloatArray, end: FloatArray, name: str, *, nearest: bool = False
) -> Length:
    """Distance of the two straight edges near two points (2,) x, y, square to them [px].

    In each row across the edge the brightness's slope is largest at the edge; its centre of gravity gives the
    row's place, and a line through the rows the edge's (robust least squares).
    nearest: of several clear edges near a point, take the nearest one rather than the steepest.

    Raises
    ------
    ScaleMissing
        No straight edge is seen near a point, or the two aren't parallel.
    """
    along = (end - start) / np.linalg.norm(end - start)
    edges = [
        _edge(picture, point, along, f"{name}: at {point[0]:.0f},{point[1]:.0f}", nearest)
        for point in (start, end)
    ]
    (one, slope_one, error_one), (two, slope_two, error_two) = edges
    if abs(math.degrees(math.atan(slope_one) - math.atan(slope_two))) > MOST_TURN_DEG:
        raise ScaleMissing(f"{name}: the edges at both ends aren't parallel; point at two opposite ones")
    turn = math.atan((slope_one + slope_two) / 2.0)
    apart = float(np.linalg.norm(end - start)) + two - one
    return Length(px=apart * math.cos(turn), standard_error_px=math.hypot(error_one, error_two))


def _edge(
    picture: NDArray[np.uint8], point: FloatArray, along: FloatArray, where: str, nearest: bool
) -> tuple[float, float, float]:
    """Place of the edge past the point [px], its slope, and the place's standard error [px]."""
    across = np.array([-along[1], along[0]])
    u, v = np.meshgrid(np.arange(-REACH_PX - 3, REACH_PX + 4.0), np.arange(-ROWS_PX, ROWS_PX + 1.0))
    places = point + u[..., None] * along + v[..., None] * across
    x, y = places[..., 0].astype(np.float32), places[..., 1].astype(np.float32)
    patch = cv2.remap(picture.astype(np.float32), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    slope = cv2.GaussianBlur(patch, (0, 0), 1.0)
    # All three colours count: a blue card before a grey hand differs in few of them.
    slope = np.abs(np.gradient(slope.astype(np.float64), axis=1)).sum(axis=2)[:, 3:-3]
    u, rows = u[0, 3:-3], v[:, 0]
    peak = _nearest(slope, u) if nearest else np.argmax(slope, axis=1)
    near = np.abs(u - u[peak][:, None]) <= 3.0
    weight = np.where(near, slope, 0.0) ** 2
    place = (weight * u).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    strong = (np.where(near, slope, 0.0).sum(axis=1) > LEAST_STEP) & (np.abs(place) < REACH_PX - 1)
    inside = (x > 0) & (y > 0) & (x < picture.shape[1] - 1) & (y < picture.shape[0] - 1)
    kept = strong & inside.all(axis=1)
    for _ in range(4):
        if kept.sum() < ROWS_PX:
            raise ScaleMissing(
                f"{where} no straight edge is seen; point at the edge itself, within a few pixels"
            )
        design = np.stack([np.ones(len(rows)), rows], axis=1)
        answer = np.linalg.lstsq(design[kept], place[kept], rcond=None)[0]
        miss = np.abs(place - design @ answer)
        spread = max(1.4826 * float(np.median(miss[kept])), 0.03)
        kept = kept & (miss < 4.0 * spread)
    covariance = np.linalg.inv(design[kept].T @ design[kept]) * spread**2
    # Neighbouring rows share blur and JPEG's blocks, so that about four count as one.
    return float(answer[0]), float(answer[1]), 2.0 * math.sqrt(float(covariance[0, 0]))


def _nearest(slope: FloatArray, place: FloatArray) -> IntArray:
    """Columns (n,) of the local maximum nearest to place 0 in each row of slopes (n, m), of those that are clear."""
    summit = np.zeros(slope.shape, dtype=bool)
    summit[:, 1:-1] = (slope[:, 1:-1] >= slope[:, :-2]) & (slope[:, 1:-1] > slope[:, 2:])
    clear = summit & (slope > CLEAR_SHARE * slope.max(axis=1, keepdims=True))
    return np.asarray(np.argmin(np.where(clear, np.abs(place), np.inf), axis=1))
