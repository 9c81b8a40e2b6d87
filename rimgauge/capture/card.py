"""A bank card in the picture: two edges across the measuring direction, the one that joins them, round corners."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.ends import ROWS_PX, between_edges
from rimgauge.capture.targets import Length
from rimgauge.errors import ScaleMissing
from rimgauge.records import FloatArray

ON_LINE_PX, BORDER_PX, MOST_LINES = 4.0, 8.0, 14
"""Straight pieces so near one line are one; the longest lines each way are tried."""
LEAST_APART, LEAST_SIDE = 0.3, 0.3
"""Of the picture: how far apart two edges are; of that: how much of each must lie in the picture."""
MOST_OFF_DEG, MOST_SPREAD_DEG = 20.0, 5.0
ROUND = 3.18 / 53.98
"""Radius of a card's corners beside its short side (ISO/IEC 7810, from memory)."""
LONG = 85.60 / 53.98
LEAST_SLOPE = 4.0
"""Grey levels a pixel, in the steepest colour, by which an outline must stand out."""
NEAR_PX = np.arange(-2.0, 3.0)
LEAST_UNLIKE = 15.0
"""Grey levels, all colours together, by which what lies past a corner's arc must differ from the card."""
INSIDE_PX, ONE_FACE, MOST_OTHER = 6.0, 60.0, 0.25
"""So far inside its outline a card is of one colour within so many grey levels, all colours together, but for a share."""
LEAST_SEEN, LEAST_PART = 0.9, 0.7
"""Share of the whole outline, and of each side, the top and each corner's arc, that must be seen."""
HEIGHTS, LEAST_HEIGHTS = 11, 4
"""The distance of its edges is measured at so many heights, and believed where it is found at that many."""
CLEARER, ALIKE_PX = 0.07, 8.0
"""Another outline whose width differs by more than so many px is only passed over if it is less seen by so much."""

Segment = tuple[FloatArray, FloatArray]


def card_px(
    picture: NDArray[np.uint8], direction: FloatArray, place: FloatArray, name: str
) -> tuple[Length, FloatArray]:
    """Distance [px] between a card's two long edges, which run across a unit vector (2,), and the middle (2,) between them.

    It is measured as near to a place (2,) as the edges are seen. Straight edges are a card's only where a third
    one joins them, with corners as round as a card's.

    Raises
    ------
    ScaleMissing
        No card is seen, or more than one thing could be it.
    """
    across = np.array([-direction[1], direction[0]])
    lines = _segments(picture)
    sides = [line for line in lines if _off_deg(line, across) < MOST_OFF_DEG][:MOST_LINES]
    tops = [line for line in lines if _off_deg(line, direction) < MOST_OFF_DEG][:MOST_LINES]
    smooth = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 1.0)
    found = []
    for one, two in itertools.combinations(sides, 2):
        if _off_deg(one, two[1] - two[0]) < MOST_SPREAD_DEG:
            for top, way in itertools.product(tops, (-1.0, 1.0)):
                seen = _seen(smooth, (one, two), top, way * across, direction)
                if seen is not None:
                    found.append((seen, _apart_px(one, two, direction, place), (one, two, top, way)))
    if not found:
        raise ScaleMissing(
            f"{name}: no card is seen in this picture; hold it flat at the rim's edge before something plain, its "
            "short side along the way the rim strays and that end of it seen, or use --length-mm"
        )
    best = max(found, key=lambda each: each[0])
    if any(seen > best[0] - CLEARER and abs(px - best[1]) > ALIKE_PX for seen, px, _ in found):
        raise ScaleMissing(
            f"{name}: more than one thing in this picture could be the card; choose a plainer background, or point "
            "at two of its edges with --length-mm"
        )
    one, two, top, way = best[2]
    outline = _outline((one, two), top, way * across, direction, smooth.shape[1::-1])
    assert outline is not None  # it was seen
    length, middle = _measured(picture, (outline.parts[0], outline.parts[1]), direction, place, name)
    # A stripe beside the card makes an outline nearly as wide, and either may be the card's: 0 or all of it.
    beside = max((abs(px - best[1]) for seen, px, _ in found if seen > best[0] - CLEARER), default=0.0)
    unsure = beside / math.sqrt(2.0) if beside > ON_LINE_PX / 2.0 else 0.0
    return replace(length, standard_error_px=math.hypot(length.standard_error_px, unsure)), middle


