"""From frames to a GapTrack: pointer and rim edge in the same frame, and the evidence for the angle."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.edge import EdgeFit, EdgeShape, fit_edge
from rimgauge.capture.mark import SPOKE_BINS, STRIP_BINS, find_mark, strip_along, strip_centre_px
from rimgauge.capture.outline import Outline, learn_outline, nearest_edge
from rimgauge.capture.patch import Patch, check_boxes, inward, patch_of
from rimgauge.capture.pointer import PointerLook, learn_pointer, locate_pointer
from rimgauge.capture.sources import Frame
from rimgauge.errors import FrameTrouble, RimNotSeen
from rimgauge.records import Edge, EdgeTrack, FloatArray, GapTrack, View

LEARNING_FRAMES = 60
"""So many frames are looked at before the first gap is read: two seconds of a webcam."""
LEAST_QUALITY = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Sighting:
    """What one frame says of one pointer: gap [px] with its standard error, tip and rim in the picture."""

    gap_px: float
    standard_error_px: float
    quality: float
    tip_px: tuple[float, float]
    rim_px: tuple[float, float]
    lost: str


NOTHING = Sighting(math.nan, math.nan, 0.0, (math.nan, math.nan), (math.nan, math.nan), "")


class EdgeFollower:
    """One pointer and the rim edge it faces, followed from frame to frame.

    Holds the only state of tracking: where the edge was last.
    """

    def __init__(self, view: View, edge: Edge, frames: list[Frame]) -> None:
        self.rim_patch: Patch = patch_of(view, edge, edge.rim_box)
        self.pointer_patch: Patch = patch_of(view, edge, edge.pointer_box)
        name = f"the {edge.side} pointer's box" if edge.side != "outer" else "the pointer's box"
        self.look: PointerLook = learn_pointer([self.pointer_patch.cut(f.image) for f in frames], name)
        self.tip = self.rim_patch.to_patch(*self.pointer_patch.to_picture(self.look.tip_u, self.look.tip_v))
        self.du, self.dv = self.rim_patch.turn(inward(view, edge))
        forward_u, forward_v = self.rim_patch.turn(view.forward)
        slope = forward_u / forward_v if abs(forward_v) > 0.2 else 0.0
        self.outline: Outline = learn_outline([self.rim_patch.cut(f.image) for f in frames], slope, self.tip[1])
        self.last_px: float | None = None

    def step(self, image: NDArray[np.uint8]) -> Sighting:
        """Read the gap in one picture."""
        shift = locate_pointer(self.look, self.pointer_patch.cut(image))
        patch = self.rim_patch.cut(image)
        start = nearest_edge(patch, self.outline, self.last_px)
        fit = fit_edge(patch, start, self.tip[1], self.outline.shape)
        if fit is None:
            self.last_px = None
            return Sighting(*_fields(NOTHING), "the rim's edge was not found")
        self.last_px = fit.place_px
        quality = min(fit.quality, shift.quality)
        lost = "" if quality >= LEAST_QUALITY else "the rim's edge or the pointer was covered or too faint"
        return self._sighting(fit, shift.du_px, shift.dv_px, quality, lost)

    def _sighting(self, fit: EdgeFit, du_px: float, dv_px: float, quality: float, lost: str) -> Sighting:
        tip_u, tip_v = self.tip[0] + du_px, self.tip[1] + dv_px
        edge_u = fit.place_px + fit.slope * dv_px
        gap = (edge_u - tip_u) / (self.du - fit.slope * self.dv)
        tip = self.rim_patch.to_picture(tip_u, tip_v)
        rim = self.rim_patch.to_picture(tip_u + gap * self.du, tip_v + gap * self.dv)
        return Sighting(gap, fit.standard_error_px, quality, tip, rim, lost)


def _fields(sighting: Sighting) -> tuple[float, float, float, tuple[float, float], tuple[float, float]]:
    return (sighting.gap_px, sighting.standard_error_px, sighting.quality, sighting.tip_px, sighting.rim_px)


class Tracker:
    """Everything that is followed in a view; made from the first frames, then stepped through all of them."""

    def __init__(self, view: View, frames: list[Frame]) -> None:
        if not frames:
            raise FrameTrouble("frames", "there are no frames to look at")
        height, width = frames[0].image.shape[:2]
        if (width, height) != view.image_size:
            raise FrameTrouble(
                "frames",
                f"the frames are {width} × {height} pixels, but the view was made for {view.image_size[0]} × "
                f"{view.image_size[1]}; run aim again on these frames",
            )
        check_boxes(view)
        self.view = view
        self.followers = [EdgeFollower(view, edge, frames) for edge in view.edges]

    def sight(self, frame: Frame) -> list[Sighting]:
        """Read the gap of every pointer in one frame."""
        return [follower.step(frame.image) for follower in self.followers]

    def mark_strip(self, frame: Frame) -> FloatArray:
        """Colours along the mark's path, (0, 3) where the view has no mark."""
        box = self.view.mark_box
        if box is None:
            return np.empty((0, 3))
        return strip_along(frame.image, self.view, box, STRIP_BINS, whole=True)

    def spoke_strip(self, frame: Frame) -> FloatArray:
        """Brightness along the spokes' path, (0,) where the view has no spoke box."""
        box = self.view.spoke_box
        if box is None:
            return np.empty(0)
        return strip_along(frame.image, self.view, box, SPOKE_BINS, whole=False).mean(axis=1)


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
    stream = iter(frames)
    first = list(itertools.islice(stream, LEARNING_FRAMES))
    tracker = Tracker(view, first)
    times, sightings, marks, spokes = [], [], [], []
    for frame in itertools.chain(first, stream):
        times.append(frame.time_s)
        sightings.append(tracker.sight(frame))
        marks.append(tracker.mark_strip(frame).astype(np.float32))
        spokes.append(tracker.spoke_strip(frame).astype(np.float32))
    count = len(times)
    mark_px, strength = np.full(count, np.nan), np.zeros(count)
    if view.mark_box is not None:
        centre_bin, px_per_bin = strip_centre_px(view, view.mark_box, STRIP_BINS)
        mark_px, strength = find_mark(np.stack(marks).astype(np.float64), centre_bin, px_per_bin)
    return GapTrack(
        time_s=np.array(times),
        sides=tuple(_edge_track(edge, [s[k] for s in sightings]) for k, edge in enumerate(view.edges)),
        mark_px=mark_px,
        mark_strength=strength,
        spoke_profile=np.stack(spokes),
        lost=tuple("; ".join(sorted({s.lost for s in each if s.lost})) for each in sightings),
    )


def _edge_track(edge: Edge, sightings: list[Sighting]) -> EdgeTrack:
    good = np.array([not s.lost for s in sightings])
    if not good.any():
        raise RimNotSeen(f"the rim's edge was not seen in any frame on the {edge.side} side; run aim again")
    return EdgeTrack(
        side=edge.side,
        gap_px=np.where(good, [s.gap_px for s in sightings], np.nan),
        standard_error_px=np.array([s.standard_error_px for s in sightings]),
        quality=np.array([s.quality for s in sightings]),
        tip_px=np.array([s.tip_px for s in sightings]),
        rim_px=np.array([s.rim_px for s in sightings]),
    )


__all__ = ["EdgeFollower", "EdgeShape", "Sighting", "Tracker", "track"]
