"""From frames to a GapTrack: pointer and rim edge in the same frame, and the evidence for the angle."""

from __future__ import annotations

import contextlib
import itertools
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.beside import surest_follower, with_rows_beside
from rimgauge.capture.edge import LEAST_QUALITY
from rimgauge.capture.follower import BAND_ROOM_PX, Cut, Place, Shown, Sightings
from rimgauge.capture.mark import (
    SPOKE_BINS,
    STRIP_BINS,
    clear_of_rim,
    find_mark,
    light_along,
    make_colours_ready,
    patch_within,
    spoke_patch,
    strip_along,
    strip_centre_px,
    strips_of,
    without_flicker,
)
from rimgauge.capture.patch import check_boxes, patch_of
from rimgauge.capture.sift import check_clear, edge_track, moved_left_out, reasons, vague_left_out
from rimgauge.capture.slide import find_looks, find_slide
from rimgauge.capture.sources import Frame, ReadAhead
from rimgauge.capture.still_start import MOST_STILL_FRAMES, StillStart
from rimgauge.capture.tags import TagLog
from rimgauge.errors import FrameTrouble
from rimgauge.records import Box, FloatArray, GapTrack, RimLooks, Slide, View

LEARNING_FRAMES, LEAST_LEARNT = 60, 20
"""So many frames are looked at before the first gap is read: two seconds of a webcam; those before the wheel is turned don't
count if so many follow."""
TOGETHER, AHEAD_PARTS = 32, 2
"""So many frames are read in one go: numpy's own cost for a call is shared, and what they take stays in the cache; and so
many times as many may wait to be read."""


def _widened(box: Box, view: View) -> Box:
    """The rim's box with room on both sides of it for the band of the fit, cut at the picture's border."""
    x, y, width, height = box
    if abs(view.positive[0]) >= abs(view.positive[1]):
        left, right = max(0, x - BAND_ROOM_PX), min(view.image_size[0], x + width + BAND_ROOM_PX)
        return (left, y, right - left, height)
    top, bottom = max(0, y - BAND_ROOM_PX), min(view.image_size[1], y + height + BAND_ROOM_PX)
    return (x, top, width, bottom - top)


def places_in(view: View) -> list[Place]:
    """Where pointer and rim of each edge are cut out of the view's pictures; raises BadInput where a box doesn't fit."""
    check_boxes(view)
    return [
        with_rows_beside(patch_of(view, e, e.pointer_box), patch_of(view, e, _widened(e.rim_box, view)), view)
        for e in view.edges
    ]


class Tracker:
    """Everything that is followed in a view; made from what the first frames show, then stepped through all of them."""

    def __init__(self, view: View, places: list[Place], first: list[Cut]) -> None:
        by_edge = zip(view.edges, places, first, strict=True)
        self.followers = [surest_follower(view, edge, place, cut) for edge, place, cut in by_edge]
        self.places = [follower.place for follower in self.followers]

    @classmethod
    def of_frames(cls, view: View, frames: list[Frame]) -> Tracker:
        """Learn from frames as they are."""
        for frame in frames:
            _check_size(frame, view)
        shown = [[place.show(frame.image) for frame in frames] for place in places_in(view)]
        return cls(view, *_learnt(places_in(view), shown))

    def cut(self, frames: list[Frame]) -> list[Cut]:
        """What is kept of frames for each edge."""
        return _cut_out(self.places, frames)

    def sight(self, frame: Frame) -> list[Sightings]:
        """Read the gap of every pointer in one frame."""
        return self.read(self.cut([frame]))

    def read(self, cuts: list[Cut]) -> list[Sightings]:
        """Read the gap of every pointer in what was cut out of the next frames."""
        return [follower.read(cut) for follower, cut in zip(self.followers, cuts, strict=True)]

    def ahead_px(self, view: View) -> list[float]:
        """How far forward of the first pointer's tip each edge is read."""
        tips = [np.array(each.rim_patch.to_picture(*each.tip)) for each in self.followers]
        along = [float((tip - tips[0]) @ view.forward) for tip in tips]
        return [tip + each.ahead_px for tip, each in zip(along, self.followers, strict=True)]

    def shake_px(self, sides: list[Sightings]) -> FloatArray:
        """How far (n, 2) the first pointer stands from where it was learnt, NaN where it isn't told."""
        follower, seen = self.followers[0], sides[0]
        shift = seen.tip_px - np.array(follower.rim_patch.to_picture(*follower.tip))
        return np.asarray(np.where((seen.quality >= LEAST_QUALITY)[:, None], shift, np.nan))


def _cut_out(places: list[Place], frames: list[Frame]) -> list[Cut]:
    pictures = [frame.image for frame in frames]
    return [place.cut(pictures) for place in places]


def _learnt(places: list[Place], shown: list[list[Shown]], still: int = 0) -> tuple[list[Place], list[Cut]]:
    """The places as the first frames but so many, edge by edge, teach them, and what is cut out of all of these."""
    learnt = [place.learn(each, still) for place, each in zip(places, shown, strict=True)]
    return [place for place, _ in learnt], [cut for _, cut in learnt]


