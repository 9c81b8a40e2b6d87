"""Straight edges in a picture, and the distance of a card's two long ones to a fraction of a pixel."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.targets import Length
from rimgauge.errors import ScaleMissing
from rimgauge.records import FloatArray

ON_LINE_PX, BORDER_PX = 4.0, 8.0
"""Straight pieces so near one line are one; a line so near the picture's border is the border's."""

Segment = tuple[FloatArray, FloatArray]


def segments(picture: NDArray[np.uint8]) -> list[Segment]:
    """Straight edges of a BGR picture, each from end to end, the longest first."""
    blurred = cv2.GaussianBlur(picture, (0, 0), 1.5)
    edges = np.max([cv2.Canny(np.ascontiguousarray(blurred[:, :, k]), 15, 40) for k in range(3)], axis=0)
    lines = cv2.HoughLinesP(edges.astype(np.uint8), 1.0, math.radians(0.5), 40, None, 30.0, 12.0)
    if lines is None:
        return []
    found = np.asarray(lines, dtype=np.float64).reshape(-1, 4)
    last = np.array([picture.shape[1], picture.shape[0]] * 2) - 1.0
    at_border = [(line < BORDER_PX).reshape(2, 2).all(axis=0).any() for line in found]
    at_far = [(line > last - BORDER_PX).reshape(2, 2).all(axis=0).any() for line in found]
    pieces = [
        (line[:2], line[2:]) for line, *out in zip(found, at_border, at_far, strict=True) if not any(out)
    ]
    return _mended(sorted(pieces, key=length, reverse=True))


def _mended(pieces: list[Segment]) -> list[Segment]:
    """Join pieces, the longest first, to those that lie on the same line."""
    whole = []
    while pieces:
        first, rest = pieces[0], pieces[1:]
        along = (first[1] - first[0]) / length(first)
        normal = np.array([-along[1], along[0]])
        near = [max(abs(float((end - first[0]) @ normal)) for end in piece) < ON_LINE_PX for piece in rest]
        ends = [end for piece, on in zip(rest, near, strict=True) if on for end in piece] + list(first)
        ends.sort(key=lambda end: float(end @ along))
        whole.append((ends[0], ends[-1]))
        pieces = [piece for piece, on in zip(rest, near, strict=True) if not on]
    return sorted(whole, key=length, reverse=True)


def length(segment: Segment) -> float:
    """Length of a segment [px]."""
    return float(np.linalg.norm(segment[1] - segment[0]))


def off_deg(segment: Segment, direction: FloatArray) -> float:
    """Angle between a segment and a direction (2,), either way round [deg]."""
    along = segment[1] - segment[0]
    size = float(np.linalg.norm(along) * np.linalg.norm(direction))
    return math.degrees(math.acos(min(1.0, abs(float(along @ direction)) / size)))


def at(segment: Segment, across: FloatArray, height: float) -> FloatArray:
    """Point (2,) of the segment's line at a height along the unit vector `across`."""
    along = segment[1] - segment[0]
    return np.asarray(segment[0] + along * (height - float(segment[0] @ across)) / float(along @ across))


def crossing(one: Segment, two: Segment) -> FloatArray:
    """Where (2,) the lines of two segments cross; far away where they don't."""
    along, other = one[1] - one[0], two[1] - two[0]
    turn = float(along[0] * other[1] - along[1] * other[0])
    apart = two[0] - one[0]
    share = float(apart[0] * other[1] - apart[1] * other[0]) / (turn if abs(turn) > 1e-9 else 1e-9)
    return np.asarray(one[0] + share * along)


REACH_PX, NEAR_PX = 5, 2.5
"""An edge is sought so far from its line; its place is the centre of gravity of the slope so near its summit."""
CLEAR_SHARE = 0.35
"""A slope so steep beside the steepest one is an edge; the innermost is the card's, others belong to what lies behind."""
LEAST_STEP = 8.0
"""Grey levels, all colours together, by which an edge must stand out."""
LEAST_ROWS, LEAST_SHARE = 30, 0.35
"""Rows of an edge that must be seen, and the share of them that must lie on one curve."""
ALIKE_ROWS = 4.0
"""Neighbouring rows share blur and JPEG's blocks, so that about four count as one (seen in pictures)."""
LEAST_ALIKE = 0.1
"""A correlation under this is chance."""
MOST_TURN_DEG, PLAIN_TURN_DEG = 8.0, 0.3
"""Edges farther off parallel are refused; nearer than the other they count as parallel."""
BLEEDING_PX = 0.3
"""What lies beside an edge within its blur moves it by that much in all rows alike (seen in pictures)."""
MOST_MISS_PX, LEAST_MISS_PX = 0.8, 0.3
"""A row so far from the curve is another edge's; one so near is the card's in any case."""
CLEARLY, MOST_TRIED = 1.5, 80
"""How much better a bent line must fit than a straight one; rows through which lines are tried."""


