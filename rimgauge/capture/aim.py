"""Aim: find pointer, rim edge, mark and spokes in the first frames of a turning wheel."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from rimgauge.capture.aim_facing import MARGINS, Facing, find_facings, find_foremost
from rimgauge.capture.aim_look import Point, Usual, enlarged, made_usual, turned_box, zoomed
from rimgauge.capture.aim_motion import find_spoke_box, mark_told
from rimgauge.capture.aim_passing import what_passes
from rimgauge.capture.aim_trial import Aim, OutOfSight, not_the_tip, tried
from rimgauge.capture.aim_way import Way, forward_of, side_of
from rimgauge.capture.patch import with_boxes
from rimgauge.capture.sources import Frame
from rimgauge.capture.tags import find_tag_box
from rimgauge.capture.tracker import LEARNING_FRAMES
from rimgauge.capture.working_size import LOOKED_AT, reduced, reduced_frames, times_softer
from rimgauge.errors import BadInput, FrameTrouble, NotTrustworthy, PointerNotSeen, RimgaugeError, RimNotSeen
from rimgauge.records import Box, Direction, Edge, Side, View

COLOURS = (0, 2)
"""Blue and red of a picture's colours; green is much like its brightness."""
AIM_FRAMES = 120
"""Four seconds of a webcam: about two turns by hand, so that the mark comes by."""
LEAST_FRAMES = 20
ALIKE_SHARE = 0.75
"""Two places as clear as this beside each other can't be told apart."""
LESS_PX, LEAST_HALF_PX, LEAST_AHEAD_PX = 5.0, 6.0, 2.0
"""Room beside a tip that is left out where something else stands there, and what is left to both sides and ahead."""
CORNER_HALF_PX = 20.0
"""Of a corner more is followed than its very tip, where there is room: spokes that pass close behind draw that aside."""
NEAR_TIP, FARTHEST_TIP = 0.5, 0.7
"""A tip is near where it was found up to such a share of what is allowed in a single room, and in none much farther."""

Look = Literal["all", "surer edges", "colours"]
"""What is looked at: all by brightness, so but for faint edges that spokes may be, or a single colour."""


@dataclass(frozen=True, slots=True, eq=False)
class Hints:
    """What the person pointed out: places x, y [px], and the way the rim runs past the pointer."""

    pointer_at: Point | None = None
    rim_at: Point | None = None
    mark_at: Point | None = None
    runs: Way | None = None

    def zoomed(self, zoom: float) -> Hints:
        """The same in a picture enlarged by zoom."""
        pointer, rim, mark = (
            None if place is None else zoomed(place, zoom)
            for place in (self.pointer_at, self.rim_at, self.mark_at)
        )
        return Hints(pointer, rim, mark, self.runs)