@dataclass(frozen=True, slots=True, eq=False)
class _Outline:
    """Two sides and a top between round corners, each from end to end; points (n, 2) of all parts, the arcs last."""

    parts: tuple[Segment, Segment, Segment]
    points: tuple[FloatArray, ...]


def _outline(
    pair: tuple[Segment, Segment],
    top: Segment,
    down: FloatArray,
    direction: FloatArray,
    size: tuple[int, ...],
) -> _Outline | None:
    """Draw the outline of a card that three lines make, as far as it lies in the picture; None where it can't be one."""
    height = float((top[0] + top[1]) @ down) / 2.0
    sides = sorted(pair, key=lambda side: float(_at(side, down, height) @ direction))
    corners = [_crossing(side, top) for side in sides]
    apart = float(np.linalg.norm(corners[1] - corners[0]))
    if apart < LEAST_APART * float(np.abs(direction) @ np.array(size)):
        return None
    along = (corners[1] - corners[0]) / apart
    downs = [(side[1] - side[0]) / np.linalg.norm(side[1] - side[0]) for side in sides]
    downs = [each * np.sign(float(each @ down)) for each in downs]
    radius = ROUND * apart
    reaches = [
        min((LONG - ROUND) * apart, _to_border(corner, each, size))
        for corner, each in zip(corners, downs, strict=True)
    ]
    if min(reaches) < radius + LEAST_SIDE * apart:
        return None
    straight = (
        (corners[0] + radius * downs[0], corners[0] + reaches[0] * downs[0]),
        (corners[1] + radius * downs[1], corners[1] + reaches[1] * downs[1]),
        (corners[0] + radius * along, corners[1] - radius * along),
    )
    turn = np.radians(np.arange(5.0, 90.0, 8.0))[:, None]
    arcs = [
        corner + radius * ((1.0 - np.sin(turn)) * way * along + (1.0 - np.cos(turn)) * each)
        for corner, each, way in zip(corners, downs, (1.0, -1.0), strict=True)
    ]
    lines = [start + np.linspace(0.0, 1.0, 60)[:, None] * (end - start) for start, end in straight]
    return _Outline(parts=straight, points=(*lines, *arcs))


def _to_border(start: FloatArray, way: FloatArray, size: tuple[int, ...]) -> float:
    """How far it is from a point to the picture's border along a unit vector [px]; 0 from outside."""
    far = []
    for k in range(2):
        if not 0.0 <= start[k] <= size[k] - 1:
            return 0.0
        if abs(way[k]) > 1e-6:
            far.append(((size[k] - 4.0 if way[k] > 0.0 else 3.0) - start[k]) / way[k])
    return float(max(min(far), 0.0))


