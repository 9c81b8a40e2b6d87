"""Straight edges in a picture, in any colour, broken ones mended; and how two of them lie to one another."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

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