def apart_px(
    picture: NDArray[np.uint8], sides: tuple[Segment, Segment], place: FloatArray, name: str
) -> tuple[Length, FloatArray]:
    """Distance [px] of a card's two sides square to them, and the middle (2,) between them.

    Both are fitted by a curve of second degree, for a lens bends straight edges; the distance is taken as near to
    a place (2,) as both edges are seen.

    Raises
    ------
    ScaleMissing
        Too little of an edge is seen, or the two aren't parallel.
    """
    ways = [(side[1] - side[0]) / np.linalg.norm(side[1] - side[0]) for side in sides]
    down = (ways[0] + ways[1]) / np.linalg.norm(ways[0] + ways[1])
    across = np.array([-down[1], down[0]])
    across = across * np.sign(float((sides[1][0] - sides[0][0]) @ across))
    low = max(float(side[0] @ down) for side in sides)
    high = min(float(side[1] @ down) for side in sides)
    height = float(np.clip(place @ down, low + 0.1 * (high - low), high - 0.1 * (high - low)))
    (one, slope_one, error_one, *bend_one), (two, slope_two, error_two, *bend_two) = (
        _edge(picture, side, down, out * across, height, name)
        for side, out in zip(sides, (-1.0, 1.0), strict=True)
    )
    turn_one, turn_two = -math.atan(slope_one), math.atan(slope_two)  # each grows away from the card
    off_deg = abs(math.degrees(turn_one - turn_two))
    if off_deg > MOST_TURN_DEG:
        raise ScaleMissing(
            f"{name}: the card's long edges aren't parallel; hold it so that it faces the camera"
        )
    px = (one + two) * math.cos((turn_one + turn_two) / 2.0)
    middle = down * height + across * (two - one) / 2.0
    # Either the card leans, and is as much wider at one end, or one of the edges is something else's.
    fanned = math.radians(max(off_deg - PLAIN_TURN_DEG, 0.0)) * (high - low) / 2.0
    error = math.hypot(error_one, error_two, BLEEDING_PX * math.sqrt(2.0), fanned)
    centre = (np.array(picture.shape[1::-1]) - 1.0) / 2.0 @ across
    bend = _bend(np.array([one, two]) + centre * np.array([1.0, -1.0]), np.array([bend_one, bend_two]))
    return Length(px=px, standard_error_px=error, bend=bend), middle


def _bend(away_px: FloatArray, bent: FloatArray) -> tuple[float, float]:
    """Radial distortion k₁/f² [px⁻²] and its standard error, by how two straight edges are bent (2, 2).

    A line x px from the picture's middle is seen bent outward by x·k₁/f²·y² (derived from Brown's radial term).
    """
    per_px2 = bent / 1e4
    weight = (away_px / np.maximum(per_px2[:, 1], 1e-9)) ** 2
    whole = max(float(weight.sum()), 1e-9)
    each = per_px2[:, 0] / np.where(away_px == 0.0, 1.0, away_px)
    return float(weight @ each) / whole, math.sqrt(1.0 / whole)


