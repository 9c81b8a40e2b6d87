"""A pointer's tip and the rim edge that it faces: from the rim's course, the ends before it and a person's hints."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from rimgauge.capture.aim_look import LEAST_NOISE, Point, Still, look_still, window
from rimgauge.capture.aim_pointer import LEAST_GAP_PX, End, find_ends
from rimgauge.capture.aim_rim import Course, find_course
from rimgauge.capture.pointer import find_tip
from rimgauge.capture.sources import Frame
from rimgauge.errors import PointerNotSeen

ROWS_PX = 26
"""The tracker looks for a tip so far to both sides of it."""
FIRST_SHARE = 0.45
"""The tip is where the tone first differs from the pointer's by this share of the most."""
LEAST_CHANGE = 5.0
"""Grey levels by which a pointer's tone differs from what is before its tip."""
SAME_SHARE = 0.6
SPARE_PX = 6
"""Room beside a bar's flanks for the camera's shake."""
MOST_OFF_PX = 2.0
"""A tip farther from where the pointer's own tone ends is of something before it."""
MARGINS = ((5.0, 0.3), (1.5, 0.1))
"""The edge may move by so many pixels, and by such a share of what was seen, beyond where it was seen; the second is
for an edge that has others close before it."""
LEAST_RIVAL = 0.2
"""An edge so strong beside the one a person pointed at could be taken for it."""
HALF_EDGE_PX = 40
"""The edge is measured so far to both sides of the tip."""
LEAST_WIDTH_PX, MOST_WIDTH_PX = 40, 180
"""A rim that is seen narrower than this reaches beyond its last clear edge; so much of it is looked at then."""
LEAST_AXIS = 0.5
"""Courses that stand out by less than this share of the clearest one aren't looked along."""


@dataclass(frozen=True, slots=True, eq=False)
class Facing:
    """A pointer's tip and the rim edge ahead of it, in turned coordinates; slope is du/dv of the edge.

    begin_u: from where on the edge is to be sought: the tip, or half way from another edge that a person passed over.
    width_px: of what is seen of the rim along u, from this edge to its last one.
    half_px: half the room along v for the tip; ahead_px: its room along u, in which nothing else stands.
    """

    course: Course
    tip: Point
    edge_u: float
    slope: float
    score: float
    begin_u: float
    width_px: float
    half_px: float
    ahead_px: float

    @property
    def still(self) -> Still:
        """Give the look that the coordinates are of."""
        return self.course.still

    def sought_u(self, margin: tuple[float, float]) -> tuple[float, float]:
        """From where to where the edge is to be sought, for the way it moves and one of the margins."""
        moves, unit = self.course.moves_px, self.still.unit
        room = margin[0] * unit + margin[1] * float(np.ptp(moves))
        before = max(self.tip[0], self.begin_u, self.edge_u + float(moves.min()) - room)
        return before, self.edge_u + float(moves.max()) + room + 8.0 * unit


def find_facings(frames: list[Frame], pointer_at: Point | None, rim_at: Point | None) -> list[Facing]:
    """Find pointers and rim edges that face each other, clearest first; hints x, y [px] fix one or both."""
    stills = look_still(frames)
    looked = (find_course(still, frames) for still in (stills[0], stills[2]))
    courses = [course for course in looked if course is not None]
    most = max((course.strength for course in courses), default=0.0)
    found: list[Facing] = []
    for still in stills:
        for course in courses:
            if still.patch.transposed == course.still.patch.transposed and (
                course.strength > LEAST_AXIS * most or pointer_at is not None
            ):
                found += _facings_along(course.seen_from(still), pointer_at, rim_at)
    return _things(sorted(found, key=lambda facing: -facing.score))


def _things(found: list[Facing]) -> list[Facing]:
    """Of tips that belong to one thing, as a strip's own edges do that are bars too, keep the widest with the best score."""
    things: list[Facing] = []
    for facing in found:
        place = np.array(facing.still.patch.to_picture(*facing.tip))
        for k, other in enumerate(things):
            apart = float(np.linalg.norm(place - other.still.patch.to_picture(*other.tip)))
            if apart < max(facing.half_px, other.half_px) + 8.0 * facing.still.unit:
                if facing.half_px > other.half_px and facing.score > SAME_SHARE * other.score:
                    things[k] = replace(facing, score=other.score)
                break
        else:
            things.append(facing)
    return things


def _facings_along(course: Course, pointer_at: Point | None, rim_at: Point | None) -> Iterator[Facing]:
    rim = None if rim_at is None else course.still.patch.to_patch(*rim_at)
    edge_u, begin_u = course.outlines[0], 0.0
    if rim is not None:
        edge_u, begin_u = _edge_pointed_at(course, rim[0] - float(course.aside(rim[1])))
    if pointer_at is not None:
        u, v = course.still.patch.to_patch(*pointer_at)
        ends = [End(u, v, 0.0, 1.0)]
    else:
        ends = find_ends(course, min(edge_u, course.outlines[0]))
    for end in ends:
        facing = _facing(course, end, edge_u, begin_u, pointer_at is not None)
        if facing is not None:
            yield facing


def _edge_pointed_at(course: Course, u: float) -> tuple[float, float]:
    """Place of the long edge nearest to u, and half way to the clear one before it."""
    nearest = int(np.argmin(np.abs(course.edges_u - u)))
    before = course.edges_u[:nearest][
        np.abs(course.steps[:nearest]) > LEAST_RIVAL * abs(course.steps[nearest])
    ]
    place = float(course.edges_u[nearest])
    return place, float(before[-1] + place) / 2.0 if len(before) else 0.0


