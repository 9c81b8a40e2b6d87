"""From frames to a GapTrack: pointer and rim edge in the same frame, and the evidence for the angle."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.edge import EdgeFit, EdgeShape, fit_edge
from rimgauge.capture.mark import SPOKE_BINS, STRIP_BINS, find_mark, strip_along, strip_centre_px
from rimgauge.capture.outline import Outline, learn_outline, nearest_edge
from rimgauge.capture.patch import GreyArray, Patch, check_boxes, inward, patch_of
from rimgauge.capture.pointer import PointerLook, learn_pointer
from rimgauge.capture.shape import least_outside_px
from rimgauge.capture.shift import MARGIN_PX, Shift, find_shift
from rimgauge.capture.slide import find_slide
from rimgauge.capture.sources import Frame
from rimgauge.capture.steadiness import stretches
from rimgauge.errors import FrameTrouble, RimNotSeen
from rimgauge.records import BoolArray, Box, Edge, EdgeTrack, FloatArray, GapTrack, View

LEARNING_FRAMES = 60
"""So many frames are looked at before the first gap is read: two seconds of a webcam."""
LEAST_QUALITY = 0.25
MOST_VAGUE, LEAST_VAGUE_PX = 3.0, 0.05
"""A frame counts as vague when its standard error is so many times the usual one, and worth a word at all."""
SHIFT_NOISE_FACTOR = 2.0
"""What passes behind the pointer and its own texture make its shift about twice as uncertain as it states: 1.6 to
2.3 times on ray-traced scenes, whose shake is known."""
BAND_ROOM_PX = 18
LEAST_REACH_PX, MOVES_AHEAD, LEARNING_RATE = 3.0, 4.0, 0.2
"""The edge is sought within so much and so many usual moves of its last place; the usual move is a running mean."""
TIP_CLEARANCE_PX = 3.0
"""Nearer to the tip than this, the rim's edge and the pointer's are one blur."""


@dataclass(frozen=True, slots=True, eq=False)
class Sighting:
    """What one frame says of one pointer: gap [px] with its standard error, tip and rim in the picture."""

    gap_px: float
    standard_error_px: float
    quality: float
    tip_px: tuple[float, float]
    rim_px: tuple[float, float]
    shift_px: float
    shift_error_px: float
    lost: str


_NOWHERE = (math.nan, math.nan)
NOTHING = Sighting(
    math.nan, math.nan, 0.0, _NOWHERE, _NOWHERE, math.nan, math.nan, "the rim's edge was not found"
)


Cut = tuple[GreyArray, GreyArray]
"""What is kept of a picture for one edge: the pointer's patch with its margin, and the rim's."""


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """Where pointer and rim of one edge are cut out of a picture."""

    pointer: Patch
    rim: Patch

    def cut(self, image: NDArray[np.uint8]) -> Cut:
        return self.pointer.cut(image, MARGIN_PX), self.rim.cut(image)


class EdgeFollower:
    """One pointer and the rim edge it faces, followed from frame to frame.

    Holds the only state of tracking: where the edge was last, how far it usually moves from frame to frame, and
    for how many frames it wasn't seen.
    """

    def __init__(self, view: View, edge: Edge, place: _Place, cuts: list[Cut]) -> None:
        self.place, self.rim_patch = place, place.rim
        name = f"the {edge.side} pointer's box" if edge.side != "outer" else "the pointer's box"
        self.look: PointerLook = learn_pointer([pointer for pointer, _ in cuts], name)
        self.tip = place.rim.to_patch(*place.pointer.to_picture(self.look.tip_u, self.look.tip_v))
        self.du, self.dv = self.rim_patch.turn(inward(view, edge))
        forward_u, forward_v = self.rim_patch.turn(view.forward)
        slope = forward_u / forward_v if abs(forward_v) > 0.2 else 0.0
        self.outline: Outline = learn_outline(
            [rim for _, rim in cuts],
            slope,
            self.tip[1],
            BAND_ROOM_PX,
            math.ceil(self.tip[0] + TIP_CLEARANCE_PX),
        )
        self.last_px: float | None = None
        self.usual_move_px = 0.0
        self.missed = 0
        self.shifted_px = (0.0, 0.0)

    def step(self, cut: Cut) -> Sighting:
        """Read the gap in what was cut out of one picture."""
        pointer, rim = cut
        shift = find_shift(self.look.look, pointer, self.shifted_px)
        if shift.agrees >= LEAST_QUALITY:
            self.shifted_px = (shift.du_px, shift.dv_px)
        fit = self._follow(rim)
        if fit is None:
            return NOTHING
        quality = min(fit.quality, shift.agrees)
        lost = "" if quality >= LEAST_QUALITY else "the rim's edge or the pointer was covered or too faint"
        return self._sighting(fit, shift, quality, lost)

    def _follow(self, patch: GreyArray) -> EdgeFit | None:
        """Fit the edge where it can be by now: a rim doesn't jump, another edge in its box seems to."""
        reach_px = (LEAST_REACH_PX + MOVES_AHEAD * self.usual_move_px) * (1 + self.missed)
        start = nearest_edge(patch, self.outline, self.last_px, reach_px)
        fit = None
        if start is not None:
            fit = fit_edge(patch, start, self.tip[1], self._clear_of_pointer(start))
        if fit is None:
            self.missed += 1
            return None
        if self.last_px is not None:
            move_px = abs(fit.place_px - self.last_px) / (1 + self.missed)
            self.usual_move_px += LEARNING_RATE * (move_px - self.usual_move_px)
        self.last_px, self.missed = fit.place_px, 0
        return fit

    def _clear_of_pointer(self, edge_px: float) -> EdgeShape:
        """The outline's shape with a band that ends short of the pointer, as far as the edge's blur allows."""
        shape = self.outline.shape
        room_px = int(edge_px - self.tip[0]) - 1
        return replace(shape, outside_px=min(shape.outside_px, max(room_px, least_outside_px(shape))))

    def _sighting(self, fit: EdgeFit, shift: Shift, quality: float, lost: str) -> Sighting:
        tip_u, tip_v = self.tip[0] + shift.du_px, self.tip[1] + shift.dv_px
        edge_u = fit.place_px + fit.slope * shift.dv_px
        gap = (edge_u - tip_u) / (self.du - fit.slope * self.dv)
        tip = self.rim_patch.to_picture(tip_u, tip_v)
        rim = self.rim_patch.to_picture(tip_u + gap * self.du, tip_v + gap * self.dv)
        return Sighting(
            gap, fit.standard_error_px, quality, tip, rim, shift.du_px, shift.standard_error_px, lost
        )


