"""A bank card in the picture: its two edges that run across the measuring direction, and the one that joins them."""

from __future__ import annotations

import itertools
import math

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.ends import ROWS_PX, between_edges
from rimgauge.capture.targets import Length
from rimgauge.errors import ScaleMissing
from rimgauge.records import FloatArray

LEAST_LONG, LEAST_APART = 0.25, 0.3
"""Of the picture's side: how long an edge is seen, and how far apart two are."""
MOST_OFF_DEG = 20.0
MOST_SPREAD_DEG = 4.0
LEAST_ROUND, MOST_ROUND = 0.015, 0.11
"""Corners of 3.18 mm radius (ISO/IEC 7810, from memory) end a straight edge 0.04 or 0.06 of a side before its corner."""
ALIKE_PX, ON_LINE_PX = 8.0, 4.0
CUT = 0.006
"""Inside of where the edges cross by this share along both, a card's round corner is cut off."""

Segment = tuple[FloatArray, FloatArray]


def card_px(
    picture: NDArray[np.uint8], direction: FloatArray, place: FloatArray, name: str
) -> tuple[Length, FloatArray]:
    """Distance [px] between a card's two edges that run across a unit vector (2,), and the middle (2,) between them.

    It is measured as near to a place (2,) as the edges are seen. Two straight edges are a card's only where a
    third one joins their ends.

    Raises
    ------
    ScaleMissing
        No card is seen, or more than one thing could be it.
    """
    across = np.array([-direction[1], direction[0]])
    found = _segments(picture)
    long_px = LEAST_LONG * (picture.shape[0] if abs(across[1]) > abs(across[0]) else picture.shape[1])
    sides = [each for each in found if _off_deg(each, across) < MOST_OFF_DEG and _length(each) > long_px]
    joins = [each for each in found if _off_deg(each, direction) < MOST_OFF_DEG]
    least_px = LEAST_APART * float(np.abs(direction) @ np.array(picture.shape[1::-1]))
    pairs = [
        (one, two)
        for one, two in itertools.combinations(sides, 2)
        if _apart_px(one, two, direction, place) > least_px
        and _off_deg(one, two[1] - two[0]) < MOST_SPREAD_DEG
        and any(_joined(picture, one, two, join, direction) for join in joins)
    ]
    if not pairs:
        raise ScaleMissing(
            f"{name}: no card is seen in this picture; hold it flat at the rim's edge before something plain, one "
            "of its corners' edges along the way the rim strays, or point at two edges with --length-mm"
        )
    widths = [_apart_px(one, two, direction, place) for one, two in pairs]
    if max(widths) - min(widths) > ALIKE_PX:
        raise ScaleMissing(
            f"{name}: more than one thing in this picture could be the card; choose a plainer background, or point "
            "at two of its edges with --length-mm"
        )
    return _measured(picture, pairs[int(np.argmax(widths))], direction, place, name)


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
    trouble = None
    for height in sorted(np.linspace(low, high, 9), key=lambda each: abs(each - float(place @ across))):
        start, end = sorted(
            (_at(segment, across, float(height)) for segment in pair),
            key=lambda point: float(point @ direction),
        )
        try:
            return between_edges(picture, start, end, name), (start + end) / 2.0
        except ScaleMissing as missed:  # something else's edge runs into the card's there
            trouble = trouble or missed
    raise trouble or ScaleMissing(f"{name}: too little of the card's edges is seen")


def _segments(picture: NDArray[np.uint8]) -> list[Segment]:
    """Straight edges in any colour, broken ones mended."""
    blurred = cv2.GaussianBlur(picture, (0, 0), 1.5)
    edges = np.max([cv2.Canny(np.ascontiguousarray(blurred[:, :, k]), 15, 40) for k in range(3)], axis=0)
    lines = cv2.HoughLinesP(edges.astype(np.uint8), 1.0, math.radians(0.5), 40, None, 30.0, 12.0)
    if lines is None:
        return []
    pieces = [(line[:2], line[2:]) for line in np.asarray(lines, dtype=np.float64).reshape(-1, 4)]
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
    return whole


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


def _joined(
    picture: NDArray[np.uint8], one: Segment, two: Segment, join: Segment, direction: FloatArray
) -> bool:
    """Whether a third edge goes from near one end of the first to near one end of the second, its corners round."""
    across = np.array([-direction[1], direction[0]])
    height = float((join[0] + join[1]) @ across) / 2.0
    sides = sorted((one, two), key=lambda side: float(_at(side, across, height) @ direction))
    corners = [_crossing(side, join) for side in sides]
    apart = float(np.linalg.norm(corners[1] - corners[0]))
    ends = sorted(join, key=lambda end: float(end @ direction))
    if apart < 1.0:
        return False
    short = [float((ends[0] - corners[0]) @ direction), float((corners[1] - ends[1]) @ direction)]
    downs = [_away(side, corner) for side, corner in zip(sides, corners, strict=True)]
    if float(downs[0] @ downs[1]) < 0.9:  # one goes up from there, the other down
        return False
    reaches = [
        min(float((end - corner) @ down) for end in side)
        for side, corner, down in zip(sides, corners, downs, strict=True)
    ]
    ends_short = all(LEAST_ROUND < each / apart < MOST_ROUND for each in short + reaches)
    return ends_short and all(
        _is_round(picture, corner, corners[1 - k], downs[k], apart) for k, corner in enumerate(corners)
    )


def _is_round(
    picture: NDArray[np.uint8], corner: FloatArray, other: FloatArray, down: FloatArray, apart: float
) -> bool:
    """Whether the very corner looks like what is outside of the card rather than like the card."""
    along = (other - corner) / apart
    places = [CUT * apart * (along + down), 0.2 * apart * along + 0.03 * apart * down]
    places.append(0.2 * apart * along - 0.03 * apart * down)
    tip, inside, outside = (_mean_colour(picture, corner + place) for place in places)
    return float(np.linalg.norm(tip - outside)) < float(np.linalg.norm(tip - inside))


def _away(side: Segment, corner: FloatArray) -> FloatArray:
    """Unit vector along a side, away from its corner."""
    far = max(side, key=lambda end: float(np.linalg.norm(end - corner)))
    return np.asarray((far - corner) / np.linalg.norm(far - corner))


def _mean_colour(picture: NDArray[np.uint8], place: FloatArray) -> FloatArray:
    patch = cv2.getRectSubPix(picture, (3, 3), (float(place[0]), float(place[1])))
    return np.asarray(patch.reshape(-1, 3).astype(np.float64).mean(axis=0))


def _crossing(one: Segment, two: Segment) -> FloatArray:
    """Where the lines of two segments cross."""
    along, other = one[1] - one[0], two[1] - two[0]
    share = np.linalg.solve(np.column_stack([along, -other]), two[0] - one[0])[0]
    return np.asarray(one[0] + share * along)
