"""A pointer's tip and the rim edge that it faces: from the rim's course, the ends before it and a person's hints."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from rimgauge.capture.aim_look import Point, Still, look_still
from rimgauge.capture.aim_pointer import LEAST_GAP_PX, End, find_ends
from rimgauge.capture.aim_rim import Course, find_course
from rimgauge.capture.aim_tip import BESIDE_HINT_PX, SPARE_PX, nearest_u, tip_of, tip_pointed_at
from rimgauge.capture.sources import Frame
from rimgauge.errors import PointerNotSeen, RimNotSeen
from rimgauge.records import FloatArray, IntArray

ROUND_SHARE, SAME_SHARE, CLEAR_SCORE = 0.3, 0.6, 0.5
"""Flanks of a round end stop before its tip by such a share of its half width. Of two ends the fainter counts from such a
share of the other's score; and an end with that score is a clear one."""
BESIDE_PX, SAME_TIP_PX = 8, 4
"""Tips so near beside one another belong to one thing, and so near along it are the same."""
SAME_FLANK_PX, SLIVER_SHARE = 3, 0.5
"""Flanks so near are the same; and what is less wide than such a share of something is no thing beside it (judgements)."""
PAST_PX = 20
"""Flanks that go on past a tip by no more end with it: a round end and its blur take them so far."""
MANY = 4
"""One pointer, and both flanks of a hub behind it, are fewer places than these; a wall's stripes more (a judgement)."""
MARGINS = ((5.0, 0.3), (1.5, 0.1), (0.5, 0.0))
"""The edge may move by so many pixels, and by such a share of what was seen, beyond where it was seen; the second and the
third are for an edge that has others close before it."""
LEAST_RIVAL = 0.2
"""An edge so strong beside the one a person pointed at could be taken for it."""
HALF_EDGE_PX, LONGER_EDGE_PX = 40.0, 80.0
"""The edge is measured so far to both sides of the tip, and farther where much of that is hidden."""
HIDDEN_STEP, MOST_HIDDEN = 0.25, 0.4
"""An edge is hidden in rows in which it is less steep than this share of what it is in the clearest, as before a hub that
is as dark as the rim; where it is in more of them than that, more of it is measured."""
LEAST_WIDTH_PX, MOST_WIDTH_PX = 40, 180
"""A rim that is seen narrower than this reaches beyond its last clear edge; so much of it is looked at then."""
LEAST_AXIS = 0.5
"""Courses that stand out by less than this share of the clearest one aren't looked along."""


@dataclass(frozen=True, slots=True, eq=False)
class Facing:
    """A pointer's tip and the rim edge ahead of it, in turned coordinates; slope is du/dv of the edge.

    begin_u: from where on the edge is to be sought: the tip, or half way from another edge that a person passed over.
    width_px: of what is seen of the rim along u, from this edge to its last one.
    half_edge_px: half the room along v for the edge.
    half_px: half the room along v for the tip; ahead_px: its room along u, in which nothing else stands.
    end: what ends there, as it was found or pointed at. before: whether what passes goes on behind it.
    """

    course: Course
    tip: Point
    edge_u: float
    slope: float
    score: float
    begin_u: float
    width_px: float
    half_edge_px: float
    half_px: float
    ahead_px: float
    end: End
    before: bool

    @property
    def still(self) -> Still:
        """Give the look that the coordinates are of."""
        return self.course.still

    @property
    def inward(self) -> FloatArray:
        """Unit vector (2,) square to the rim's edge, from the pointer into the rim."""
        start, end = self.still.patch.to_picture(0.0, 0.0), self.still.patch.to_picture(1.0, -self.slope)
        return np.asarray(np.subtract(end, start) / np.hypot(1.0, self.slope))

    @property
    def edge_is_passed(self) -> bool:
        """Whether the edge it faces may be spokes that pass."""
        off_px = np.abs(self.course.edges_u + self.course.aside(self.tip[1]) - self.edge_u)
        return bool(self.course.passing[int(np.argmin(off_px))])

    @property
    def may_be_nearer(self) -> bool:
        """Whether an edge that was left out lies between the tip and the one it faces: it may be the rim's own."""
        left_out_u = self.course.left_out_u + self.course.aside(self.tip[1])
        return bool(((left_out_u > self.tip[0]) & (left_out_u < self.edge_u)).any())

    def is_beside(self, other: Facing) -> bool:
        """Whether it lies along another that comes from the same side, as parts of one thing do."""
        near = max(self.half_px, other.half_px) + BESIDE_PX
        return self.still is other.still and abs(self.tip[1] - other.tip[1]) < near

    def spans(self, other: Facing) -> bool:
        """Whether another is a part of it: its flanks lie within its own, or it is a sliver beside one of them.

        What one flank of a pointer and a wall's patch enclose spans neither.
        """
        mine, its = self.end, other.end
        apart = abs(mine.v - its.v)
        within = apart + its.half_px < mine.half_px + SAME_FLANK_PX
        outside = apart - its.half_px > mine.half_px - SAME_FLANK_PX
        return within or (outside and its.half_px < SLIVER_SHARE * mine.half_px)

    def sought_u(self, margin: tuple[float, float]) -> tuple[float, float]:
        """From where to where the edge is to be sought, for the way it moves and one of the margins."""
        moves = self.course.moves_px
        room = margin[0] + margin[1] * float(np.ptp(moves))
        before = max(self.tip[0], self.begin_u, self.edge_u + float(moves.min()) - room)
        return before, self.edge_u + float(moves.max()) + room + 8.0


