"""Aim: find pointer, rim edge, mark and spokes in the first frames of a turning wheel."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.aim_facing import HALF_EDGE_PX, MARGINS, Facing, find_facings
from rimgauge.capture.aim_look import Point, turned_box
from rimgauge.capture.aim_motion import (
    find_mark_columns,
    find_spoke_box,
    mark_box,
    rim_strips,
    running_way,
    to_picture_way,
)
from rimgauge.capture.follower import SEEN, Sightings
from rimgauge.capture.outline import outline_scores, rival_edges
from rimgauge.capture.sources import Frame
from rimgauge.capture.tags import find_tag_box
from rimgauge.capture.tracker import LEARNING_FRAMES, Tracker
from rimgauge.errors import BadInput, FrameTrouble, NotTrustworthy, PointerNotSeen, RimNotSeen
from rimgauge.records import Box, Direction, Edge, FloatArray, IntArray, Side, View

AIM_FRAMES = 120
"""Four seconds of a webcam: about two turns by hand, so that the mark comes by."""
LEAST_FRAMES = 20
TRIED_FRAMES = 40
LEAST_SEEN_SHARE = 0.8
MOST_OFF_PX, USUAL_OFF_PX = 3.0, 2.0
"""The edge followed lies so near to where the rim as a whole lies, at most and mostly, in a picture 360 pixels high."""
ALIKE_SHARE = 0.75
"""Two places as clear as this beside each other can't be told apart."""
USUAL_MARK_COLUMNS = (8, 108)

Way = Literal["up", "down", "left", "right"]
_WAYS: dict[Way, Point] = {"up": (0.0, -1.0), "down": (0.0, 1.0), "left": (-1.0, 0.0), "right": (1.0, 0.0)}


@dataclass(frozen=True, slots=True, eq=False)
class Hints:
    """What the person pointed out: places x, y [px], and the way the rim runs past the pointer."""

    pointer_at: Point | None = None
    rim_at: Point | None = None
    mark_at: Point | None = None
    runs: Way | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Aim:
    """A view that the tracker follows, tip and rim edge in the last frame tried, and remarks in words."""

    view: View
    image: NDArray[np.uint8]
    tip_px: Point
    rim_px: Point
    notes: tuple[str, ...]


def aim(frames: list[Frame], direction: Direction, side: Side | None, hints: Hints) -> Aim:
    """Find where things are in the frames of a turning wheel, and try the find out with the tracker.

    Positive is from the rim to the pointer for a pointer on the right or outside, and from the pointer to the
    rim for one on the left. The wheel is taken to roll forward in these frames.

    Parameters
    ----------
    frames : list of Frame
        About four seconds, the camera at rest, the wheel turning.
    direction : 'lateral' or 'radial'
        Of the runout to be measured.
    side : 'right', 'left', 'outer' or None
        Of the rim that the pointer faces; 'outer' for radial. None: worked out from the way the rim runs.
    hints : Hints
        What the person pointed out.

    Raises
    ------
    FrameTrouble, BadInput
        Too few frames, or a hint outside the picture.
    PointerNotSeen, RimNotSeen, NotTrustworthy
        Nothing that could be pointer and rim, they can't be followed, or the side that was said contradicts the
        way the rim runs; the message says what would help.
    """
    if len(frames) < LEAST_FRAMES:
        raise FrameTrouble("frames", f"{len(frames)} are too few to aim with; give at least {LEAST_FRAMES}")
    height, width = frames[0].image.shape[:2]
    _check_hints(hints, width, height)
    facings = find_facings(frames, hints.pointer_at, hints.rim_at)
    if not facings:
        raise _nothing_found(hints)
    _check_rivals(facings, hints)
    return _aim_at(facings[0], frames, direction, side, hints)


def _aim_at(
    facing: Facing, frames: list[Frame], direction: Direction, side: Side | None, hints: Hints
) -> Aim:
    strips = rim_strips(frames, facing, facing.width_px)
    mark, notes = _mark(facing, strips, hints.mark_at)
    forward = _forward(facing, strips, hints.runs)
    faced = "outer" if direction == "radial" else _side(facing, forward, side, hints.runs)
    view = _view(facing, direction, faced, forward=forward, mark=mark)
    tags = find_tag_box(frames, view.forward)
    if tags is not None:
        box, numbers = tags
        view = replace(view, tag_box=box)
        notes = (
            f"{len(numbers)} numbered tags were read: the wheel's place is told by tags, a mark isn't needed.",
        )
    spokes = find_spoke_box(frames, facing, view)
    if spokes is None:
        by = "the mark" if tags is None else "the tags"
        notes = (*notes, f"Spokes don't stand out beside the rim; {by} alone will tell the wheel's place.")
    view = replace(view, spoke_box=spokes)
    try:
        return _tried(view, facing, frames, notes)
    except (RimNotSeen, NotTrustworthy) as trouble:
        # Spokes may stand close before the edge: it is sought where it moves and hardly farther.
        box = _rim_box(facing, MARGINS[1])
        narrow = replace(view, edges=(replace(view.edges[0], rim_box=box),))
        with contextlib.suppress(RimNotSeen, NotTrustworthy):
            return _tried(narrow, facing, frames, notes)
        raise trouble


