"""The outline that a bank card would have between three straight edges, and how much of it a picture shows."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.card_sides import Segment, at, crossing
from rimgauge.records import FloatArray

ROUND = 3.18 / 53.98
"""Radius of a card's corners beside its short side (ISO/IEC 7810, from memory)."""
LONG = 85.60 / 53.98
LEAST_APART, LEAST_SIDE = 0.3, 0.3
"""Of the picture: how far apart two edges are; of that: how much of each must lie in the picture."""
LEAST_SLOPE = 3.0
"""Grey levels a pixel, in the steepest colour, by which an outline must stand out."""
ALONG_POINTS = 5
"""Points along the outline that are averaged, so that noise makes no edge."""
REACH_PX = 7
"""An outline is looked at so far inside and outside."""
DEEP = REACH_PX - 2
"""So many of those places lie clearly inside."""
SAME, OTHER = 40.0, 10.0
"""Grey levels, all colours together: a card's face keeps within the one, and what lies behind differs by the other."""
MOST_OTHER = 0.3
"""Share of the face along its outline that may be printed in another colour."""
LEAST_SEEN, LEAST_SIDE_SEEN, LEAST_TOP_SEEN = 0.7, 0.45, 0.35
"""Share of the straight outline, of each side and of the top that must be seen."""
NEAR_CORNER_PX = 4.0
LONG_ROUND, MOST_ROUND = 0.0475, 0.08
"""Radius of a corner by the edges' distance: 0.059 between a card's long edges, 0.037 between its short ones."""
LONG_SIDES, LONG_SEEN, SHORT_SEEN = (0.7, 1.0), 0.5, 0.25
"""By the edges' distance, so far down only long edges are; seen in such a share of places they are, or aren't."""
PAST_CORNERS, MOST_PAST = (0.5, 3.0), 0.5
"""In radii past a corner: where a joining edge that is still seen in so large a share of places isn't at its end."""

Picture = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """Two sides and a top between round corners, each from end to end; points (n, 2) of each with unit normals (n, 2) out.

    radius_px: of the corners. corners: where the sides' lines meet the top's.
    """

    parts: tuple[Segment, Segment, Segment]
    points: FloatArray
    normals: FloatArray
    part_of: NDArray[np.intp]
    corners: tuple[FloatArray, FloatArray]
    radius_px: float


def outline_of(
    sides: tuple[Segment, Segment],
    top: Segment,
    down: FloatArray,
    direction: FloatArray,
    size: tuple[int, ...],
) -> Outline | None:
    """Draw the outline of a card between two sides and a top, as far as it lies in the picture; None where it can't be one."""
    height = float((top[0] + top[1]) @ down) / 2.0
    if float(at(sides[0], down, height) @ direction) > float(at(sides[1], down, height) @ direction):
        sides = (sides[1], sides[0])
    corners = (crossing(sides[0], top), crossing(sides[1], top))
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
    parts = (
        (corners[0] + radius * downs[0], corners[0] + reaches[0] * downs[0]),
        (corners[1] + radius * downs[1], corners[1] + reaches[1] * downs[1]),
        (corners[0] + radius * along, corners[1] - radius * along),
    )
    points = [start + np.linspace(0.0, 1.0, 60)[:, None] * (end - start) for start, end in parts]
    ways = (downs[0], downs[1], along)
    out = (-along, along, -(downs[0] + downs[1]) / 2.0)
    normals = [_square_to(way, outward) for way, outward in zip(ways, out, strict=True)]
    return Outline(
        parts=parts,
        points=np.concatenate(points),
        normals=np.repeat(normals, 60, axis=0),
        part_of=np.repeat(np.arange(3), 60),
        corners=corners,
        radius_px=radius,
    )


def _square_to(way: FloatArray, outward: FloatArray) -> FloatArray:
    normal = np.array([-way[1], way[0]])
    return np.asarray(normal * np.sign(float(normal @ outward)) / np.linalg.norm(normal))