def find_facings(
    frames: list[Frame], pointer_at: Point | None, rim_at: Point | None, *, strictly: bool = False
) -> list[Facing]:
    """Find pointers and rim edges that face each other, clearest first; hints x, y [px] fix one or both.

    strictly: without the faint edges that spokes may be which pass.
    """
    things, unclear = _find_things(frames, pointer_at, rim_at, strictly=strictly)
    _check_gap_left(things, unclear)
    if things and any(_is_clearer(course.still, end, things[0]) for course, end in unclear):
        # Stripes of a wall go on under the rim at many places, and tell nothing of what stands before it.
        alike = [(course.still, end) for course, end in unclear if end.score > SAME_SHARE * things[0].score]
        if _places_apart(alike) >= MANY:
            return things
        raise PointerNotSeen(
            "what looks most like a pointer ends before something that is hardly brighter or darker; put something "
            "plain behind its tip, add light, or say where its tip is with --pointer-at X,Y"
        )
    return things


def find_foremost(frames: list[Frame], rim_at: Point | None, *, strictly: bool = False) -> Facing | None:
    """Find the one pointer that what passes goes on behind, as spokes do; None where there is none, or another may be it.

    Before a hub, a wall or a lamp spokes pass; what nothing passes before may stand as far to the front.
    """
    things, unclear = _find_things(frames, None, rim_at, strictly=strictly)
    _check_gap_left(things, unclear)
    before = [thing for thing in things if thing.before]
    if len(before) != 1:
        return None
    (foremost,) = before
    others = [(one.still, replace(one.end, score=one.score)) for one in things if one is not foremost]
    others += [(course.still, end) for course, end in unclear]
    rival = any(not end.is_crossed and _is_as_clear(still, end, foremost) for still, end in others)
    return None if rival else foremost


def _find_things(
    frames: list[Frame], pointer_at: Point | None, rim_at: Point | None, *, strictly: bool = False
) -> tuple[list[Facing], list[tuple[Course, End]]]:
    """Find what may be a pointer before the rim's edge, clearest first, and the ends that can't be made out."""
    stills = look_still(frames)
    looked = (find_course(still, frames) for still in (stills[0], stills[2]))
    courses = [course for course in looked if course is not None]
    if strictly:
        courses = [course.without_passed() for course in courses]
    most = max((course.strength for course in courses), default=0.0)
    _check_courses(courses, most, rim_at)
    found: list[Facing] = []
    unclear: list[tuple[Course, End]] = []
    for still in stills:
        for course in courses:
            if still.patch.transposed == course.still.patch.transposed and (
                course.strength > LEAST_AXIS * most or pointer_at is not None
            ):
                seen = course.seen_from(still)
                facings, ends = _facings_along(seen, pointer_at, rim_at)
                found += facings
                unclear += [(seen, end) for end in ends]
    found = [facing for facing in found if not _is_stripe(facing, unclear)] or found
    return _things(sorted(found, key=lambda facing: -facing.score)), unclear


def _check_courses(courses: list[Course], most: float, rim_at: Point | None) -> None:
    """Refuse what runs through the picture, but isn't the rim by itself or by where a person pointed."""
    if rim_at is not None:
        away = [np.abs(course.edges_u - _rim_u(course, rim_at)).min() for course in courses]
        if not away or min(away) > BESIDE_HINT_PX:
            raise RimNotSeen(
                "no edge that runs through the picture and moves as a rim does was found near --rim-at; point at the "
                "rim's very edge, turn the wheel, and put something plain behind it that is much brighter or darker"
            )
    elif any(course.strength == most and course.is_thin for course in courses):
        raise RimNotSeen(
            "the clearest thing that runs through the picture is too thin for a rim, so the rim's own outline doesn't "
            "stand out; put something plain behind it that is much brighter or darker than the rim, and add light, or "
            "say where its edge is with --rim-at X,Y"
        )