def _widened(box: Box, view: View) -> Box:
    """The rim's box with room on both sides of it for the band of the fit, cut at the picture's border."""
    x, y, width, height = box
    if abs(view.positive[0]) >= abs(view.positive[1]):
        left, right = max(0, x - BAND_ROOM_PX), min(view.image_size[0], x + width + BAND_ROOM_PX)
        return (left, y, right - left, height)
    top, bottom = max(0, y - BAND_ROOM_PX), min(view.image_size[1], y + height + BAND_ROOM_PX)
    return (x, top, width, bottom - top)


class Tracker:
    """Everything that is followed in a view; made from the first frames, then stepped through all of them.

    first: what was cut out of the first frames, edge by edge; whole pictures are not kept.
    """

    def __init__(self, view: View, frames: Iterable[Frame]) -> None:
        check_boxes(view)
        self._places = [
            _Place(patch_of(view, edge, edge.pointer_box), patch_of(view, edge, _widened(edge.rim_box, view)))
            for edge in view.edges
        ]
        self.first: list[list[Cut]] = []
        for frame in frames:
            if not self.first:
                _check_size(frame, view)
            self.first.append([place.cut(frame.image) for place in self._places])
        if not self.first:
            raise FrameTrouble("frames", "there are no frames to look at")
        by_edge = zip(view.edges, self._places, zip(*self.first, strict=True), strict=True)
        self.followers = [EdgeFollower(view, edge, place, list(cuts)) for edge, place, cuts in by_edge]

    def sight(self, frame: Frame) -> list[Sighting]:
        """Read the gap of every pointer in one frame."""
        return self.read([place.cut(frame.image) for place in self._places])

    def read(self, cuts: list[Cut]) -> list[Sighting]:
        """Read the gap of every pointer in what was cut out of one frame."""
        return [follower.step(cut) for follower, cut in zip(self.followers, cuts, strict=True)]


def _check_size(frame: Frame, view: View) -> None:
    height, width = frame.image.shape[:2]
    if (width, height) != view.image_size:
        raise FrameTrouble(
            "frames",
            f"the frames are {width} × {height} pixels, but the view was made for {view.image_size[0]} × "
            f"{view.image_size[1]}; run aim again on these frames",
        )


def mark_strip(frame: Frame, view: View) -> NDArray[np.uint8]:
    """Colours along the mark's path, (0, 3) where the view has no mark."""
    box = view.mark_box
    if box is None:
        return np.empty((0, 3), dtype=np.uint8)
    return strip_along(frame.image, view, box, STRIP_BINS, whole=True)


def spoke_strip(frame: Frame, view: View) -> FloatArray:
    """Brightness along the spokes' path, (0,) where the view has no spoke box."""
    box = view.spoke_box
    if box is None:
        return np.empty(0)
    return np.asarray(strip_along(frame.image, view, box, SPOKE_BINS, whole=False).mean(axis=1))