def _check_rivals(facings: list[Facing], hints: Hints) -> None:
    if hints.pointer_at is None and len(facings) > 1 and facings[1].score > ALIKE_SHARE * facings[0].score:
        places = [facing.still.patch.to_picture(*facing.tip) for facing in facings[:2]]
        (x, y), (other_x, other_y) = places
        raise NotTrustworthy(
            f"two things look like the pointer, one that ends at {x:.0f},{y:.0f} and one at {other_x:.0f},{other_y:.0f}; "
            "say which with --pointer-at, or put something plain behind"
        )


def _check_hints(hints: Hints, width: int, height: int) -> None:
    for name, place in (("pointer", hints.pointer_at), ("rim", hints.rim_at), ("mark", hints.mark_at)):
        if place is not None and not (0 <= place[0] < width and 0 <= place[1] < height):
            raise BadInput(
                f"--{name}-at {place[0]:g},{place[1]:g} lies outside the picture of {width} × {height} pixels"
            )


def _nothing_found(hints: Hints) -> PointerNotSeen | RimNotSeen:
    if hints.pointer_at is not None:
        return RimNotSeen(
            "no rim edge was found ahead of a pointer tip there; check that it is the tip itself, "
            "that the wheel turns, and that the tip is a few millimetres from the rim"
        )
    return PointerNotSeen(
        "no pointer was found beside a turning rim; bring the camera closer, put something plain behind the "
        "pointer, add light, or say where its tip is with --pointer-at x,y"
    )


def _forward(facing: Facing, strips: FloatArray, runs: Way | None) -> Point:
    if runs is not None:
        ways = [to_picture_way(facing, way) for way in (1, -1)]
        fits = [float(np.dot(way, _WAYS[runs])) for way in ways]
        if max(fits) < 0.5:
            other = "left or right" if runs in ("up", "down") else "up or down"
            raise BadInput(f"the rim's edge doesn't run {runs} in this picture; say --runs {other}")
        return ways[int(np.argmax(fits))]
    way, sure = running_way(strips)
    if not sure:
        raise NotTrustworthy(
            "which way the rim runs can't be told from these frames; turn the wheel forward more slowly, "
            "stick a mark of strong colour on the rim, or say it with --runs up, down, left or right"
        )
    return to_picture_way(facing, way)


def _side(facing: Facing, forward: Point, said: Side | None, runs: Way | None) -> Side:
    """Side of the wheel that the pointer is on.

    Seen from outside, toward the axle, the rider's right lies to the right of the way the rim runs as the wheel rolls
    forward: behind the rider it runs up, before him down, and there right and left change places too.
    """
    inward = _inward(facing)
    pointer_is_right = -inward[0] * -forward[1] - inward[1] * forward[0] > 0.0
    seen: Side = "right" if pointer_is_right else "left"
    if said is None or said == seen or runs is not None:
        return said or seen
    now, other = (
        max(_WAYS, key=lambda way: float(np.dot(_WAYS[way], sign * np.array(forward)))) for sign in (1, -1)
    )
    raise NotTrustworthy(
        f"the rim runs {now} in the picture, so the pointer is on the wheel's {seen} side if the wheel rolled forward, "
        f"not on its {said}; if it was turned backward add --runs {other}, and if the camera looks out from inside the "
        f"wheel add --runs {now}"
    )


def _mark(facing: Facing, strips: FloatArray, mark_at: Point | None) -> tuple[Box | None, tuple[str, ...]]:
    if mark_at is not None:
        u, _ = facing.still.patch.to_patch(*mark_at)
        middle, half = u - facing.edge_u, 20 * facing.still.unit
        return mark_box(facing, (round(middle - half), round(middle + half))), ()
    columns = find_mark_columns(strips)
    if columns is not None:
        return mark_box(facing, columns), ()
    note = (
        "No coloured mark came by; stick one on the rim at the valve, or place it with --mark-at x,y; "
        "without one, begin the film with a spoke at the pointer and give `measure` its number with --start-spoke."
    )
    return mark_box(facing, USUAL_MARK_COLUMNS), (note,)