def _joined(cuts: list[list[Cut]]) -> list[Cut]:
    """What was cut out of single frames, edge by edge, as that of all of them."""
    by_edge = (zip(*each, strict=True) for each in zip(*cuts, strict=True))
    return [(np.concatenate(pointers), np.concatenate(rims)) for pointers, rims in by_edge]


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
    """Brightness along the spokes' path in strips side by side (bins, strips), (0, 0) where the view has no spoke box."""
    box = view.spoke_box
    if box is None:
        return np.empty((0, 0))
    return strips_of(spoke_patch(frame.image, box), view, box, (0.0, 0.0))


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
    BadInput, FrameTrouble, NotTrustworthy, PointerNotSeen, RimNotSeen
    """
    noted = _Noted(view)
    with contextlib.ExitStack() as threads:
        parts = _ahead(frames, noted, view, threads)
        aside = threads.enter_context(ThreadPoolExecutor(1))
        aside.submit(make_colours_ready)
        first = next(parts)
        turning = [(pointers[noted.still :], rims[noted.still :]) for pointers, rims in first]
        tracker = Tracker(view, noted.places, turning)
        # From now on frames are cut no taller than they are looked at.
        noted.places = tracker.places
        seen = _read_all(tracker, noted, first, parts)
        along = aside.submit(_mark_and_slide, noted.marks, len(noted.times_s), view)
        times_s = np.array(noted.times_s)
        sides = _believed(seen, tracker, view, times_s)
        shake_px = np.array(noted.shakes_px) @ view.forward
        mark_px, strength, slide = along.result()
        looks = _looks(noted.marks, shake_px, view)
    # What of a long film is held no longer makes room for what is handed on.
    noted.marks.clear()
    del first, seen
    return GapTrack(
        time_s=times_s,
        sides=tuple(
            edge_track(edge.side, side, ahead_px)
            for edge, side, ahead_px in zip(view.edges, sides, tracker.ahead_px(view), strict=True)
        ),
        mark_px=mark_px - shake_px,
        mark_strength=strength,
        spoke_profile=noted.spoke_profile(),
        lost=reasons(sides),
        slide=slide,
        looks=looks,
        tags=noted.tags.sightings(),
    )


def _ahead(
    frames: Iterable[Frame], noted: _Noted, view: View, threads: contextlib.ExitStack
) -> Iterator[list[Cut]]:
    """What is cut out of frames part by part, ahead of what is read, in threads that end with those given."""
    if view.tag_box is not None:
        # To look for tags takes as long as to decode: it has a thread of its own.
        frames = threads.enter_context(contextlib.closing(iter(ReadAhead(frames))))
    return threads.enter_context(contextlib.closing(iter(ReadAhead(noted.parts(frames), AHEAD_PARTS))))


def _read_all(
    tracker: Tracker, noted: _Noted, first: list[Cut], parts: Iterator[list[Cut]]
) -> list[Sightings]:
    """Read the gaps of all frames, those that were learnt from first, and hand the camera's shake on to what was noted."""
    learnt = [tracker.read(part) for part in _in_parts(first)]
    noted.keep_clear_of_rims(_by_edge(learnt))
    read = []
    for sides_of_part in itertools.chain(learnt, map(tracker.read, parts)):
        read.append(sides_of_part)
        noted.follow_shake(tracker.shake_px(sides_of_part))
    return _by_edge(read)


def _believed(seen: list[Sightings], tracker: Tracker, view: View, times_s: FloatArray) -> list[Sightings]:
    """What the whole pass leaves of each edge's sightings; raises NotTrustworthy where one is too unclear."""
    for edge, side in zip(view.edges, seen, strict=True):
        check_clear(edge.side, side)
    # Vague frames go first: where a spoke stands at the edge it may be what was fitted, however sure its foot looks.
    sides = moved_left_out([vague_left_out(side) for side in seen])
    return [each.evened(side, times_s) for each, side in zip(tracker.followers, sides, strict=True)]


def _mark_and_slide(marks: bytearray, count: int, view: View) -> tuple[FloatArray, FloatArray, Slide | None]:
    """Place and strength of the mark, and the rim's own slide, from the strips of all frames."""
    if view.mark_box is None:
        return np.full(count, np.nan), np.zeros(count), None
    centre_bin, px_per_bin = strip_centre_px(view, view.mark_box)
    strips = np.frombuffer(marks, dtype=np.uint8).reshape(count, STRIP_BINS, 3)
    slide = find_slide(strips, px_per_bin)
    if view.tag_box is not None:
        # Tags would pass for the mark.
        return np.full(count, np.nan), np.zeros(count), slide
    return *find_mark(strips, centre_bin, px_per_bin), slide


def _looks(marks: bytearray, shake_px: FloatArray, view: View) -> RimLooks | None:
    """What the rim looks like in all frames, from the strips along the mark's path."""
    if view.mark_box is None:
        return None
    _, px_per_bin = strip_centre_px(view, view.mark_box)
    strips = np.frombuffer(marks, dtype=np.uint8).reshape(len(shake_px), STRIP_BINS, 3)
    return find_looks(strips, px_per_bin, shake_px)


