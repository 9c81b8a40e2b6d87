"""A coin in the picture: its outline to a fraction of a pixel, an ellipse where the coin is seen at a slant."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.targets import Length
from rimgauge.errors import ScaleMissing
from rimgauge.records import FloatArray

STRICTNESS = (0.9, 0.8, 0.7, 0.6, 0.5)
"""How round an outline must be to start from (OpenCV's measure of it), the strictest first."""
RIVAL_STRICTNESS = 0.7
"""How round at least another thing must be to be taken for a second coin."""
RIVAL_OFF, RIVAL_SIZE = 0.3, 0.4
"""It lies off the largest one's middle by more than that share of its radius, a ring of the same coin less; and is
at least that share as large, unless it lies wholly outside: then any size is another coin's."""
LEAST_RADIUS_PX = 20.0
AROUND = np.linspace(0.0, 2.0 * np.pi, 360, endpoint=False)
LEAST_SLOPE = 6.0
"""Grey levels a pixel by which an outline must stand out."""
MOST_SLANT = 0.7
"""Slope along an outline beside the slope across it, at most: within 35° of its direction."""
STRONG = 0.5
"""Of the steepest slope near the outline, what another must have to be the outline, farther out."""
LEAST_SEEN = 0.6
"""Share of the outline that must be seen; fingers may cover the rest."""
FARTHEST, NEAREST = 1.5, 0.85
"""The outermost outline is sought between these shares of the one found first: coins have rings inside."""
BESIDE, MOST_OUTSIDE = 1.06, 0.4
"""Farther out than this share, no more than that share of another outline may be seen."""
MOST_FLAT = 0.85
"""A coin seen flatter than this is held too slantwise to tell a scale."""
MOST_ROUGH_PX, RIVAL_ROUGH_PX = 0.8, 0.6
"""Rms distance of an outline's places from their ellipse: where a part of them is the ring just inside or something
behind, a coin still tells a scale, less sure by that much, but nothing as rough is taken for a second coin."""


BLURRED_PX = 5.0
"""So far beyond its edge a blurred coin is still brighter or darker than the wall behind it."""
LEVELS, FLATTEST, ELLIPSE_ROUGH = 24, 0.3, 0.03
"""Brightnesses at which a larger ellipse is looked for, the flattest of them, and how near the outline keeps to it, as a
share of its radius; a rectangle is off by 0.1."""
FURTHEST_PX = (*np.linspace(6.0, 1.0, 11).tolist(), *[1.0] * 9)
"""What lies farther from the ellipse in each step of its fit is something else's edge."""
LEAST_KEPT = 0.58
"""Share of the way round that must lie on the ellipse at last."""


@dataclass(frozen=True, slots=True, eq=False)
class Coin:
    """Diameter along the measuring direction and middle (2,) x, y in the picture."""

    across: Length
    middle: FloatArray


def find_coin(picture: NDArray[np.uint8], direction: FloatArray, name: str) -> Coin:
    """Find the coin in a BGR picture and its diameter along a unit vector (2,).

    Seen from afar a circle is an ellipse whose diameter along a direction is the circle's, shortened as every
    length in the coin's plane is along that direction.

    Raises
    ------
    ScaleMissing
        No coin is seen, or more than one, too little of its outline, or it is held too slantwise.
    """
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
    radius_px, centre, others = _first_circle(np.asarray(grey, dtype=np.uint8), name)
    shape = np.array([*centre, radius_px, 0.0, 0.0])
    smooth = np.asarray(cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 1.0), dtype=np.float32)
    if any(_is_round(smooth, other) for other in others):
        raise ScaleMissing(
            f"{name}: more than one round thing is seen, and which one is the coin isn't clear; take the picture "
            "with one coin and nothing else round in it"
        )
    if _larger_round(picture, shape, FARTHEST):
        raise ScaleMissing(
            f"{name}: a round thing is seen on a larger one that is seen slantwise; hold the coin so that it faces the "
            "camera, before something plain"
        )
    shape = _outermost(smooth, shape)
    points, shape, rough_px, kept = _fitted(smooth, shape, radius_px, name)
    if _outside_seen(smooth, shape) > MOST_OUTSIDE or _larger_round(
        picture, shape, max(BESIDE, 1.0 + BLURRED_PX / shape[2])
    ):
        raise ScaleMissing(
            f"{name}: it isn't clear which outline is the coin's; lay it before something plain of another brightness"
        )
    major, minor = _axes(shape)
    if minor < MOST_FLAT * major or rough_px > MOST_ROUGH_PX or kept < LEAST_KEPT * len(AROUND):
        raise ScaleMissing(f"{name}: the coin isn't seen round enough; hold it so that it faces the camera")
    diameter = 2.0 * _radius(shape, math.atan2(direction[1], direction[0]))
    # Neighbouring places of the outline share blur and JPEG's blocks, so that about four count as one.
    # Where a part of them lies on the ring just inside instead, the outline may be that ring's as a whole.
    error_px = math.hypot(2.0 * 2.0 * rough_px * math.sqrt(2.0 / max(kept, 1)), _off_px(points, shape))
    return Coin(
        across=Length(px=float(diameter), standard_error_px=error_px),
        middle=shape[:2],
    )