def _to_border(start: FloatArray, way: FloatArray, size: tuple[int, ...]) -> float:
    """How far it is from a point to the picture's border along a unit vector [px]; 0 from outside."""
    far = []
    for k in range(2):
        if not 0.0 <= start[k] <= size[k] - 1:
            return 0.0
        if abs(way[k]) > 1e-6:
            far.append(((size[k] - 4.0 if way[k] > 0.0 else 3.0) - start[k]) / way[k])
    return float(max(min(far), 0.0))


def seen_share(smooth: Picture, outline: Outline) -> tuple[float, int] | None:
    """Share of a card's straight outline that is seen, one face inside and an edge beside it; and its corners seen.

    None where too little of a part is seen, the face isn't of one colour, or no corner is a card's.
    """
    values = _across(smooth, outline.points, outline.normals)
    face = np.median(values[:, :DEEP].mean(axis=1), axis=0)
    of_face, edge = _face_and_edge(values, face)
    if of_face.mean() < 1.0 - MOST_OTHER:
        return None
    seen = of_face & edge
    shares = [float(seen[outline.part_of == k].mean()) for k in range(3)]
    if min(shares[:2]) < LEAST_SIDE_SEEN or shares[2] < LEAST_TOP_SEEN or np.mean(shares) < LEAST_SEEN:
        return None
    corners = _round_corners(smooth, outline, face)
    return (float(np.mean(shares)), corners) if corners else None


def _face_and_edge(values: FloatArray, face: FloatArray) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether colours (n, m, 3) from inside to outside are the face's within, and whether an edge lies in the middle."""
    of_face = (np.linalg.norm(values[:, :DEEP] - face, axis=2) < SAME).mean(axis=1) > 0.6
    smoothed = np.reshape(cv2.blur(values.reshape(len(values), -1), (1, ALONG_POINTS)), values.shape)
    slope = (
        np.abs(smoothed[:, 2:] - smoothed[:, :-2]).max(axis=2)[:, REACH_PX - 3 : REACH_PX + 2].max(axis=1)
        / 2.0
    )
    return of_face, slope > LEAST_SLOPE


