"""What the camera sees: where pointer and rim lie in the picture, and their gap frame by frame."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from rimgauge.records.base import Box, Direction, FloatArray, IntArray, Side, own, record, shortest_deg

USUAL_FOCAL = 1.2
"""Focal length as a share of the picture's width (common practice)."""
USUAL_DISTANCE_MM = 200.0
"""From the camera to the rim where nothing tells: where people put one that shall see a rim's edge large (a judgement)."""
NARROWEST_MM, WIDEST_MM = 10.0, 1500.0
"""What the longer side of a picture shows at the rim's edge: pointer, edge and mark need room beside one another, and
two wheels' width is more than anyone films (judgements; the pictures drawn and filmed so far show 60 to 115)."""
COARSEST_MM_PER_PX = 1.0
"""A pixel wider than this can't show a pointer, whose tip is about as wide (a judgement)."""
TAG_DICTIONARY = "DICT_4X4_50"
"""OpenCV's name for the numbered tags that are printed, drawn and read: four by four squares, numbers 0 to 49."""
TAG_MODULES = 6
"""Squares along a tag: those of the pattern, and its black border."""
MOST_TAGS = 48
"""Highest number in use: as many as a sheet holds."""


@record
class Edge:
    """One pointer and the rim edge it faces."""

    side: Side
    pointer_box: Box
    rim_box: Box


@record
class CameraPlace:
    """Where the camera stands to the rim's edge, worked out from the picture of a board.

    distance_mm: from the lens to the rim's edge along the line of sight's axis, with its standard uncertainty.
    crosstalk: what 1 mm of runout of the other direction (radial in a lateral view, + outward; lateral in a
    radial view, + right) adds to the reading [mm/mm], with its standard uncertainty; 0 for a camera square to
    the rim, ±tan τ for one tilted by τ.
    focal_px: focal length that this rests on.
    """

    distance_mm: float
    distance_standard_uncertainty_mm: float
    crosstalk: float
    crosstalk_standard_uncertainty: float
    focal_px: float


@record
class Scale:
    """Millimetres per pixel along the measuring direction at the rim edge.

    camera: where the camera stands, None where the scale's picture doesn't tell it.
    """

    mm_per_px: float
    standard_uncertainty_mm_per_px: float
    method: str
    camera: CameraPlace | None = None


def scale_trouble(mm_per_px: float, image_size: tuple[int, int]) -> str | None:
    """Say what can't be about a scale for pictures of that size, which show a wheel's rim; None where it can be."""
    across_mm = mm_per_px * max(image_size)
    shown = f"the picture's longer side would show {across_mm:.2g} mm"
    if across_mm < NARROWEST_MM:
        return f"{shown}, and no camera sees a rim's edge from so near: {NARROWEST_MM:g} mm at the least"
    if across_mm > WIDEST_MM:
        shown = f"the picture's longer side would show {across_mm / 1000:.3g} m"
        return f"{shown}, where a whole wheel is 0.7 m across: {WIDEST_MM / 1000:g} m at the most"
    if mm_per_px > COARSEST_MM_PER_PX:
        return f"a pixel is wider than a pointer's tip then: {COARSEST_MM_PER_PX:g} mm at the most"
    return None


@record
class Lens:
    """OpenCV's pinhole camera with distortion: camera_matrix (3, 3), distortion (k,), rms error [px]."""

    camera_matrix: FloatArray
    distortion: FloatArray
    rms_px: float

    def __post_init__(self) -> None:
        own(self, "camera_matrix", (3, 3))
        own(self, "distortion", (None,))


@record
class View:
    """Where things are in the picture (view.json).

    positive (2,): unit vector in the picture in which the rim moves when runout is positive.
    forward (2,): unit vector in which the rim passes the pointer when the wheel rolls forward.
    mark_to_pointer_deg: how far the wheel rolls forward from the mark centred in its box to the mark at
    the pointer; None: worked out from the picture.
    tag_box: where numbered tags cross; with it the mark isn't looked for.
    """

    direction: Direction
    image_size: tuple[int, int]
    positive: FloatArray
    forward: FloatArray
    edges: tuple[Edge, ...]
    mark_box: Box | None = None
    mark_to_pointer_deg: float | None = None
    spoke_box: Box | None = None
    scale: Scale | None = None
    lens: Lens | None = None
    tag_box: Box | None = None

    def __post_init__(self) -> None:
        own(self, "positive", (2,))
        own(self, "forward", (2,))