def _edge(
    picture: NDArray[np.uint8], side: Segment, down: FloatArray, out: FloatArray, height: float, name: str
) -> tuple[float, ...]:
    """Place of the edge along `out` at a height [px], its slope there, the place's standard error [px]; as `_curve`."""
    rows = np.arange(float(side[0] @ down), float(side[1] @ down))
    share = (rows - rows[0]) / max(float((side[1] - side[0]) @ down), 1.0)
    line = (side[0] + share[:, None] * (side[1] - side[0])) @ out
    u = np.arange(-REACH_PX - 3.0, REACH_PX + 4.0)
    places = (rows[:, None, None] * down + (line[:, None] + u)[..., None] * out).astype(np.float32)
    seen = cv2.remap(
        picture.astype(np.float32),
        places[..., 0],
        places[..., 1],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    seen = cv2.GaussianBlur(seen, (0, 0), 1.0)
    slope = np.abs(np.gradient(seen.astype(np.float64), axis=1)).sum(axis=2)[:, 2:-2]
    off, strong = _innermost(slope, u[2:-2])
    place, turn, error, *bend = _curve((rows - height) / 100.0, off, strong, name)
    own = float((side[1] - side[0]) @ out) / max(float((side[1] - side[0]) @ down), 1.0)
    return float(np.interp(height, rows, line)) + place, own + turn / 100.0, error, *bend


def _curve(rows: FloatArray, off: FloatArray, strong: NDArray[np.bool_], name: str) -> tuple[float, ...]:
    """Place and slope at row 0 of the curve through places (n,), the place's standard error; its bend and that's.

    Something else's edge that runs into the card's spoils a stretch of rows: the straight line that most rows lie on
    is the start. A bent line counts where it fits clearly better; what it changes is part of the error.
    """
    if strong.sum() < LEAST_ROWS:
        raise ScaleMissing(f"{name}: too little of the card's edges is seen; hold it before something plain")
    start = _most_on(rows[strong], off[strong])
    fits = []
    for degree in (1, 2):
        base = np.stack([rows**k for k in range(degree + 1)], axis=1)
        miss = np.abs(off - start[0] - start[1] * rows)
        for _ in range(5):
            near = miss[strong & (miss < MOST_MISS_PX)]
            spread = 1.4826 * float(np.median(near)) if len(near) else 0.0
            kept = strong & (miss < min(MOST_MISS_PX, max(3.0 * spread, LEAST_MISS_PX)))
            if kept.sum() < max(LEAST_ROWS, LEAST_SHARE * len(rows)):
                raise ScaleMissing(
                    f"{name}: too little of the card's edges is seen; hold it before something plain"
                )
            answer = np.linalg.lstsq(base[kept], off[kept], rcond=None)[0]
            miss = np.abs(off - base @ answer)
        rms = max(math.sqrt(float(np.mean(miss[kept] ** 2))), 0.03)
        alike = max(ALIKE_ROWS, _alike_rows((off - base @ answer)[kept]))
        covariance = np.linalg.inv(base[kept].T @ base[kept]) * alike * rms**2
        # Rows that were left out may have been the right ones: as unsure as if only the share kept told anything.
        lost = strong.size / kept.sum()
        fits.append((kept.sum() / rms**2, answer, float(covariance[0, 0]) * lost))
    bend = float(answer[2]), math.sqrt(float(covariance[2, 2]) * lost)
    bent = int(fits[1][0] > CLEARLY * fits[0][0])
    change = float(fits[1][1][0] - fits[0][1][0]) / 2.0
    _, answer, variance = fits[bent]
    return float(answer[0]), float(answer[1]), math.sqrt(variance + change**2), *bend


def _alike_rows(rest: FloatArray) -> float:
    """How many neighbouring residuals (n,) tell as much as one: 1 + 2·Σρₖ up to the first that is chance.

    Variance of a mean of correlated values (Priestley 1981, 5.3; from memory).
    """
    rest = rest - rest.mean()
    whole = max(float(rest @ rest), 1e-9)
    alike = 1.0
    for k in range(1, len(rest) // 4):
        correlation = float(rest[k:] @ rest[:-k]) / whole
        if correlation < LEAST_ALIKE:
            break
        alike += 2.0 * correlation
    return alike


def _most_on(rows: FloatArray, off: FloatArray) -> FloatArray:
    """Place at row 0 and slope of the line through two of the points that most of them lie near."""
    few = np.linspace(0, len(rows) - 1, min(len(rows), MOST_TRIED)).astype(np.int64)
    one, two = np.triu_indices(len(few), MOST_TRIED // 10)
    slope = (off[few][two] - off[few][one]) / (rows[few][two] - rows[few][one])
    place = off[few][one] - slope * rows[few][one]
    miss = off[few] - place[:, None] - slope[:, None] * rows[few]
    best = int(np.argmax(np.exp(-0.5 * (miss / LEAST_MISS_PX) ** 2).sum(axis=1)))
    return np.array([place[best], slope[best]])


def _innermost(slope: FloatArray, u: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Place of the innermost clear edge in each row of slopes (n, m) at u (m,), and whether there is one."""
    summit = np.zeros(slope.shape, dtype=bool)
    summit[:, 1:-1] = (slope[:, 1:-1] >= slope[:, :-2]) & (slope[:, 1:-1] > slope[:, 2:])
    clear = summit & (slope > np.maximum(CLEAR_SHARE * slope.max(axis=1, keepdims=True), LEAST_STEP / 3.0))
    peak = np.argmax(clear, axis=1)
    near = np.abs(u - u[peak][:, None]) <= NEAR_PX
    weight = np.where(near, slope, 0.0) ** 2
    place = (weight * u).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    strong = clear.any(axis=1) & (np.where(near, slope, 0.0).sum(axis=1) > LEAST_STEP)
    return place, strong & (np.abs(place) < REACH_PX)