def _fitted(
    smooth: NDArray[np.float32], shape: FloatArray, rough_radius_px: float, name: str
) -> tuple[FloatArray, FloatArray, float, int]:
    """Fit an ellipse from a rough shape on: its outline's places (p, 2), itself, how rough it is [px], and places kept."""
    for reach_px in (max(6.0, 0.08 * rough_radius_px), 5.0, 3.0, 3.0):
        points, seen = _outline(smooth, shape, reach_px)
        if seen < LEAST_SEEN:
            raise ScaleMissing(
                f"{name}: too little of the coin's outline is seen; lay it before something plain of another "
                "brightness, light it evenly and cover less of it"
            )
        shape, rough_px, kept = fit_ellipse(points)
    return points, shape, rough_px, kept


def fit_circle(points: FloatArray) -> tuple[FloatArray, float]:
    """Centre (2,) and radius of the circle nearest to points (n, 2): least squares of distances, Gauss–Newton.

    References
    ----------
    Gander, Golub and Strebel, BIT 34 (1994) 558, geometric fit (from memory).
    """
    # The algebraic circle x² + y² + bᵀx + c = 0 is the start.
    design = np.column_stack([points, np.ones(len(points))])
    b0, b1, c = np.linalg.lstsq(design, -(points**2).sum(axis=1), rcond=None)[0]
    answer = np.array([-b0 / 2.0, -b1 / 2.0, math.sqrt(max((b0**2 + b1**2) / 4.0 - c, 1e-12))])
    for _ in range(200):
        offset = points - answer[:2]
        distance = np.linalg.norm(offset, axis=1)
        slope = np.column_stack([-offset / distance[:, None], -np.ones(len(points))])
        step = np.linalg.lstsq(slope, -(distance - answer[2]), rcond=None)[0]
        answer = answer + step
        if float(np.abs(step).max()) < 1e-12 * answer[2]:
            break
    return answer[:2], float(answer[2])


def fit_ellipse(points: FloatArray) -> tuple[FloatArray, float, int]:
    """Ellipse x, y, r, p, q nearest to points (n, 2), robust; the points' rms distance [px] and how many count.

    Its radius in the direction φ is r/√(1 − p·cos 2φ − q·sin 2φ), exactly an ellipse's; a circle has p = q = 0.
    """
    centre, radius = fit_circle(points)
    shape = np.array([*centre, radius, 0.0, 0.0])
    kept = np.ones(len(points), dtype=bool)
    for most_px in FURTHEST_PX:
        offset = points - shape[:2]
        around = np.arctan2(offset[:, 1], offset[:, 0])
        rest = np.linalg.norm(offset, axis=1) - _radius(shape, around)
        spread = max(1.4826 * float(np.median(np.abs(rest[kept]))), 0.02)
        kept = np.abs(rest) < min(3.5 * spread, most_px)
        slope = np.column_stack(
            [
                np.cos(around),
                np.sin(around),
                np.ones(len(points)),
                0.5 * shape[2] * np.cos(2.0 * around),
                0.5 * shape[2] * np.sin(2.0 * around),
            ]
        )
        shape = shape + np.linalg.lstsq(slope[kept], rest[kept], rcond=None)[0]
        shape[3:] = np.clip(shape[3:], -0.6, 0.6)
    return shape, float(np.sqrt(np.mean(rest[kept] ** 2))), int(kept.sum())


def _radius(shape: FloatArray, around: FloatArray | float) -> FloatArray:
    bend = shape[3] * np.cos(2.0 * np.asarray(around)) + shape[4] * np.sin(2.0 * np.asarray(around))
    return np.asarray(shape[2] / np.sqrt(1.0 - bend))


