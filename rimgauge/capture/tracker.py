"""From frames to a GapTrack: pointer and rim edge in the same frame, and the evidence for the angle."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.follower import BAND_ROOM_PX, Cut, EdgeFollower, Place, Sightings
from rimgauge.capture.mark import SPOKE_BINS, STRIP_BINS, find_mark, strip_along, strip_centre_px
from rimgauge.capture.patch import check_boxes, patch_of
from rimgauge.capture.sift import edge_track, moved_left_out, reasons, vague_left_out
from rimgauge.capture.slide import find_slide
from rimgauge.capture.sources import Frame
from rimgauge.capture.tags import TagLog
from rimgauge.errors import FrameTrouble
from rimgauge.records import Box, FloatArray, GapTrack, Slide, View

LEARNING_FRAMES = 60
"""So many frames are looked at before the first gap is read: two seconds of a webcam."""
TOGETHER = 32
"""So many frames are read in one go: numpy's own cost for a call is shared, and what they take stays in the cache."""


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
            Place(patch_of(view, edge, edge.pointer_box), patch_of(view, edge, _widened(edge.rim_box, view)))
            for edge in view.edges
        ]
        cuts: list[list[Cut]] = []
        for frame in frames:
            if not cuts:
                _check_size(frame, view)
            cuts.append(self.cut([frame]))
        if not cuts:
            raise FrameTrouble("frames", "there are no frames to look at")
        self.first: list[Cut] = [_joined(each) for each in zip(*cuts, strict=True)]
        by_edge = zip(view.edges, self._places, self.first, strict=True)
        self.followers = [EdgeFollower(view, edge, place, cut) for edge, place, cut in by_edge]

    def cut(self, frames: list[Frame]) -> list[Cut]:
        """What is kept of frames for each edge."""
        pictures = [frame.image for frame in frames]
        return [place.cut(pictures) for place in self._places]

    def sight(self, frame: Frame) -> list[Sightings]:
        """Read the gap of every pointer in one frame."""
        return self.read(self.cut([frame]))

    def read(self, cuts: list[Cut]) -> list[Sightings]:
        """Read the gap of every pointer in what was cut out of the next frames."""
        return [follower.read(cut) for follower, cut in zip(self.followers, cuts, strict=True)]


def _joined(cuts: Iterable[Cut]) -> Cut:
    """What was cut out of single frames for one edge as that of all of them."""
    pointers, rims = zip(*cuts, strict=True)
    return np.concatenate(pointers), np.concatenate(rims)


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
    tags = TagLog(view)

    def noted() -> Iterator[Frame]:
        for frame in frames:
            _check_size(frame, view)
            times.append(frame.time_s)
            marks.extend(mark_strip(frame, view).tobytes())
            spokes.extend(spoke_strip(frame, view).astype(np.float32).tobytes())
            tags.note(frame)
            yield frame

    stream = noted()
    tracker = Tracker(view, itertools.islice(stream, LEARNING_FRAMES))
    seen = [Sightings.joined(list(parts)) for parts in zip(*_seen(stream, tracker), strict=True)]
    sides = moved_left_out([vague_left_out(side) for side in seen])
    sides = [follower.evened(side) for follower, side in zip(tracker.followers, sides, strict=True)]
    count = len(times)
    mark_px, strength, slide = _mark_and_slide(marks, count, view)
    marks.clear()
    return GapTrack(
        time_s=np.array(times),
        sides=tuple(edge_track(edge.side, side) for edge, side in zip(view.edges, sides, strict=True)),
        mark_px=mark_px,
        mark_strength=strength,
        spoke_profile=np.asarray(
            np.frombuffer(spokes, dtype=np.float32).reshape(count, len(spokes) // 4 // count)
        ),
        lost=reasons(sides),
        slide=slide,
        tags=tags.sightings(),
    )


def _mark_and_slide(marks: bytearray, count: int, view: View) -> tuple[FloatArray, FloatArray, Slide | None]:
    """Place and strength of the mark, and the rim's own slide, from the strips of all frames."""
    if view.mark_box is None:
        return np.full(count, np.nan), np.zeros(count), None
    centre_bin, px_per_bin = strip_centre_px(view, view.mark_box, STRIP_BINS)
    strips = np.frombuffer(marks, dtype=np.uint8).reshape(count, STRIP_BINS, 3)
    slide = find_slide(strips, px_per_bin)
    if view.tag_box is not None:
        # Tags would pass for the mark.
        return np.full(count, np.nan), np.zeros(count), slide
    return *find_mark(strips, centre_bin, px_per_bin), slide


def _seen(stream: Iterator[Frame], tracker: Tracker) -> list[list[Sightings]]:
    """What the frames say, those learnt from first, in parts of a few frames; one list of sides a part."""
    seen = []
    for start in range(0, len(tracker.first[0][0]), TOGETHER):
        part = slice(start, start + TOGETHER)
        seen.append(tracker.read([(pointers[part], rims[part]) for pointers, rims in tracker.first]))
    # Frames are cut up as they come, so that no more than one picture is held.
    cuts = map(tracker.cut, ([frame] for frame in stream))
    while part_cuts := list(itertools.islice(cuts, TOGETHER)):
        seen.append(tracker.read([_joined(each) for each in zip(*part_cuts, strict=True)]))
    return seen