def _rim_u(course: Course, rim_at: Point) -> float:
    """Where on a course's edges a person pointed."""
    u, v = course.still.patch.to_patch(*rim_at)
    return u - float(course.aside(v))


def _check_gap_left(things: list[Facing], unclear: list[tuple[Course, End]]) -> None:
    if not things and any(_touches(course, end) for course, end in unclear):
        raise PointerNotSeen(
            "the rim comes so near to what looks like the pointer that no gap is left between them; set the tip a few "
            "millimetres farther from the rim"
        )


def _touches(course: Course, end: End) -> bool:
    """Whether what ends clearly, but not before anything, does so where the rim comes to; flanks end before a round tip."""
    gap_px = nearest_u(course, course.outlines[0], end.v) - end.u
    return end.score > CLEAR_SCORE and gap_px < ROUND_SHARE * end.half_px


def _is_clearer(still: Still, end: End, facing: Facing) -> bool:
    """Whether something whose end can't be made out is more like a pointer than what was found, and isn't part of it."""
    return end.score > facing.score and _is_apart(still, end, facing)


def _is_as_clear(still: Still, end: End, facing: Facing) -> bool:
    """Whether something is hardly less like a pointer than what was found, and isn't part of it."""
    return end.score > SAME_SHARE * facing.score and _is_apart(still, end, facing)


def _is_apart(still: Still, end: End, facing: Facing) -> bool:
    # What shows between a pointer and a hub's border behind it shares its flank.
    near = facing.half_px + max(BESIDE_PX, end.half_px)
    beside = still is facing.still and abs(end.v - facing.tip[1]) < near
    return end.is_long and not beside


def _is_stripe(facing: Facing, unclear: list[tuple[Course, End]]) -> bool:
    """Whether many things that can't be made out end as near to the rim on that side: a wall's stripes, that go on under it."""
    course = facing.course
    before_u = facing.tip[0] - float(course.aside(facing.tip[1]))
    alike = [
        (seen.still, end)
        for seen, end in unclear
        if seen is course
        and end.score > SAME_SHARE * facing.score
        and abs(end.u - float(course.aside(end.v)) - before_u) < SAME_TIP_PX
    ]
    return _places_apart(alike) >= MANY


def _places_apart(ends: list[tuple[Still, End]]) -> int:
    """At how many places along the rim something ends, what lies beside a clearer end counted with it."""
    apart: list[tuple[Still, End]] = []
    for still, end in sorted(ends, key=lambda one: -one[1].score):
        if not any(
            still is other and abs(end.v - clearer.v) < BESIDE_PX + max(end.half_px, clearer.half_px)
            for other, clearer in apart
        ):
            apart.append((still, end))
    return len(apart)


def _things(found: list[Facing]) -> list[Facing]:
    """Of tips that belong to one thing keep the foremost that is nearly as clear as the clearest, with its score.

    A strip's own edges are bars too, and so is what shows between it and something behind it.
    """
    things: list[Facing] = []
    for facing in found:
        for k, other in enumerate(things):
            if facing.is_beside(other):
                foremost = facing.edge_u - facing.tip[0] < other.edge_u - other.tip[0] + SAME_TIP_PX
                wider = facing.half_px > other.half_px and facing.spans(other)
                if foremost and wider and facing.score > SAME_SHARE * other.score:
                    things[k] = replace(facing, score=other.score)
                if math.dist(facing.tip, things[k].tip) < SAME_TIP_PX:
                    things[k] = replace(things[k], before=facing.before or other.before)
                break
        else:
            things.append(facing)
    return things


