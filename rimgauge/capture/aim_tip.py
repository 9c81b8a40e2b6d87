"""Where exactly what seems to end before the rim does so: its tip as the tracker would see it, in a turned look."""

from __future__ import annotations

import math

import numpy as np

from rimgauge.capture.aim_look import LEAST_NOISE, Point, Still, window
from rimgauge.capture.aim_pointer import End
from rimgauge.capture.aim_rim import Course
from rimgauge.capture.aim_round import round_end
from rimgauge.capture.pointer import find_tip
from rimgauge.errors import PointerNotSeen

ROWS_PX = 26
"""The tracker looks for a tip so far to both sides of it."""
BESIDE_HINT_PX, CLEAR_PX = 16.0, 2.0
"""A person may point so far beside a tip; and the rim is blurred so far before its edge."""
SPARE_PX = 6
"""Room beside a bar's flanks for the camera's shake."""
FIRST_SHARE = 0.45
"""The tip is where the tone first differs from the pointer's by this share of the most."""
LEAST_CHANGE, OWN_CHANGE = 5.0, 1.5
"""Grey levels by which a pointer's tone differs from what is before its tip, and so many times as much as within itself."""
ROUND_PX = 5.0
"""A round end's tip lies so near to where its outline seemed to end."""
BACK_PX = (10.0, 35.0)
"""The end of a tone is looked for from so far behind, and from farther where it isn't found."""
MOST_OFF_PX = 2.0
"""A tip farther from where the pointer's own tone ends is of something before it."""


def tip_pointed_at(course: Course, end: End, edge_u: float) -> tuple[Point, float, float] | None:
    """Tip near where a person pointed, and its room to both sides and ahead; None where nothing ends there."""
    rough: Point | None = (end.u, end.v)
    for ahead in (10.0, 5.0):
        if rough is not None:
            # The rim's own edge must not be met before the tip.
            room = nearest_u(course, edge_u, rough[1]) - CLEAR_PX - rough[0]
            rough = _refined_tip(course.still, rough, BESIDE_HINT_PX, max(2.0, min(ahead, room)), ROWS_PX)
    return rough and _tip_seen(course, rough, ROWS_PX, 3.0, edge_u)


def tip_of(course: Course, end: End, edge_u: float) -> tuple[Point, float, float] | None:
    """Tip of what ends, and its room to both sides and ahead; None where its tone doesn't end there."""
    for back in BACK_PX:
        body_end = _body_end(course.still, end, back, nearest_u(course, edge_u, end.v))
        if body_end is not None:
            half = min(ROWS_PX, end.half_px + SPARE_PX)
            found = _tip_seen(course, (body_end, end.v), half, 3.0 + end.half_px, edge_u)
            if found is not None:
                return _past_shade(course, found, end.half_px, edge_u)
    return None


def _past_shade(
    course: Course, found: tuple[Point, float, float], half_px: float, edge_u: float
) -> tuple[Point, float, float]:
    """The tip found, or that of the round end to whose shade it belongs, where the tracker sees it."""
    tip = found[0]
    end = round_end(course.still.mean, tip, half_px, nearest_u(course, edge_u, tip[1]) - CLEAR_PX)
    return (end and _tip_seen(course, end, ROWS_PX, ROUND_PX, edge_u)) or found


def nearest_u(course: Course, edge_u: float, v: float) -> float:
    """Where the rim is nearest to a pointer at v."""
    outline = min(edge_u, course.outlines[0])
    return course.lip_before(outline) + float(course.aside(v)) + float(course.moves_px.min())


def _tip_seen(
    course: Course, rough: Point, half: float, reach_px: float, edge_u: float
) -> tuple[Point, float, float] | None:
    """The tip as the tracker sees it in the roomiest look in which nothing else stands, else nearest to the rough one."""
    rooms = [max(3.0, min(5.0, 0.5 * (nearest_u(course, edge_u, rough[1]) - rough[0]))), 3.0, 2.0]
    tips = [(_refined_tip(course.still, rough, reach_px, room, half), room) for room in rooms]
    off = [(abs(tip[0] - rough[0]), tip, room) for tip, room in tips if tip is not None]
    seen = [one for one in off if one[0] <= MOST_OFF_PX]
    if not seen:
        return None
    clear = [one for one in seen if one[0] <= 1.0]
    _, tip, ahead = clear[0] if clear else min(seen, key=lambda one: one[0])
    return tip, half, ahead


def _body_end(still: Still, end: End, back: float, nearest_u: float) -> float | None:
    """Where the tone of what ends changes first, met from inside it [px]; before the rim, which comes so near.

    back: from so far behind the end it is looked for; flanks seem to go on past a round tip. None where the tone doesn't
    change at all.
    """
    first = max(0.0, float(np.rint(end.u - back)))
    last = min(end.u + end.half_px + 10, nearest_u - CLEAR_PX)
    half = max(1.0, 0.3 * end.half_px)
    body = window(still.mean, first - 18, first, end.v, half)
    ahead = window(still.mean, first, last, end.v, half)
    if ahead.shape[1] < 5 or not len(ahead) or not body.size:
        return None
    own, off = (np.abs(np.median(part, axis=0) - float(np.median(body))) for part in (body, ahead))
    # A bolt's threads are of its own tone.
    least = max(LEAST_CHANGE, OWN_CHANGE * float(own.max()))
    return float(first + np.argmax(off > max(FIRST_SHARE * off.max(), least))) if off.max() > least else None


def _refined_tip(still: Still, rough: Point, reach_px: float, ahead: float, half: float) -> Point | None:
    """Tip as the tracker would see it, from the mean look; None where none ends within reach [px]."""
    height, width = still.mean.shape
    u0, u1 = max(0, round(rough[0] - 40)), min(width, round(rough[0] + ahead) + 1)
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