def _across(smooth: Picture, points: FloatArray, normals: FloatArray) -> FloatArray:
    """Colours (n, m, 3) on lines across an outline, from inside to outside."""
    steps = np.arange(-REACH_PX, REACH_PX + 1.0)
    places = (points[:, None] + steps[:, None] * normals[:, None]).astype(np.float32)
    found = cv2.remap(
        smooth, places[..., 0], places[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(found, dtype=np.float64)


def _round_corners(smooth: Picture, outline: Outline, face: FloatArray) -> int:
    """How many corners are seen to be as round as a card's between its long edges; 0 where one is seen to be otherwise.

    Past its arc it looks like what lies beside the card there, within the arc like the card. Where the joining
    edge runs on past a corner, a row of print was taken for one of the sides.
    """
    found: list[bool] = []
    radii: list[float] = []
    for k, (corner, away) in enumerate(zip(outline.corners, (-1.0, 1.0), strict=True)):
        along, down = _ways(outline, k)
        out = [corner - NEAR_CORNER_PX * down + away * -0.5 * outline.radius_px * along]
        out.append(corner + away * NEAR_CORNER_PX * along + 0.5 * outline.radius_px * down)
        inward = outline.radius_px * (-away * along + down)
        unlike = [float(np.linalg.norm(_colour(smooth, place) - face)) for place in out]
        tip, within = (
            float(np.linalg.norm(_colour(smooth, corner + share * inward) - face)) for share in (0.1, 0.55)
        )
        if _runs_on(smooth, outline, k, face):
            return 0
        if min(unlike) > OTHER:
            found.append(tip > 0.5 * min(unlike) and within < max(0.5 * min(unlike), OTHER))
            radii.append(_radius_px(smooth, outline, k, face, min(unlike)))
    if not all(found):
        return 0
    shares = np.array(radii) * ROUND / outline.radius_px
    told = int(np.sum((shares > LONG_ROUND) & (shares < MOST_ROUND))) - int(np.sum(shares < LONG_ROUND))
    return len(found) if told + _long_sides(smooth, outline, face) > 0 else 0


def _long_sides(smooth: Picture, outline: Outline, face: FloatArray) -> int:
    """1 where a side is seen farther down than a card's short edge reaches, -1 where none is, 0 where that can't be seen."""
    apart, seen = outline.radius_px / ROUND, []
    for k in range(2):
        along, down = _ways(outline, k)
        places = outline.corners[k] + down * np.linspace(*LONG_SIDES, 40)[:, None] * apart
        seen.append(_edge_share(smooth, places, _square_to(down, (2 * k - 1) * along), face))
    if max(seen, default=0.0) > LONG_SEEN:
        return 1
    return -1 if max(seen) < SHORT_SEEN and min(seen) >= 0.0 else 0


def _edge_share(smooth: Picture, places: FloatArray, normal: FloatArray, face: FloatArray) -> float:
    """Share of places (n, 2) at which the face ends, as seen along the normal (2,) out of it; -1 outside the picture."""
    size = np.array(smooth.shape[1::-1])
    within = ((places > REACH_PX) & (places < size - 1 - REACH_PX)).all(axis=1)
    if within.sum() < len(places) / 2:
        return -1.0
    of_face, edge = _face_and_edge(_across(smooth, places[within], np.tile(normal, (within.sum(), 1))), face)
    return float(np.mean(of_face & edge))


def _runs_on(smooth: Picture, outline: Outline, k: int, face: FloatArray) -> bool:
    """Whether the joining edge is still the face's edge past corner k."""
    along, down = _ways(outline, k)
    past = np.linspace(*PAST_CORNERS, 20)[:, None] * outline.radius_px * (2 * k - 1) * along
    return _edge_share(smooth, outline.corners[k] + past, _square_to(along, -down), face) > MOST_PAST


def _radius_px(smooth: Picture, outline: Outline, k: int, face: FloatArray, unlike: float) -> float:
    """Radius of corner k, by how far its arc lies from where the straight edges beside it would meet [px]."""
    along, down = _ways(outline, k)
    inward = (1 - 2 * k) * along
    corner, radius = outline.corners[k], outline.radius_px
    beside = np.linspace(1.3, 2.0, 5)[:, None] * radius

    def edge(starts: FloatArray, way: FloatArray, deep: float) -> float:
        """How far in from the starts (n, 2) the face begins, typically; it is looked for from within outward."""
        far = np.linspace(deep, -REACH_PX, 200)
        places = (starts[:, None] + far[:, None] * way).astype(np.float32)
        colours = cv2.remap(
            smooth, places[..., 0], places[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        out = np.linalg.norm(colours - face, axis=2) > 0.5 * unlike
        return float(np.median(far[np.where(out.any(axis=1), out.argmax(axis=1), -1)]))

    below = edge(corner + beside * inward, down, REACH_PX)
    corner = corner + below * down + edge(corner + beside * down, inward, REACH_PX) * inward
    diagonal = (inward + down) / np.linalg.norm(inward + down)
    sideways = np.array([-diagonal[1], diagonal[0]])
    return edge(corner + np.linspace(-1.0, 1.0, 5)[:, None] * sideways, diagonal, 0.75 * radius) / (
        math.sqrt(2.0) - 1.0
    )


def _ways(outline: Outline, k: int) -> tuple[FloatArray, FloatArray]:
    """Unit vectors along the top, from the first corner to the second, and down the side of corner k."""
    top, side = outline.parts[2], outline.parts[k]
    along, down = top[1] - top[0], side[1] - side[0]
    return along / np.linalg.norm(along), down / np.linalg.norm(down)


def _colour(smooth: Picture, place: FloatArray) -> FloatArray:
    patch = cv2.getRectSubPix(smooth, (1, 1), (float(place[0]), float(place[1])))
    return np.asarray(patch.reshape(-1).astype(np.float64))


def colour_beside(smooth: Picture, segment: Segment, way: FloatArray) -> FloatArray:
    """Typical colour (3,) of what lies beside a segment, a little away from it toward `way` (2,)."""
    normal = _square_to(segment[1] - segment[0], way)
    places = (
        segment[0] + np.linspace(0.1, 0.9, 24)[:, None] * (segment[1] - segment[0]) + 5.0 * normal
    ).astype(np.float32)
    found = cv2.remap(smooth, places[:, :1], places[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(np.median(found[:, 0], axis=0), dtype=np.float64)