@record
class EdgeTrack:
    """Pointer tip and rim edge of one side, frame by frame; NaN where a frame gave nothing.

    gap_px (n,): distance along the measuring direction from tip to rim edge, positive while they don't touch.
    standard_error_px (n,): of the gap, from the fits themselves. quality (n,): 0 useless to 1 good.
    tip_px, rim_px (n, 2): x, y of the tip and of the rim edge at the tip's height.
    ahead_px: how far forward of the first pointer's tip the edge was read.
    second_look (n,): how much of another look the rim's edge shows, 0 to 1, NaN where a frame doesn't tell; None where it has but one.
    blur_px (n,): of the rim's edge, NaN where a frame doesn't tell; None where nobody knows.
    """

    side: Side
    gap_px: FloatArray
    standard_error_px: FloatArray
    quality: FloatArray
    tip_px: FloatArray
    rim_px: FloatArray
    ahead_px: float = 0.0
    second_look: FloatArray | None = None
    blur_px: FloatArray | None = None

    def __post_init__(self) -> None:
        count = len(self.gap_px)
        for name in ("gap_px", "standard_error_px", "quality"):
            own(self, name, (count,))
        for name in ("tip_px", "rim_px"):
            own(self, name, (count, 2))
        for name in ("second_look", "blur_px"):
            if getattr(self, name) is not None:
                own(self, name, (count,))


@record
class Slide:
    """How far the rim moved along `forward` since the frame before, by its own looks.

    shift_px (k,): candidates, rising. nats (n, k): natural logarithm of the likelihood of each, against that of
    strips that have nothing in common; row 0 is all 0. In half precision: they are most of what a long pass holds.
    """

    shift_px: FloatArray
    nats: NDArray[Any]

    def __post_init__(self) -> None:
        own(self, "shift_px", (None,))
        own(self, "nats", (None, len(self.shift_px)), np.float16)


@record
class RimLooks:
    """What the rim looks like along the path of the mark in each of n frames, of which the same place comes by again.

    brightness (n, b): less what stands still, as a share of the strip's, in half precision. px_per_bin: pixels a bin holds.
    shake_px (n,): how far along `forward` the camera's shake had moved the picture.
    """

    brightness: NDArray[Any]
    px_per_bin: float
    shake_px: FloatArray

    def __post_init__(self) -> None:
        own(self, "brightness", (None, None), np.float16)
        own(self, "shake_px", (len(self.brightness),))


@record
class TagSightings:
    """Numbered tags seen in a run: the index of the frame, the tag's number, and where it was, one row each (k,).

    along_px: how far along `forward` the tag's middle lies from the picture's origin.
    """

    frame: IntArray
    number: IntArray
    along_px: FloatArray

    def __post_init__(self) -> None:
        own(self, "along_px", (None,))
        for name in ("frame", "number"):
            own(self, name, (len(self.along_px),), np.int64)


@record
class GapTrack:
    """Everything capture saw in a run of n frames: gaps, and the evidence for the wheel's angle.

    time_s (n,): rising. mark_px (n,): how far along `forward` the mark's centre stands past the centre of
    its box, NaN where it isn't seen. mark_strength (n,): 0 absent to 1 sure.
    spoke_profile (n, m, a): brightness along the spoke box in strips side by side, empty (n, 0, 0) without one;
    to half precision, since it is most of what is kept of a long film.
    slide: the rim's own movement from frame to frame, None where it wasn't looked for; looks: of the rim, the same.
    lost (n,): why a frame gave no gap, '' where it did.
    tags: numbered tags seen, None where they weren't looked for.
    notes: what was noticed, in words.
    """

    time_s: FloatArray
    sides: tuple[EdgeTrack, ...]
    mark_px: FloatArray
    mark_strength: FloatArray
    spoke_profile: NDArray[np.float16]
    lost: tuple[str, ...]
    slide: Slide | None = None
    looks: RimLooks | None = None
    tags: TagSightings | None = None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        count = len(self.time_s)
        for name in ("time_s", "mark_px", "mark_strength"):
            own(self, name, (count,))
        own(self, "spoke_profile", (count, None, None), np.float16)


@record
class Moment:
    """One frame as it is seen live: the picture (h, w, 3) BGR, and what it says so far.

    gap_mm, tip_px, rim_px: one a side, in the order of the view's edges; NaN where nothing was seen.
    angle_deg: of the wheel modulo 360, NaN before the mark has passed once. spoke: number nearest the pointer.
    """

    index: int
    time_s: float
    image: NDArray[np.uint8]
    gap_mm: FloatArray
    tip_px: FloatArray
    rim_px: FloatArray
    angle_deg: float
    spoke: int | None

    def __post_init__(self) -> None:
        own(self, "gap_mm", (None,))
        own(self, "tip_px", (len(self.gap_mm), 2))
        own(self, "rim_px", (len(self.gap_mm), 2))


def nearest_spoke(angle_deg: float, spoke_angles_deg: FloatArray) -> int | None:
    """Number of the spoke nearest to a place of the wheel; None where the angle is NaN."""
    if np.isnan(angle_deg):
        return None
    off_deg = shortest_deg(spoke_angles_deg - angle_deg)
    return int(np.argmin(np.abs(off_deg))) + 1