def aim(
    frames: list[Frame],
    direction: Direction,
    side: Side | None,
    hints: Hints,
    later: Iterable[Frame] = (),
    size: tuple[int, int] | None = None,
) -> Aim:
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
    later : iterable of Frame
        What comes after them; read as far as is needed where they don't tell the way the rim runs or show no mark.
    size : (width, height), optional
        Of the camera's pictures [px], in which hints and answers are, where these frames are reduced.

    Raises
    ------
    FrameTrouble, BadInput
        Too few frames, or a hint outside the picture.
    PointerNotSeen, RimNotSeen, NotTrustworthy
        Nothing that could be pointer and rim, they can't be followed, or the side that was said contradicts the
        way the rim runs; the message says what would help.
    """
    film, usual = _film(frames, hints, size)
    facing = film.clearest("all")
    may_be_spokes = hints.rim_at is None and facing.edge_is_passed
    coming, *kept = itertools.tee(map(usual.of, later), 1 + may_be_spokes)
    view, notes = film.sought(facing, direction, side, coming)
    try:
        return film.followed(facing, view, notes)
    except (PointerNotSeen, RimNotSeen, NotTrustworthy) as trouble:
        for look, coming in film.looks_again(kept, trouble):
            with suppress(RimgaugeError):
                facing = film.clearest(look)
                return film.followed(facing, *film.sought(facing, direction, side, coming))
        raise


@dataclass(frozen=True, slots=True, eq=False)
class _Film:
    """Frames to try an aim out on and in usual size, and what was pointed out in those of usual size.

    size: of the camera's pictures, which are so many times larger than the frames, and zoom times than those of usual size.
    """

    frames: list[Frame]
    small: list[Frame]
    size: tuple[int, int]
    times: int
    zoom: float
    hints: Hints

    def looks_again(
        self, kept: list[Iterator[Frame]], trouble: RimgaugeError
    ) -> Iterator[tuple[Look, Iterator[Frame]]]:
        """What to look at where what was found can't be followed, each with the later frames it may look on in.

        kept: those once more, where the edge may be spokes: of a wheel nearly true those that bunch move as little.
        """
        yield from (("surer edges", later) for later in kept)
        if self.hints.pointer_at is None and not isinstance(trouble, OutOfSight):
            # A red card before a wall as bright stands out in single colours alone, and something else by brightness.
            yield "colours", iter(())

    def clearest(self, look: Look) -> Facing:
        """The pointer and the edge it faces; raises NotTrustworthy where two can't be told apart and none was pointed at."""
        find = _coloured_facings if look == "colours" else _facings
        facings = find(self.small, self.hints, strictly=look == "surer edges")
        _check_rivals(facings, self.hints, self.zoom)
        if facings[0].may_be_nearer:
            raise _nothing_found(self.hints)
        return facings[0]

    def sought(
        self, facing: Facing, direction: Direction, side: Side | None, later: Iterator[Frame]
    ) -> tuple[View, tuple[str, ...]]:
        """What else is seen, as a view of the camera's pictures, and remarks."""
        view, notes = _seen(facing, self.small, direction, side, self.hints, later)
        view = with_boxes(view, self.size, lambda box: enlarged(box, self.zoom, self.size))
        return _with_tags(view, self.frames, self.times, notes)

    def followed(self, facing: Facing, view: View, notes: tuple[str, ...]) -> Aim:
        """The view tried out, at the size at which the frames are sharp."""
        some = self.frames[:: len(self.frames) // LOOKED_AT][:LOOKED_AT]
        softer = times_softer(some, reduced(view, self.times))
        with _pointed_out(self.hints):
            tried_on = list(reduced_frames(self.frames[:LEARNING_FRAMES], softer))
            return _followed(view, facing, tried_on, self.times * softer, self.zoom, notes)


def _film(frames: list[Frame], hints: Hints, size: tuple[int, int] | None) -> tuple[_Film, Usual]:
    """Frames and hints made ready to be looked at, and what makes later frames so; raises where there is too little of them."""
    if len(frames) < LEAST_FRAMES:
        raise FrameTrouble("frames", f"{len(frames)} are too few to aim with; give at least {LEAST_FRAMES}")
    size = size or frames[0].image.shape[1::-1]
    _check_hints(hints, *size)
    small, usual = made_usual(frames)
    times = size[0] // frames[0].image.shape[1]
    zoom = usual.zoom * times
    return _Film(frames, small, size, times, zoom, hints.zoomed(1.0 / zoom)), usual


def _facings(frames: list[Frame], hints: Hints, *, strictly: bool = False) -> list[Facing]:
    """Pointers and the edges they face by brightness; where it shows none, by blue light alone, and by red.

    A yellow tie is as bright as a grey wall, but gives hardly any blue light. strictly: as find_facings takes it.
    """
    trouble: PointerNotSeen | RimNotSeen = _nothing_found(hints)
    found: list[Facing] = []
    try:
        found = find_facings(frames, hints.pointer_at, hints.rim_at, strictly=strictly)
    except PointerNotSeen as told:
        trouble = told
    contested = not found or _are_rivals(found)
    if hints.pointer_at is None and (contested or found[0].end.is_crossed):
        # That the rim comes to something's tip in one colour is no matter where another pointer is plain.
        with nullcontext() if contested else suppress(PointerNotSeen):
            foremost = _foremost(frames, hints, strictly=strictly)
            if foremost is not None:
                return [foremost]
    if not found:
        with suppress(PointerNotSeen, RimNotSeen):
            found = _coloured_facings(frames, hints, strictly=strictly)
    if not found:
        raise trouble
    return found


def _coloured_facings(frames: list[Frame], hints: Hints, *, strictly: bool) -> list[Facing]:
    """Pointers and the edges they face by blue light alone, or where that shows none by red."""
    for channel in COLOURS:
        with suppress(PointerNotSeen, RimNotSeen):
            return find_facings(
                _of_channel(frames, channel), hints.pointer_at, hints.rim_at, strictly=strictly
            )
    raise _nothing_found(hints)


def _foremost(frames: list[Frame], hints: Hints, *, strictly: bool) -> Facing | None:
    """The one thing that spokes are seen to pass behind, by brightness, blue light or red; None where there is none."""
    found: list[Facing | None] = []
    for seen in (frames, *(_of_channel(frames, channel) for channel in COLOURS)):
        with suppress(RimNotSeen):
            found.append(find_foremost(seen, hints.rim_at, strictly=strictly))
    return next((facing for facing in found if facing is not None), None)


def _of_channel(frames: list[Frame], channel: int) -> list[Frame]:
    """The frames as grey ones of one of their colours."""
    return [replace(frame, image=frame.image[:, :, [channel] * 3]) for frame in frames]


@contextmanager
def _pointed_out(hints: Hints) -> Iterator[None]:
    """Where the person pointed the edge out and what is there won't do, say that too, and don't ask for it."""
    try:
        yield
    except (RimNotSeen, NotTrustworthy) as trouble:
        if hints.rim_at is None:
            raise
        if "--rim-at" not in str(trouble):
            said = f"{trouble} (or the place given with --rim-at is not on the rim's very edge)"
            raise type(trouble)(said) from trouble
        raise type(trouble)(
            "the place given with --rim-at doesn't seem to lie on the rim's edge: what is there doesn't move as a rim "
            "does, or can't be followed; give the rim's very edge beside the tip, or leave --rim-at out (if it is right, "
            "bring the camera closer, add light, or put something plain behind)"
        ) from trouble


def _followed(
    view: View, facing: Facing, frames: list[Frame], times: int, zoom: float, notes: tuple[str, ...]
) -> Aim:
    """Try the view out; where tip or edge isn't what is followed, try again with less room round it.

    The frames are so many times smaller than those the view is of.
    Of rooms in which the tip is followed the first counts that has it near where it was found, else the nearest.
    """
    less_half, less_ahead = max(LEAST_HALF_PX, facing.half_px - LESS_PX), min(LEAST_AHEAD_PX, facing.ahead_px)
    most_half = facing.half_px if facing.end.half_px else max(facing.half_px, CORNER_HALF_PX)
    halves, aheads = (most_half, facing.half_px, less_half), dict.fromkeys((facing.ahead_px, less_ahead))
    rooms = [(half, ahead) for half in dict.fromkeys(halves) for ahead in aheads]
    margins, found = list(MARGINS), list[Aim]()
    first: PointerNotSeen | RimNotSeen | NotTrustworthy | None = None
    while rooms and margins:
        boxes = _boxes(facing, rooms[0], margins[0])
        pointer, rim = (enlarged(box, zoom, view.image_size) for box in boxes)
        view = replace(view, edges=(replace(view.edges[0], pointer_box=pointer, rim_box=rim),))
        try:
            found.append(tried(view, facing, frames, times, zoom, notes))
        except (RimNotSeen, NotTrustworthy) as trouble:
            # Spokes may stand close before the edge.
            first = first or trouble
            del margins[0]
        except PointerNotSeen as trouble:
            # Something may stand close beside the tip.
            first = first or trouble
            del rooms[0]
        else:
            if found[-1].tip_off < NEAR_TIP:
                return found[-1]
            del rooms[0]
    nearest = min(found, key=lambda one: one.tip_off, default=None)
    if nearest is None or nearest.tip_off > FARTHEST_TIP:
        raise first or not_the_tip() from None
    return nearest


def _seen(
    facing: Facing,
    frames: list[Frame],
    direction: Direction,
    side: Side | None,
    hints: Hints,
    later: Iterator[Frame],
) -> tuple[View, tuple[str, ...]]:
    """What is seen of rim, mark and spokes in pictures of usual size, as their view."""
    way_asked, mark_asked, beyond = hints.runs is None, hints.mark_at is None, direction == "lateral"
    told, columns = what_passes(frames, facing, later, way=way_asked, mark=mark_asked, beyond=beyond)
    mark, notes = mark_told(facing, columns, hints.mark_at)
    forward = forward_of(facing, told, hints.runs, rim_pointed_at=hints.rim_at is not None)
    faced = "outer" if direction == "radial" else side_of(facing, forward, side, hints.runs)
    view = _view(facing, direction, faced, forward=forward, mark=mark)
    return replace(view, spoke_box=find_spoke_box(frames, facing, view)), notes


def _with_tags(
    view: View, frames: list[Frame], times: int, notes: tuple[str, ...]
) -> tuple[View, tuple[str, ...]]:
    """The view with numbered tags where there are some, and what a person should know of what tells the wheel's place.

    The frames are so many times smaller than those the view is of.
    """
    tags, by = find_tag_box(frames, view.forward), "the mark"
    if tags is not None:
        box, numbers = tags
        view, by = replace(view, tag_box=enlarged(box, times, view.image_size)), "the tags"
        notes = (
            f"{len(numbers)} numbered tags were read: the wheel's place is told by tags, a mark isn't needed.",
        )
    if view.spoke_box is None:
        notes = (
            *notes,
            f"No spokes are in view beside the rim; {by} alone will tell the wheel's place. If you can, move the camera so "
            "that spokes pass in the picture, and aim again.",
        )
    return view, notes


def _are_rivals(facings: list[Facing]) -> bool:
    """Whether the two clearest can't be told apart."""
    return len(facings) > 1 and facings[1].score > ALIKE_SHARE * facings[0].score


def _check_rivals(facings: list[Facing], hints: Hints, zoom: float) -> None:
    if hints.pointer_at is None and _are_rivals(facings):
        places = [zoomed(facing.still.patch.to_picture(*facing.tip), zoom) for facing in facings[:2]]
        (x, y), (other_x, other_y) = places
        raise NotTrustworthy(
            f"two things look like the pointer, one that ends at {x:.0f},{y:.0f} and one at {other_x:.0f},{other_y:.0f}; "
            f"say which with --pointer-at{_both(facings)}, or put something plain behind"
        )


def _both(facings: list[Facing]) -> str:
    """What else can be said of two that come from opposite sides, as pointers at both edges of the rim do."""
    stills = [facing.still.patch for facing in facings[:2]]
    opposed = stills[0].transposed == stills[1].transposed and stills[0].flipped != stills[1].flipped
    return " and the one on the wheel's other side with --second-pointer-at" if opposed else ""


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
        "pointer, add light, or say where its tip is with --pointer-at X,Y"
    )