def _off_px(points: FloatArray, shape: FloatArray) -> float:
    """Rms distance (along the radius) of all points (n, 2) of an outline from a shape, left out of its fit or not."""
    offset = points - shape[:2]
    rest = np.linalg.norm(offset, axis=1) - _radius(shape, np.arctan2(offset[:, 1], offset[:, 0]))
    return math.sqrt(float(np.mean(rest**2)))


def _axes(shape: FloatArray) -> tuple[float, float]:
    flat = math.hypot(shape[3], shape[4])
    return float(shape[2] / math.sqrt(1.0 - flat)), float(shape[2] / math.sqrt(1.0 + flat))


def _first_circle(grey: NDArray[np.uint8], name: str) -> tuple[float, FloatArray, FloatArray]:
    """Radius and centre of the roundest outline, the largest of several as round; what may be others' (n, 3)."""
    blurred = np.asarray(cv2.GaussianBlur(grey, (0, 0), 1.5), dtype=np.uint8)
    for strictness in STRICTNESS:
        circles = _circles(blurred, strictness)
        if len(circles):
            x, y, radius = max(circles, key=lambda one: one[2])
            if strictness > RIVAL_STRICTNESS:
                circles = _circles(blurred, RIVAL_STRICTNESS)
            off = np.hypot(circles[:, 0] - x, circles[:, 1] - y)
            outside = off > radius + circles[:, 2]
            apart = outside | ((off > RIVAL_OFF * radius) & (circles[:, 2] > RIVAL_SIZE * radius))
            return float(radius), np.array([x, y]), circles[apart]
    raise ScaleMissing(
        f"{name}: no coin is seen in this picture; lay it before something plain of another brightness, so that "
        "all of it is seen, sharp and facing the camera"
    )


def _is_round(smooth: NDArray[np.float32], circle: FloatArray) -> bool:
    """Whether most of an outline near a circle (3,) x, y, radius is seen, as smooth as a coin's."""
    shape = np.array([*circle, 0.0, 0.0])
    for reach_px in (max(6.0, 0.08 * circle[2]), 3.0):
        points, seen = _outline(smooth, shape, reach_px)
        if seen < LEAST_SEEN:
            return False
        shape, rough_px, kept = fit_ellipse(points)
    return bool(rough_px <= RIVAL_ROUGH_PX and kept >= LEAST_SEEN * len(AROUND))


def _larger_round(picture: NDArray[np.uint8], shape: FloatArray, share: float) -> bool:
    """Whether the middle of an outline lies in an ellipse larger by a share: something on a coin was taken for the coin."""
    least_area = math.pi * (share * shape[2]) ** 2
    at = (float(shape[0]), float(shape[1]))
    return any(
        cv2.pointPolygonTest(outline, at, measureDist=False) > 0 and _is_ellipse(outline)
        for outline in _closed_outlines(picture)
        if cv2.contourArea(outline) > least_area
    )


def _closed_outlines(picture: NDArray[np.uint8]) -> Iterator[NDArray[np.int32]]:
    """Outlines (n, 1, 2) of what is brighter than some levels in a colour, all inside the picture."""
    high, wide = picture.shape[:2]
    for colour in cv2.split(cv2.GaussianBlur(picture, (0, 0), 1.5)):
        low, top = np.percentile(colour, [2.0, 98.0])
        for level in np.linspace(low, top, LEVELS + 2)[1:-1]:
            _, light = cv2.threshold(colour, float(level), 255, cv2.THRESH_BINARY)
            for outline in cv2.findContours(light, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)[0]:
                x, y, width, height = cv2.boundingRect(outline)
                if min(x, y) > 1 and x + width < wide - 1 and y + height < high - 1:
                    yield np.asarray(outline, dtype=np.int32)


def _is_ellipse(outline: NDArray[np.int32]) -> bool:
    """Whether an outline (n, 1, 2) keeps to the ellipse nearest to it."""
    (x, y), axes, turned_deg = cv2.fitEllipse(outline)
    if min(axes) < FLATTEST * max(axes):
        return False
    offset = outline[:, 0, :] - np.array([x, y])
    turned = math.radians(turned_deg)
    along = offset @ np.array([[math.cos(turned), -math.sin(turned)], [math.sin(turned), math.cos(turned)]])
    share = np.hypot(*(2.0 * along / np.array(axes)).T)
    return bool(np.std(share) < ELLIPSE_ROUGH)


