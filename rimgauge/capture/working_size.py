"""The size at which large pictures are read: soft ones show no more at full size than at half, a third or a quarter of it."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import replace

import cv2
import numpy as np

from rimgauge.capture.aim_look import USUAL_PX
from rimgauge.capture.frame import Frame, Picture
from rimgauge.capture.sharpness import outline_blur_px
from rimgauge.records import Box, EdgeTrack, FloatArray, GapTrack, Lens, View

WORKING_BLUR_PX = 1.5
"""Outlines keep at least so much blur [px]: steps so wide are still told as exactly as by all pixels (docs/benchmarks.md)."""
MOST_TIMES = 4
LOOKED_AT = 5
"""Frames whose outlines are looked at; of the median of them, so that a passing thing doesn't count."""


def at_working_size(frames: Iterable[Frame], view: View) -> tuple[Iterable[Frame], View, int]:
    """Frames and their view at the size at which they are read, and how many times smaller that is.

    Frames of another size than the view's are handed on as they are.
    """
    coming = iter(frames)
    first = list(itertools.islice(coming, LOOKED_AT))
    every = itertools.chain(first, coming)
    if {frame.image.shape[1::-1] for frame in first} != {view.image_size}:
        return every, view, 1
    times = times_softer(first, view)
    return (every, view, 1) if times == 1 else (reduced_frames(every, times), reduced(view, times), times)


def times_softer(frames: list[Frame], view: View) -> int:
    """By how many times some frames of a view can be reduced and show pointers and rim as well, and still have usual size."""
    most = min(MOST_TIMES, min(frames[0].image.shape[:2]) // USUAL_PX)
    if most < 2:
        return 1
    boxes = [box for edge in view.edges for box in (edge.pointer_box, edge.rim_box)]
    sharpest_px = min(float(np.median([_blur_px(frame.image, box) for frame in frames])) for box in boxes)
    return int(min(max(sharpest_px // WORKING_BLUR_PX, 1), most))


def _blur_px(picture: Picture, box: Box) -> float:
    x, y, width, height = box
    grey = cv2.cvtColor(picture[y : y + height, x : x + width], cv2.COLOR_BGR2GRAY)
    return outline_blur_px(grey.astype(np.float64), np.ones(grey.shape))


def reduced_picture(picture: Picture, times: int) -> Picture:
    """Means (h // times, w // times, 3) of squares of pixels; what is left over at the far borders is left out."""
    if times == 1:
        return picture
    height, width = (side // times for side in picture.shape[:2])
    whole = picture[: height * times, : width * times]
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def enlarged_picture(picture: Picture, times: int) -> Picture:
    """A picture (h·times, w·times, 3) to look at, of one that was reduced."""
    return (
        picture if times == 1 else np.asarray(cv2.resize(picture, None, fx=times, fy=times), dtype=np.uint8)
    )


def reduced_frames(frames: Iterable[Frame], times: int) -> Iterator[Frame]:
    """Frames so many times smaller, as they come."""
    for frame in frames:
        yield replace(frame, image=reduced_picture(frame.image, times))


def reduced(view: View, times: int) -> View:
    """The view of pictures so many times smaller; boxes hold at least what they held."""
    size = (view.image_size[0] // times, view.image_size[1] // times)
    edges = tuple(
        replace(
            edge,
            pointer_box=_reduced_box(edge.pointer_box, times, size),
            rim_box=_reduced_box(edge.rim_box, times, size),
        )
        for edge in view.edges
    )
    mark, spokes, tags = (
        None if box is None else _reduced_box(box, times, size)
        for box in (view.mark_box, view.spoke_box, view.tag_box)
    )
    scale = view.scale and replace(
        view.scale,
        mm_per_px=view.scale.mm_per_px * times,
        standard_uncertainty_mm_per_px=view.scale.standard_uncertainty_mm_per_px * times,
        camera=view.scale.camera and replace(view.scale.camera, focal_px=view.scale.camera.focal_px / times),
    )
    return replace(
        view,
        image_size=size,
        edges=edges,
        mark_box=mark,
        spoke_box=spokes,
        tag_box=tags,
        scale=scale,
        lens=view.lens and _reduced_lens(view.lens, times),
    )


def _reduced_box(box: Box, times: int, size: tuple[int, int]) -> Box:
    (left, right), (top, bottom) = (
        (first // times, min(-(-(first + length) // times), whole))
        for first, length, whole in zip(box[:2], box[2:], size, strict=True)
    )
    return (left, top, right - left, bottom - top)


def _reduced_lens(lens: Lens, times: int) -> Lens:
    matrix = lens.camera_matrix.copy()
    matrix[:2, :2] /= times
    # Pixels count from their middles.
    matrix[:2, 2] = (matrix[:2, 2] + 0.5) / times - 0.5
    return replace(lens, camera_matrix=matrix, rms_px=lens.rms_px / times)


def at_full_size(seen: GapTrack, times: int) -> GapTrack:
    """What was followed in pictures so many times smaller, in pixels of the whole ones; evidence of the angle stays as it is."""
    return seen if times == 1 else replace(seen, sides=tuple(_full_side(side, times) for side in seen.sides))


def _full_side(side: EdgeTrack, times: int) -> EdgeTrack:
    return replace(
        side,
        gap_px=side.gap_px * times,
        standard_error_px=side.standard_error_px * times,
        tip_px=full_places(side.tip_px, times),
        rim_px=full_places(side.rim_px, times),
        ahead_px=side.ahead_px * times,
        blur_px=None if side.blur_px is None else side.blur_px * times,
    )


def full_places(places_px: FloatArray, times: int) -> FloatArray:
    """Places (n, 2) of a picture so many times smaller in the whole one: pixels count from their middles."""
    return np.asarray((places_px + 0.5) * times - 0.5)
