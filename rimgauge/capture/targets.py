"""A board of known squares in the picture, and lengths in it.

The board may fill the picture and have any number of squares. Its inner corners are saddles of brightness
whose dark squares lie alternately along one diagonal and the other; a lattice grows from corner to corner.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.patch import inward
from rimgauge.errors import BadInput, ScaleMissing
from rimgauge.records import Edge, FloatArray, View, middle_px

SADDLE_BLURS_PX = (2.0, 4.0, 8.0)
"""Tried in turn: small squares need the first, noisy or blurred pictures of large ones the later."""
LEAST_SADDLE = 0.15
"""A corner's saddle is at least this share of the picture's strong ones."""
LEAST_CORNERS = 16
FURTHEST_GUESS = 0.25
"""A corner lies within this share of a square of where its neighbours point."""
SEEDS = 24


@dataclass(frozen=True, slots=True, eq=False)
class Corners:
    """Inner corners of a board: lattice (n, 2) [squares] from an arbitrary one, picture (n, 2) x, y [px]."""

    lattice: FloatArray
    picture: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Length:
    """A length in the picture along the measuring direction [px], with its standard error [px].

    place_error_px: standard uncertainty from not knowing where exactly the rim's edge stands.
    bend: the lens's radial distortion k₁/f² and its standard error [px⁻²], where straight edges beside it show it.
    """

    px: float
    standard_error_px: float
    place_error_px: float = 0.0
    bend: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Saddles:
    """Candidates: place (n, 2) x, y; lie (n,) direction of the bright squares [rad]."""

    place: FloatArray
    lie: FloatArray

    def opposite(self, one: int, others: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Whether the bright squares lie across those of `one`, as they do one square on."""
        return np.asarray(np.cos(2.0 * (self.lie[others] - self.lie[one])) < -0.5)


def squares_px(corners: Corners, view: View) -> list[Length]:
    """Side of one square of the board along the measuring direction, at the rim's edge of each pointer.

    The board hides the rim, whose edge stands between the middle of its box and the side that faces the
    pointer: the scale is taken halfway, and half its change over that stretch is the bound of a rectangular
    distribution.

    Raises
    ------
    ScaleMissing
        The board doesn't reach round the rim's edge.
    """
    return [_square_at_edge(corners, view, edge) for edge in view.edges]


def _square_at_edge(corners: Corners, view: View, edge: Edge) -> Length:
    _, _, width, height = edge.rim_box
    middle = middle_px(edge.rim_box)
    outward = -inward(view, edge)
    half_px = 0.5 * (height if abs(outward[1]) > abs(outward[0]) else width)
    near, here, far = (
        square_at(corners, middle + share * half_px * outward, view.positive) for share in (0.0, 0.5, 1.0)
    )
    return Length(
        px=here.px,
        standard_error_px=here.standard_error_px,
        place_error_px=abs(far.px - near.px) / (2.0 * math.sqrt(3.0)),
    )


def check_size(picture: NDArray[np.uint8], view: View, what: str) -> None:
    """Refuse a picture of another size than the view was made for."""
    height, width = picture.shape[:2]
    if (width, height) != view.image_size:
        raise BadInput(
            f"{what} is {width} × {height} pixels, the view {view.image_size[0]} × {view.image_size[1]}; "
            "take it with the same camera setting, without moving the camera"
        )