def _facing(course: Course, end: End, edge_u: float, begin_u: float, pointed: bool) -> Facing | None:
    still, unit = course.still, course.still.unit
    if pointed:
        tip = _refined_tip(still, (end.u, end.v), 16.0 * unit, 10.0 * unit, ROWS_PX * unit)
        rough = tip and _refined_tip(still, tip, 16.0 * unit, 5.0 * unit, ROWS_PX * unit)
        half = ROWS_PX * unit
    else:
        nearest = min(edge_u, course.outlines[0]) + float(course.aside(end.v)) + float(course.moves_px.min())
        body_end = _body_end(still, end, nearest)
        rough = None if body_end is None else (body_end, end.v)
        half = min(ROWS_PX * unit, end.half_px + SPARE_PX * unit)
    if rough is None:
        return None
    aside = float(course.aside(rough[1]))
    nearest = min(edge_u, course.outlines[0]) + aside + float(course.moves_px.min())
    rooms = [max(3.0, min(5.0 * unit, 0.5 * (nearest - rough[0]))), 3.0, 2.0]
    tips = [(_refined_tip(still, rough, 3.0 * unit + end.half_px, room, half), room) for room in rooms]
    seen = [
        (tip, room) for tip, room in tips if tip is not None and abs(tip[0] - rough[0]) <= MOST_OFF_PX * unit
    ]
    if not seen:
        return None
    # The roomiest look in which nothing else stands; else the one that comes nearest.
    clear = [one for one in seen if abs(one[0][0] - rough[0]) <= unit]
    tip, ahead = clear[0] if clear else min(seen, key=lambda one: abs(one[0][0] - rough[0]))
    aside = float(course.aside(tip[1]))
    place, slope = _straight_line(still, edge_u + aside, course.slope_at(tip[1]), tip[1])
    if place - tip[0] < LEAST_GAP_PX * unit:
        return None
    begin = begin_u + aside if begin_u else tip[0]
    width = course.outlines[1] - edge_u
    width = width if width > LEAST_WIDTH_PX * unit else MOST_WIDTH_PX * unit
    return Facing(course, tip, place, slope, end.score, begin, width, half, ahead)


def _body_end(still: Still, end: End, nearest_u: float) -> float | None:
    """Where the tone of what ends changes first, met from inside it [px]; before the rim, which comes so near.

    None where its tone doesn't change at all.
    """
    unit = still.unit
    first = max(0, round(end.u - 10 * unit))
    last = min(end.u + end.half_px + 10 * unit, nearest_u - 2.0)
    half = max(1.0, 0.3 * end.half_px)
    body = window(still.mean, end.u - 28 * unit, end.u - 10 * unit, end.v, half)
    ahead = window(still.mean, first, last, end.v, half)
    if ahead.shape[1] < 5 or not len(ahead) or not body.size:
        return None
    off = np.abs(np.median(ahead, axis=0) - float(np.median(body)))
    return float(first + np.argmax(off > FIRST_SHARE * off.max())) if off.max() > LEAST_CHANGE else None


def _refined_tip(still: Still, rough: Point, reach_px: float, ahead: float, half: float) -> Point | None:
    """Tip as the tracker would see it, from the mean look; None where none ends within reach [px]."""
    unit = still.unit
    height, width = still.mean.shape
    u0, u1 = max(0, round(rough[0] - 40 * unit)), min(width, round(rough[0] + ahead) + 1)
    v0, v1 = max(0, round(rough[1] - half)), min(height, round(rough[1] + half) + 1)
    if u1 - u0 < 20 or v1 - v0 < 12:
        return None
    try:
        tip_u, tip_v = find_tip(still.mean[v0:v1, u0:u1].astype(np.float64), LEAST_NOISE, "the picture")
    except PointerNotSeen:
        return None
    tip = (u0 + tip_u, v0 + tip_v)
    if math.dist(tip, rough) > reach_px or tip_u > u1 - u0 - 2.0:
        return None
    return tip


def _straight_line(still: Still, place: float, slope: float, row: float) -> Point:
    """Place at `row` and slope of the line through the steepest place of every row near it; strays left out."""
    unit = still.unit
    half = HALF_EDGE_PX * unit
    low, high = max(0, round(row - half)), min(still.mean.shape[0], round(row + half) + 1)
    smooth = cv2.GaussianBlur(still.mean[low:high], (5, 5), 0)
    steep = np.abs(cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=0.125))
    rows = np.arange(low, high)
    reach = round(3 * unit)
    for _ in range(4):
        guess = np.rint(place + slope * (rows - row)).astype(np.intp)
        columns = np.clip(guess[:, None] + np.arange(-reach, reach + 1), 0, steep.shape[1] - 1)
        near = np.take_along_axis(steep, columns, axis=1)
        found = columns[rows - low, near.argmax(axis=1)]
        off = found - (place + slope * (rows - row))
        kept = np.abs(off - np.median(off)) <= max(1.0, 2.0 * float(np.median(np.abs(off - np.median(off)))))
        slope, place = (float(k) for k in np.polyfit(rows[kept] - row, found[kept], 1))
        reach = max(2, reach - 1)
    return place, slope