def _seen(
    smooth: NDArray[Any], pair: tuple[Segment, Segment], top: Segment, down: FloatArray, direction: FloatArray
) -> float | None:
    """Share of a card's outline along which brightness changes across it; None where a part of it isn't seen."""
    outline = _outline(pair, top, down, direction, smooth.shape[1::-1])
    if outline is None:
        return None
    shares = []
    for points in outline.points:
        along = np.gradient(points, axis=0)
        normal = np.column_stack([-along[:, 1], along[:, 0]]) / np.linalg.norm(along, axis=1)[:, None]
        steps = np.arange(NEAR_PX[0] - 1.0, NEAR_PX[-1] + 2.0)
        places = (points[:, None] + steps[:, None] * normal[:, None]).astype(np.float32)
        values = cv2.remap(
            smooth, places[..., 0], places[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        slope = np.abs(values[:, 2:] - values[:, :-2]).max(axis=(1, 2)) / 2.0
        shares.append(float((slope > LEAST_SLOPE).mean()))
        if shares[-1] < LEAST_PART:
            return None
    seen = float(np.mean(shares))
    return seen if seen >= LEAST_SEEN and _is_round(smooth, outline) and _is_one(smooth, outline) else None


def _is_one(smooth: NDArray[Any], outline: _Outline) -> bool:
    """Whether the face just inside both sides and the top is of one colour, as no row of squares is."""
    middle = np.mean([end for part in outline.parts for end in part], axis=0)
    colours = []
    for points in outline.points[:3]:
        along = (points[-1] - points[0]) / np.linalg.norm(points[-1] - points[0])
        inward = np.array([-along[1], along[0]])
        inward *= INSIDE_PX * np.sign(float(inward @ (middle - points[0])))
        colours += [_colour(smooth, place) for place in points[::4] + inward]
    off = np.linalg.norm(np.array(colours) - np.median(colours, axis=0), axis=1)
    return bool(np.mean(off > ONE_FACE) <= MOST_OTHER)


def _is_round(smooth: NDArray[Any], outline: _Outline) -> bool:
    """Whether both corners are cut off: past their arcs it looks otherwise than the card, within them like it."""
    top = outline.parts[2]
    along = (top[1] - top[0]) / np.linalg.norm(top[1] - top[0])
    radius = ROUND / (1.0 - 2.0 * ROUND) * float(np.linalg.norm(top[1] - top[0]))
    for end, side, way in zip(top, outline.parts[:2], (1.0, -1.0), strict=True):
        down = (side[1] - side[0]) / np.linalg.norm(side[1] - side[0])
        corner = end - way * radius * along
        near, deep = 0.1 * radius * (way * along + down), 0.55 * radius * (way * along + down)
        card_place = end + way * radius * along + 0.4 * radius * down
        tip, within, card = (_colour(smooth, place) for place in (corner + near, corner + deep, card_place))
        unlike = float(np.linalg.norm(tip - card))
        if unlike < LEAST_UNLIKE or np.linalg.norm(within - card) > 0.5 * unlike:
            return False
    return True


def _colour(smooth: NDArray[Any], place: FloatArray) -> FloatArray:
    patch = cv2.getRectSubPix(smooth, (1, 1), (float(place[0]), float(place[1])))
    return np.asarray(patch.reshape(-1).astype(np.float64))


def _measured(
    picture: NDArray[np.uint8],
    pair: tuple[Segment, Segment],
    direction: FloatArray,
    place: FloatArray,
    name: str,
) -> tuple[Length, FloatArray]:
    across = np.array([-direction[1], direction[0]])
    reach = [sorted(float(end @ across) for end in segment) for segment in pair]
    low, high = max(reach[0][0], reach[1][0]) + ROWS_PX, min(reach[0][1], reach[1][1]) - ROWS_PX
    if low > high:
        raise ScaleMissing(f"{name}: too little of the card's edges is seen; hold it before something plain")
    heights, found, middles = [], [], []
    trouble = None
    for height in np.linspace(low, high, HEIGHTS):
        start, end = sorted(
            (_at(segment, across, float(height)) for segment in pair),
            key=lambda point: float(point @ direction),
        )
        try:
            found.append(between_edges(picture, start, end, name, nearest=True))
        except ScaleMissing as missed:  # something else's edge runs into the card's there
            trouble = trouble or missed
            continue
        heights.append(float(height))
        middles.append((start + end) / 2.0)
    if len(found) < LEAST_HEIGHTS:
        raise trouble or ScaleMissing(f"{name}: too little of the card's edges is seen")
    return _at_height(np.array(heights), found, float(place @ across)), middles[
        int(np.argmin(np.abs(np.array(heights) - float(place @ across))))
    ]


def _at_height(heights: FloatArray, found: list[Length], wanted: float) -> Length:
    """Distance of the edges at the height nearest to one wanted, by a robust line through all heights measured.

    Something else's edge that runs into the card's spoils a few of them; the line is Theil's and Sen's, its error
    by the median distance from it.
    """
    px = np.array([each.px for each in found])
    height = float(np.clip(wanted, heights[0], heights[-1]))
    one, two = np.triu_indices(len(px), 1)
    slope = float(np.median((px[two] - px[one]) / (heights[two] - heights[one])))
    rest = px - slope * (heights - height)
    middle = float(np.median(rest))
    scatter = 1.4826 * float(np.median(np.abs(rest - middle)))
    lever = 1.0 / len(px) + (height - heights.mean()) ** 2 / float(((heights - heights.mean()) ** 2).sum())
    own = float(np.median([each.standard_error_px for each in found]))
    return Length(px=middle, standard_error_px=math.hypot(own, 1.2533 * scatter * math.sqrt(lever)))


def _segments(picture: NDArray[np.uint8]) -> list[Segment]:
    """Straight edges in any colour, broken ones mended."""
    blurred = cv2.GaussianBlur(picture, (0, 0), 1.5)
    edges = np.max([cv2.Canny(np.ascontiguousarray(blurred[:, :, k]), 15, 40) for k in range(3)], axis=0)
    lines = cv2.HoughLinesP(edges.astype(np.uint8), 1.0, math.radians(0.5), 40, None, 30.0, 12.0)
    if lines is None:
        return []
    found = np.asarray(lines, dtype=np.float64).reshape(-1, 4)
    last = np.array([picture.shape[1], picture.shape[0]] * 2) - 1.0
    # A line along the picture's border is the border's.
    at_border = [(line < BORDER_PX).reshape(2, 2).all(axis=0).any() for line in found]
    at_far = [(line > last - BORDER_PX).reshape(2, 2).all(axis=0).any() for line in found]
    pieces = [
        (line[:2], line[2:]) for line, *out in zip(found, at_border, at_far, strict=True) if not any(out)
    ]
    return _mended(sorted(pieces, key=_length, reverse=True))


def _mended(pieces: list[Segment]) -> list[Segment]:
    """Join pieces, the longest first, to those that lie on the same line."""
    whole = []
    while pieces:
        first, rest = pieces[0], pieces[1:]
        along = (first[1] - first[0]) / _length(first)
        normal = np.array([-along[1], along[0]])
        near = [max(abs(float((end - first[0]) @ normal)) for end in piece) < ON_LINE_PX for piece in rest]
        ends = [end for piece, on in zip(rest, near, strict=True) if on for end in piece] + list(first)
        ends.sort(key=lambda end: float(end @ along))
        whole.append((ends[0], ends[-1]))
        pieces = [piece for piece, on in zip(rest, near, strict=True) if not on]
    return sorted(whole, key=_length, reverse=True)


def _length(segment: Segment) -> float:
    return float(np.linalg.norm(segment[1] - segment[0]))


def _off_deg(segment: Segment, direction: FloatArray) -> float:
    along = segment[1] - segment[0]
    size = float(np.linalg.norm(along) * np.linalg.norm(direction))
    return math.degrees(math.acos(min(1.0, abs(float(along @ direction)) / size)))


def _at(segment: Segment, across: FloatArray, height: float) -> FloatArray:
    """Point of the segment's line at a height along `across`."""
    along = segment[1] - segment[0]
    return np.asarray(segment[0] + along * (height - float(segment[0] @ across)) / float(along @ across))


def _apart_px(one: Segment, two: Segment, direction: FloatArray, place: FloatArray) -> float:
    across = np.array([-direction[1], direction[0]])
    height = float(place @ across)
    return abs(float((_at(one, across, height) - _at(two, across, height)) @ direction))


def _crossing(one: Segment, two: Segment) -> FloatArray:
    """Where the lines of two segments cross; far away where they don't."""
    along, other = one[1] - one[0], two[1] - two[0]
    turn = float(along[0] * other[1] - along[1] * other[0])
    apart = two[0] - one[0]
    share = float(apart[0] * other[1] - apart[1] * other[0]) / (turn if abs(turn) > 1e-9 else 1e-9)
    return np.asarray(one[0] + share * along)