def _circles(blurred: NDArray[np.uint8], strictness: float) -> FloatArray:
    """Round outlines (n, 3): x, y, radius [px]."""
    found = cv2.HoughCircles(
        blurred, cv2.HOUGH_GRADIENT_ALT, 1.5, 10.0,
        param1=150, param2=strictness, minRadius=round(LEAST_RADIUS_PX), maxRadius=round(0.6 * max(blurred.shape)),
    )  # fmt: skip
    return np.empty((0, 3)) if found is None else np.asarray(found, dtype=np.float64).reshape(-1, 3)


def _outermost(smooth: NDArray[np.float32], shape: FloatArray) -> FloatArray:
    """Enlarge the outline to the outermost one that goes most of the way round."""
    shares = np.arange(NEAREST, FARTHEST, 1.0 / shape[2])
    slopes = _slopes(smooth, shape[:2], shares[None, :] * _radius(shape, AROUND)[:, None])
    wide = cv2.dilate(slopes.astype(np.float32), np.ones((1, 5), np.uint8))
    seen = (wide > LEAST_SLOPE).mean(axis=0)
    strong = np.flatnonzero((seen >= LEAST_SEEN) & (slopes.mean(axis=0) > 0.5 * slopes.mean(axis=0).max()))
    if len(strong) == 0:
        return shape
    return np.array([*shape[:2], shape[2] * shares[strong[-1]], *shape[3:]])


def _outside_seen(smooth: NDArray[np.float32], shape: FloatArray) -> float:
    """Largest share of a like outline farther out that is seen: the coin's own, where a ring inside it was found."""
    shares = np.arange(BESIDE, FARTHEST + 0.1, 1.0 / shape[2])
    slopes = _slopes(smooth, shape[:2], shares[None, :] * _radius(shape, AROUND)[:, None])
    wide = cv2.dilate(slopes.astype(np.float32), np.ones((1, 3), np.uint8))
    return float((wide > LEAST_SLOPE).mean(axis=0).max())


def _outline(smooth: NDArray[np.float32], shape: FloatArray, reach_px: float) -> tuple[FloatArray, float]:
    """Places (n, 2) of the outline near a shape, where the slope is steepest; share of it that was seen."""
    steps = np.arange(-reach_px, reach_px + 0.5, 0.5)
    radii = _radius(shape, AROUND)[:, None] + steps
    slopes = _slopes(smooth, shape[:2], radii)
    # The outermost of the strong slopes: a coin's raised border is another outline just inside.
    summit = (slopes[:, 1:-1] >= slopes[:, :-2]) & (slopes[:, 1:-1] > slopes[:, 2:])
    strong = summit & (slopes[:, 1:-1] > np.maximum(LEAST_SLOPE, STRONG * slopes.max(axis=1, keepdims=True)))
    peak = strong.shape[1] - np.argmax(strong[:, ::-1], axis=1)
    seen = strong.any(axis=1)
    rows = np.arange(len(slopes))
    left, here, right = (slopes[rows, peak + k] for k in (-1, 0, 1))
    place = radii[rows, peak] + 0.25 * (left - right) / np.minimum(left - 2.0 * here + right, -1e-9)
    points = shape[:2] + place[:, None] * np.column_stack([np.cos(AROUND), np.sin(AROUND)])
    return points[seen], float(seen.mean())


def _slopes(smooth: NDArray[np.float32], centre: FloatArray, radii: FloatArray) -> FloatArray:
    """Size (n, m) of the brightness's slope outward at radii (n, m), all colours together; 0 outside the picture."""
    x = (centre[0] + radii * np.cos(AROUND)[:, None]).astype(np.float32)
    y = (centre[1] + radii * np.sin(AROUND)[:, None]).astype(np.float32)
    values = cv2.remap(smooth, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(np.float64)
    step = float(np.median(np.diff(radii, axis=1)))
    slopes = np.abs(np.gradient(values, axis=1)) / step
    # What runs slantwise under an outline, a stripe behind the coin, is none of it.
    beside = np.roll(values, -1, axis=0) - np.roll(values, 1, axis=0)
    along = np.abs(beside) / (2.0 * (AROUND[1] - AROUND[0]) * radii[:, :, None])
    slopes = np.where(along > MOST_SLANT * slopes, 0.0, slopes).max(axis=2)
    inside = (x > 1) & (y > 1) & (x < smooth.shape[1] - 2) & (y < smooth.shape[0] - 2)
    return np.asarray(np.where(inside, slopes, 0.0))