def find_corners(picture: NDArray[np.uint8], name: str) -> Corners:
    """Find the inner corners of a checkerboard of any size in a BGR picture, to a fraction of a pixel.

    Raises
    ------
    ScaleMissing
        There is no board of at least 4 × 4 inner corners or the like.
    """
    grey = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    middle = np.array([grey.shape[1], grey.shape[0]]) / 2.0
    for blur_px in SADDLE_BLURS_PX:
        saddles = _saddles(grey, blur_px)
        best = _largest(saddles, middle)
        lattice = np.array(list(best), dtype=np.float64).reshape(-1, 2)
        if len(best) >= LEAST_CORNERS and np.ptp(lattice, axis=0).min() >= 2:
            break
    else:
        raise ScaleMissing(
            f"{name}: no checkerboard is seen in this picture; hold it flat where the rim's edge is, "
            "sharp and evenly lit, so that at least 5 × 5 squares are seen"
        )
    place = saddles.place[list(best.values())]
    # The window holds one corner only and stays out of the blur of the next.
    window = int(np.clip(0.3 * _least_step(lattice, place), 3, 12))
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 40, 1e-3)
    start = place.astype(np.float32).reshape(-1, 1, 2)
    refined = (
        cv2.cornerSubPix(grey, start, (window, window), (-1, -1), stop).reshape(-1, 2).astype(np.float64)
    )
    inside = np.all((refined > window) & (refined < 2.0 * middle - 1.0 - window), axis=1)
    kept = inside & (np.linalg.norm(refined - place, axis=1) < window)
    return Corners(lattice[kept], refined[kept])


def square_at(corners: Corners, point: FloatArray, direction: FloatArray) -> Length:
    """Side of one square [px] at a point (2,) of the picture along a unit vector (2,).

    A homography takes picture to board; what it leaves (a lens that bends lines) is a polynomial about the
    point, whose linear part corrects the homography's Jacobian and whose covariance gives the error.

    Raises
    ------
    ScaleMissing
        The corners are too few or not those of a flat board, or the point lies outside of them.
    """
    hull = cv2.convexHull(corners.picture.astype(np.float32))
    if cv2.pointPolygonTest(hull, (float(point[0]), float(point[1])), False) < 0:
        raise ScaleMissing(
            f"the checkerboard doesn't reach the rim's edge at {point[0]:.0f},{point[1]:.0f}; hold it there"
        )
    found, _ = cv2.findHomography(corners.picture, corners.lattice, 0)
    if found is None:
        raise ScaleMissing(
            "the corners found are not those of a flat checkerboard; hold it flat and try again"
        )
    homography = np.asarray(found, dtype=np.float64)
    offset = corners.picture - point
    unit_px = float(np.abs(offset).max())
    rest = corners.lattice - _project(homography, corners.picture)
    terms = _polynomial(offset / unit_px, 3 if len(rest) >= 40 else 2 if len(rest) >= 24 else 1)
    kept = np.ones(len(rest), dtype=bool)
    for _ in range(3):
        answer = np.linalg.lstsq(terms[kept], rest[kept], rcond=None)[0]
        miss = np.linalg.norm(rest - terms @ answer, axis=1)
        kept = miss <= 4.0 * max(float(np.median(miss)), 1e-6)
    free = max(int(kept.sum()) - terms.shape[1], 1)
    spread = math.sqrt(float((miss[kept] ** 2).sum()) / (2.0 * free))
    if spread > 0.05:
        raise ScaleMissing(
            "the checkerboard isn't flat or its squares aren't even; hold it flat and try again"
        )
    covariance = np.linalg.inv(terms[kept].T @ terms[kept])[1:3, 1:3] * (spread / unit_px) ** 2
    per_px = _jacobian(homography, point) @ direction + direction @ answer[1:3] / unit_px
    squares_per_px = float(np.linalg.norm(per_px))
    error = math.sqrt(float(direction @ covariance @ direction))
    return Length(px=1.0 / squares_per_px, standard_error_px=error / squares_per_px**2)


def _saddles(grey: NDArray[np.uint8], blur_px: float) -> _Saddles:
    """Local maxima of −det of the Hessian of the blurred picture."""
    smooth = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), blur_px)
    xx, yy, xy = (cv2.Sobel(smooth, cv2.CV_32F, *order, ksize=3) for order in ((2, 0), (0, 2), (1, 1)))
    strength = xy * xy - xx * yy
    peak = strength >= cv2.dilate(strength, np.ones((7, 7), np.uint8))
    strong = float(np.sort(strength[peak])[-LEAST_CORNERS:][0])
    y, x = np.nonzero(peak & (strength > LEAST_SADDLE * max(strong, 1.0)))
    lie = 0.5 * np.arctan2(2.0 * xy[y, x], xx[y, x] - yy[y, x])
    return _Saddles(np.stack([x, y], axis=1).astype(np.float64), lie.astype(np.float64))