def _facings_along(
    course: Course, pointer_at: Point | None, rim_at: Point | None
) -> tuple[list[Facing], list[End]]:
    """Find the pointers before a course's edge, and ends that can't be made out."""
    edge_u, begin_u = course.outlines[0], 0.0
    if rim_at is not None:
        edge_u, begin_u = _edge_pointed_at(course, _rim_u(course, rim_at))
    pointed = None if pointer_at is None else course.still.patch.to_patch(*pointer_at)
    if pointed is not None:
        facing = _facing(course, End(*pointed, 0.0, 1.0), edge_u, begin_u, pointed=True)
        if facing is not None:
            return [facing], []
    ends = find_ends(course, min(edge_u, course.outlines[0]))
    if pointed is not None:
        ends = [end for end in ends if math.dist((end.u, end.v), pointed) < BESIDE_HINT_PX]
    found: list[Facing] = []
    unclear: list[End] = []
    for end in sorted(ends, key=lambda one: float(course.aside(one.v)) - one.u):
        facing = _facing(course, end, edge_u, begin_u, pointed=False) if end.is_long or pointed else None
        if facing is None or any(_goes_on(facing, other) for other in unclear):
            unclear.append(end)
        else:
            found.append(facing)
    return found, unclear


def _goes_on(facing: Facing, end: End) -> bool:
    """Whether something nearly as clear goes on past a tip and ends before it, unclearly: then it is no tip."""
    tip_u, tip_v = facing.tip
    ahead = (end.u - facing.course.aside(end.v)) - (tip_u - facing.course.aside(tip_v))
    beside = abs(end.v - tip_v) < end.half_px + SPARE_PX
    return bool(ahead > PAST_PX and beside and end.score > SAME_SHARE * facing.score)


def _edge_pointed_at(course: Course, u: float) -> tuple[float, float]:
    """Place of the long edge nearest to u, and half way to the clear one before it."""
    nearest = int(np.argmin(np.abs(course.edges_u - u)))
    before = course.edges_u[:nearest][
        np.abs(course.steps[:nearest]) > LEAST_RIVAL * abs(course.steps[nearest])
    ]
    place = float(course.edges_u[nearest])
    return place, float(before[-1] + place) / 2.0 if len(before) else 0.0


def _facing(course: Course, end: End, edge_u: float, begin_u: float, *, pointed: bool) -> Facing | None:
    found = tip_pointed_at(course, end, edge_u) if pointed else tip_of(course, end, edge_u)
    if found is None:
        return None
    tip, half, ahead = found
    aside = float(course.aside(tip[1]))
    place, slope = _straight_line(course.still, edge_u + aside, course.slope_at(tip[1]), tip[1])
    if place - tip[0] < LEAST_GAP_PX:
        return None
    begin = begin_u + aside if begin_u else tip[0]
    width = course.outlines[1] - edge_u
    width = width if width > LEAST_WIDTH_PX else float(MOST_WIDTH_PX)
    half_edge = _half_edge_px(course.still, (place, slope), tip[1])
    return Facing(course, tip, place, slope, end.score, begin, width, half_edge, half, ahead, end, end.before)


def _straight_line(still: Still, place: float, slope: float, row: float) -> Point:
    """Place at `row` and slope of the line through the steepest place of every row near it; strays left out."""
    reach = 3
    for _ in range(4):
        rows, found, _ = _steepest(still, (place, slope), row, HALF_EDGE_PX, reach)
        off = found - (place + slope * (rows - row))
        kept = np.abs(off - np.median(off)) <= max(1.0, 2.0 * float(np.median(np.abs(off - np.median(off)))))
        slope, place = (float(k) for k in np.polyfit(rows[kept] - row, found[kept], 1))
        reach = max(2, reach - 1)
    return place, slope


def _half_edge_px(still: Still, line: Point, row: float) -> float:
    """How far to both sides of `row` the edge on a line (place, slope) is to be measured."""
    rows, _, steep = _steepest(still, line, row, LONGER_EDGE_PX, 2)
    hidden = steep[np.abs(rows - row) <= HALF_EDGE_PX] < HIDDEN_STEP * steep.max()
    return LONGER_EDGE_PX if hidden.mean() > MOST_HIDDEN else HALF_EDGE_PX


def _steepest(
    still: Still, line: Point, row: float, half: float, reach: int
) -> tuple[IntArray, IntArray, FloatArray]:
    """Rows (n,) within half of one, the steepest place near a line (place, slope) in each, and how steep it is there."""
    low, high = max(0, round(row - half)), min(still.mean.shape[0], round(row + half) + 1)
    smooth = cv2.GaussianBlur(still.mean[low:high], (5, 5), 0)
    steep = np.abs(cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=0.125))
    rows = np.arange(low, high)
    guess = np.rint(line[0] + line[1] * (rows - row)).astype(np.intp)
    columns = np.clip(guess[:, None] + np.arange(-reach, reach + 1), 0, steep.shape[1] - 1)
    near = np.take_along_axis(steep, columns, axis=1)
    return rows, columns[rows - low, near.argmax(axis=1)], near.max(axis=1)