def track(frames: Iterable[Frame], view: View) -> GapTrack:
    """Follow pointer and rim through all frames.

    Parameters
    ----------
    frames : in the order of time.
    view : where things are in the picture.

    Returns
    -------
    GapTrack

    Raises
    ------
    BadInput, FrameTrouble, PointerNotSeen, RimNotSeen
    """
    times: list[float] = []
    # Plain bytes: an array object for each strip would take as much again.
    marks, spokes = bytearray(), bytearray()

    def noted() -> Iterator[Frame]:
        for frame in frames:
            _check_size(frame, view)
            times.append(frame.time_s)
            marks.extend(mark_strip(frame, view).tobytes())
            spokes.extend(spoke_strip(frame, view).astype(np.float32).tobytes())
            yield frame

    stream = noted()
    tracker = Tracker(view, itertools.islice(stream, LEARNING_FRAMES))
    sightings = [tracker.read(cuts) for cuts in tracker.first]
    sightings += [tracker.sight(frame) for frame in stream]
    sides = _unmoved([_vague_left_out([s[k] for s in sightings]) for k in range(len(view.edges))])
    count = len(times)
    mark_px, strength, slide = np.full(count, np.nan), np.zeros(count), None
    if view.mark_box is not None:
        centre_bin, px_per_bin = strip_centre_px(view, view.mark_box, STRIP_BINS)
        strips = np.frombuffer(marks, dtype=np.uint8).reshape(count, STRIP_BINS, 3)
        mark_px, strength = find_mark(strips, centre_bin, px_per_bin)
        slide = find_slide(strips, px_per_bin)
    return GapTrack(
        time_s=np.array(times),
        sides=tuple(_edge_track(edge, side) for edge, side in zip(view.edges, sides, strict=True)),
        mark_px=mark_px,
        mark_strength=strength,
        spoke_profile=np.asarray(
            np.frombuffer(spokes, dtype=np.float32).reshape(count, len(spokes) // 4 // count)
        ),
        lost=tuple("; ".join(sorted({s.lost for s in each if s.lost})) for each in zip(*sides, strict=True)),
        slide=slide,
    )


def _vague_left_out(sightings: list[Sighting]) -> list[Sighting]:
    """Leave out frames whose edge is far less sure than usual: something stands half before it."""
    errors = [s.standard_error_px for s in sightings if not s.lost]
    limit_px = max(MOST_VAGUE * float(np.median(errors)), LEAST_VAGUE_PX) if errors else math.inf
    why = "the rim's edge was far less clear than usual"
    return [s if s.lost or s.standard_error_px <= limit_px else replace(s, lost=why) for s in sightings]


def _unmoved(sides: list[list[Sighting]]) -> list[list[Sighting]]:
    """Leave out all but the longest stretch in which neither camera nor pointer was moved for good.

    A pointer that was bent has another gap from then on, and after a knock the camera looks from elsewhere.
    """
    good = np.array([not any(s.lost for s in each) for each in zip(*sides, strict=True)])
    # Numbers of either side rise from jump to jump, so their sum tells every stretch apart.
    stretch = np.sum([stretches(np.array([s.tip_px for s in side]), good) for side in sides], axis=0)
    if stretch.max() == 0:
        return sides
    longest = np.argmax(np.bincount(stretch[good]))
    why = "the camera or the pointer was moved for good, and only the longer stretch counts"
    return [
        [
            s if s.lost or here == longest else replace(s, lost=why)
            for s, here in zip(side, stretch, strict=True)
        ]
        for side in sides
    ]


def _edge_track(edge: Edge, sightings: list[Sighting]) -> EdgeTrack:
    good = np.array([not s.lost for s in sightings])
    if not good.any():
        raise RimNotSeen(f"the rim's edge was not seen in any frame on the {edge.side} side; run aim again")
    gap_px = np.where(good, [s.gap_px for s in sightings], np.nan)
    shift_px = np.array([s.shift_px for s in sightings])
    shift_error_px = SHIFT_NOISE_FACTOR * np.array([s.shift_error_px for s in sightings])
    kept = _kept_share(shift_px, shift_error_px, good)
    # The gap shrinks as much as the tip is seen to move toward the rim; undo the part that is only noise.
    gap_px = gap_px + (1.0 - kept) * (shift_px - np.median(shift_px[good]))
    edge_error = np.array([s.standard_error_px for s in sightings])
    return EdgeTrack(
        side=edge.side,
        gap_px=gap_px,
        standard_error_px=np.hypot(edge_error, shift_error_px * np.sqrt(kept)),
        quality=np.array([s.quality for s in sightings]),
        tip_px=np.array([s.tip_px for s in sightings]),
        rim_px=np.array([s.rim_px for s in sightings]),
    )


def _kept_share(shift_px: FloatArray, error_px: FloatArray, good: BoolArray) -> FloatArray:
    """How much (n,) of the pointer's apparent shift in each frame is camera shake rather than noise of its fit.

    Shrinkage by the share of variance that the errors don't explain: a camera on a stand keeps none of the noise
    that a faint pointer would otherwise put into every gap.
    """
    seen = shift_px[good]
    spread = 1.4826 * float(np.median(np.abs(seen - np.median(seen))))
    shake = max(0.0, spread**2 - float(np.median(error_px[good])) ** 2)
    return np.asarray(shake / np.maximum(shake + error_px**2, 1e-12))