def _view(
    facing: Facing,
    direction: Direction,
    side: Side,
    *,
    forward: Point,
    mark: Box | None,
) -> View:
    """Put boxes round tip and edge as the tracker wants them."""
    patch = facing.still.patch
    pointer, rim = _boxes(facing, (facing.half_px, facing.ahead_px), MARGINS[0])
    inward = facing.inward
    return View(
        direction=direction,
        image_size=(patch.box[2], patch.box[3]),
        positive=inward if side == "left" else -inward,
        forward=np.array(forward),
        edges=(Edge(side=side, pointer_box=pointer, rim_box=rim),),
        mark_box=mark,
    )


def _boxes(facing: Facing, room: tuple[float, float], margin: tuple[float, float]) -> tuple[Box, Box]:
    """Boxes of the tip, with room to both sides and ahead, and of the rim's edge, with a margin along its way."""
    patch, (tip_u, tip_v), (half, ahead) = facing.still.patch, facing.tip, room
    half_edge = facing.half_edge_px
    pointer = turned_box(patch, tip_u - 40, tip_u + ahead, tip_v - half, tip_v + half)
    rim = turned_box(patch, *facing.sought_u(margin), tip_v - half_edge, tip_v + half_edge)
    if pointer is None:
        raise PointerNotSeen("the pointer's tip is too close to the picture's border; move the camera")
    if rim is None:
        raise RimNotSeen("the rim's edge is too close to the picture's border; move the camera")
    return pointer, rim