def _largest(saddles: _Saddles, middle: FloatArray) -> dict[tuple[int, int], int]:
    """Grow lattices from the saddles nearest the middle; the largest wins, one of most saddles at once."""
    best: dict[tuple[int, int], int] = {}
    for seed in np.argsort(np.linalg.norm(saddles.place - middle, axis=1))[:SEEDS]:
        grown = _grow(saddles, int(seed))
        best = grown if len(grown) > len(best) else best
        if len(best) > len(saddles.place) / 2:
            break
    return best


def _grow(saddles: _Saddles, seed: int) -> dict[tuple[int, int], int]:
    """Lattice places and the saddles at them, from a seed outward; each step is checked by side and place."""
    steps = _first_steps(saddles, seed)
    found = {(0, 0): seed}
    if steps is None:
        return found
    waiting = deque([(0, 0, steps)])
    while waiting:
        i, j, (a, b) = waiting.popleft()
        here = found[i, j]
        for di, dj, step in ((1, 0, a), (-1, 0, -a), (0, 1, b), (0, -1, -b)):
            if (i + di, j + dj) in found:
                continue
            miss = np.linalg.norm(saddles.place - (saddles.place[here] + step), axis=1)
            nearest = int(np.argmin(miss))
            good = miss[nearest] < FURTHEST_GUESS * float(np.linalg.norm(step))
            if not good or not saddles.opposite(here, np.array([nearest]))[0]:
                continue
            found[i + di, j + dj] = nearest
            real = (saddles.place[nearest] - saddles.place[here]) * (di + dj)
            waiting.append((i + di, j + dj, (real, b) if di else (a, real)))
    return found if len(set(found.values())) == len(found) else {}


def _first_steps(saddles: _Saddles, seed: int) -> tuple[FloatArray, FloatArray] | None:
    """Find the two sides of the square at the seed: nearest corners of the other kind, in two directions."""
    away = saddles.place - saddles.place[seed]
    distance = np.linalg.norm(away, axis=1)
    order = np.argsort(distance)[1:13]
    near = order[saddles.opposite(seed, order)]
    if len(near) < 2:
        return None
    a = away[near[0]]
    for other in near[1:]:
        b = away[other]
        if abs(a @ b) < 0.6 * distance[near[0]] * distance[other]:
            return a, b
    return None


def _least_step(lattice: FloatArray, place: FloatArray) -> float:
    """Shortest side of a square: distances of corners that are one lattice step apart."""
    apart = np.abs(lattice[:, None] - lattice[None]).sum(axis=2)
    first, second = np.nonzero(apart == 1)
    return float(np.linalg.norm(place[first] - place[second], axis=1).min())


def _project(homography: FloatArray, points: FloatArray) -> FloatArray:
    return cv2.perspectiveTransform(points.reshape(-1, 1, 2), homography).reshape(-1, 2).astype(np.float64)


def _jacobian(homography: FloatArray, point: FloatArray) -> FloatArray:
    """Give the derivative (2, 2) of the board's place by the picture's at a point."""
    top_x, top_y, depth = homography @ np.array([point[0], point[1], 1.0])
    place = np.array([top_x, top_y]) / depth
    return np.asarray((homography[:2, :2] - np.outer(place, homography[2, :2])) / depth)


def _polynomial(offset: FloatArray, degree: int) -> FloatArray:
    """Terms (n, k) of a polynomial in x, y: constant, x, y, then the higher ones."""
    x, y = offset.T
    return np.stack([x ** (d - k) * y**k for d in range(degree + 1) for k in range(d + 1)], axis=1)