def _view(
    facing: Facing,
    direction: Direction,
    side: Side,
    *,
    forward: Point,
    mark: Box | None,
) -> View:
    """Put boxes round tip and edge as the tracker wants them."""
    patch, (tip_u, tip_v), unit = facing.still.patch, facing.tip, facing.still.unit
    pointer = turned_box(
        patch, tip_u - 40 * unit, tip_u + facing.ahead_px, tip_v - facing.half_px, tip_v + facing.half_px
    )
    if pointer is None:
        raise PointerNotSeen("the pointer's tip is too close to the picture's border; move the camera")
    inward = _inward(facing)
    level = mark is not None and abs(_middle_v(facing, mark) - tip_v) <= 1.0
    return View(
        direction=direction,
        image_size=(patch.box[2], patch.box[3]),
        positive=inward if side == "left" else -inward,
        forward=np.array(forward),
        edges=(Edge(side=side, pointer_box=pointer, rim_box=_rim_box(facing, MARGINS[0])),),
        mark_box=mark,
        mark_to_pointer_deg=0.0 if level else None,
    )


def _rim_box(facing: Facing, margin: tuple[float, float]) -> Box:
    tip_v, half = facing.tip[1], HALF_EDGE_PX * facing.still.unit
    box = turned_box(facing.still.patch, *facing.sought_u(margin), tip_v - half, tip_v + half)
    if box is None:
        raise RimNotSeen("the rim's edge is too close to the picture's border; move the camera")
    return box


def _middle_v(facing: Facing, box: Box) -> float:
    x, y, width, height = box
    return facing.still.patch.to_patch(x + (width - 1) / 2.0, y + (height - 1) / 2.0)[1]


def _tried(view: View, facing: Facing, frames: list[Frame], notes: tuple[str, ...]) -> Aim:
    """Follow pointer and rim through some of the frames; an aim that can't be followed is none."""
    tracker = Tracker.of_frames(view, frames[:LEARNING_FRAMES])
    tried = frames[:TRIED_FRAMES]
    cuts = tracker.cut(tried)
    seen = tracker.read(cuts)[0]
    good = np.flatnonzero((seen.lost == SEEN) & (seen.gap_px > 0.0))
    if len(good) < LEAST_SEEN_SHARE * len(tried):
        raise NotTrustworthy(
            f"pointer and rim were found, but could be followed in {len(good)} of {len(tried)} frames only; "
            "bring the camera closer, add light, put something plain behind them, or point them out with "
            "--pointer-at and --rim-at"
        )
    right = _with_the_rim(facing, seen)
    last = int(good[np.isin(good, right)][-1])
    follower, rims = tracker.followers[0], cuts[0][1][good]
    places = np.array([follower.rim_patch.to_patch(*place)[0] for place in seen.rim_px[good]])
    rivals = rival_edges(outline_scores(rims, follower.outline), follower.outline, places)
    notes = (*notes, *_rival_notes(rivals))
    (tip_x, tip_y), (rim_x, rim_y) = seen.tip_px[last], seen.rim_px[last]
    return Aim(view, tried[last].image, (float(tip_x), float(tip_y)), (float(rim_x), float(rim_y)), notes)


def _with_the_rim(facing: Facing, seen: Sightings) -> IntArray:
    """Frames whose edge lies where the rim as a whole says; refuse one that doesn't: a spoke's, say, or a decal's."""
    patch, unit, every = facing.still.patch, facing.still.unit, facing.course.every
    followed = np.array([patch.to_patch(x, y)[0] for x, y in seen.rim_px[::every]])
    off = followed - facing.edge_u - facing.course.moves_px[: len(followed)]
    near = np.abs(off) < MOST_OFF_PX * unit
    usual = float(np.nanmedian(off)) if np.isfinite(off).any() else np.inf
    if near.sum() < LEAST_SEEN_SHARE * np.isfinite(off).sum() or abs(usual) > USUAL_OFF_PX * unit:
        raise NotTrustworthy(
            "what is followed there isn't the rim's own edge, for the rim moves otherwise; put something plain "
            "behind it that is much brighter or darker than the rim, or turn the camera so that spokes don't "
            "stand close before the edge"
        )
    return np.flatnonzero(near) * every


def _rival_notes(apart_px: FloatArray) -> tuple[str, ...]:
    """Say where another edge could pass for the rim's; nothing where there is none."""
    if not len(apart_px):
        return ()
    nearest = float(apart_px[np.abs(apart_px).argmin()])
    where = "farther from" if nearest > 0.0 else "nearer to"
    return (
        f"A second edge that looks alike lies {abs(nearest):.0f} pixels {where} the pointer. If the line in the "
        "picture isn't on the rim's very edge, aim again with --rim-at x,y.",
    )


def _inward(facing: Facing) -> FloatArray:
    """Unit vector (2,) square to the rim's edge, from the pointer into the rim."""
    patch = facing.still.patch
    start, end = patch.to_picture(0.0, 0.0), patch.to_picture(1.0, -facing.slope)
    return np.asarray(np.subtract(end, start) / np.hypot(1.0, facing.slope))