class _Noted:
    """What frames leave behind as they pass: times, the strips of mark and spokes, tags, and what is cut out of them."""

    def __init__(self, view: View) -> None:
        self._view, self.places = view, places_in(view)
        self._spokes_in = view.spoke_box
        self.times_s: list[float] = []
        # Plain bytes: an array object for each strip would take as much again.
        self.marks, self.spokes, self.lights = bytearray(), bytearray(), bytearray()
        self._patches: deque[NDArray[np.uint8]] = deque()
        self.shakes_px: list[tuple[float, float]] = []
        self.tags = TagLog(view)
        self.still = 0

    def parts(self, frames: Iterable[Frame]) -> Iterator[list[Cut]]:
        """What is cut out of frames for each edge: of those to learn from and still ones before, then of so many together.

        Frames are cut up as they come, while they are still in the processor's cache.
        """
        noted = map(self._note, frames)
        shown = self._shown_first(noted)
        if not shown:
            raise FrameTrouble("frames", "there are no frames to look at")
        by_edge = [list(each) for each in zip(*shown, strict=True)]
        self.places, part = _learnt(self.places, by_edge, self.still)
        yield part
        while cuts := self._cut_next(noted):
            yield _joined(cuts)

    def _shown_first(self, noted: Iterator[Frame]) -> list[list[Shown]]:
        """What is kept of frames to learn from, and of those before the wheel was turned, which are counted."""
        shown, start = list[list[Shown]](), StillStart()
        before = -1
        while before < len(shown) < self.still + LEARNING_FRAMES:
            before = len(shown)
            # No picture is held whole: sixty of a telephone's largest would take 1.5 GB.
            for frame in itertools.islice(noted, self.still + LEARNING_FRAMES - before):
                shown.append([place.show(frame.image) for place in self.places])
                start.see(frame.image)
            if len(shown) < MOST_STILL_FRAMES:
                self.still = start.frames
        if len(shown) < self.still + LEAST_LEARNT:
            self.still = 0
        return shown

    def _cut_next(self, noted: Iterator[Frame]) -> list[list[Cut]]:
        """What is cut out of the next frames, frame by frame, all alike."""
        places = self.places
        return [_cut_out(places, [frame]) for frame in itertools.islice(noted, TOGETHER)]

    def _note(self, frame: Frame) -> Frame:
        """Take down what the frame says of the angle, and hand it on."""
        _check_size(frame, self._view)
        self.times_s.append(frame.time_s)
        self.marks.extend(mark_strip(frame, self._view).tobytes())
        if self._view.spoke_box is not None:
            self._patches.append(spoke_patch(frame.image, self._view.spoke_box))
            light = light_along(frame.image, self._view, self._view.spoke_box)
            self.lights.extend(light.astype(np.float16).tobytes())
        self.tags.note(frame)
        return frame

    def keep_clear_of_rims(self, sides: list[Sightings]) -> None:
        """Leave out of the spokes' box what the rim's edges cover, by the first frames of each side."""
        for side in sides:
            if self._spokes_in is not None:
                good = side.lost == 0
                tip_px, rim_px = side.tip_px[good], side.rim_px[good]
                self._spokes_in = clear_of_rim(self._spokes_in, self._view, tip_px, rim_px)

    def follow_shake(self, shakes_px: FloatArray) -> None:
        """Take the spokes' strips of the next frames, moved (n, 2) with the camera's shake, by the last that was told."""
        box, within = self._view.spoke_box, self._spokes_in
        for x, y in shakes_px:
            last = self.shakes_px[-1] if self.shakes_px else (0.0, 0.0)
            self.shakes_px.append((float(x), float(y)) if np.isfinite(x + y) else last)
            if box is not None and within is not None:
                patch = patch_within(self._patches.popleft(), box, within)
                strips = strips_of(patch, self._view, within, self.shakes_px[-1])
                self.spokes.extend(strips.astype(np.float16).tobytes())

    def spoke_profile(self) -> NDArray[np.float16]:
        """Strips along the spokes' path (n, SPOKE_BINS, strips), (n, 0, 0) where the view has no spoke box."""
        count = len(self.times_s)
        if self._view.spoke_box is None:
            return np.empty((count, 0, 0), dtype=np.float16)
        profile = np.frombuffer(self.spokes, dtype=np.float16).reshape(count, SPOKE_BINS, -1)
        light = np.frombuffer(self.lights, dtype=np.float16).reshape(count, SPOKE_BINS)
        return without_flicker(profile, light)


def _by_edge(read: list[list[Sightings]]) -> list[Sightings]:
    """What was read part by part, joined for each edge."""
    return [Sightings.joined(list(sides)) for sides in zip(*read, strict=True)]


def _in_parts(first: list[Cut]) -> Iterator[list[Cut]]:
    """What was cut out of the first frames, of so many together."""
    for start in range(0, len(first[0][0]), TOGETHER):
        part = slice(start, start + TOGETHER)
        yield [(pointers[part], rims[part]) for pointers, rims in first]
