"""The size at which large pictures are read: soft ones show no more at full size than at half, a third or a quarter of it."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator
from dataclasses import replace

import cv2
import numpy as np

from rimgauge.capture.aim_look import USUAL_PX
from rimgauge.capture.frame import Frame, Picture
from rimgauge.capture.patch import with_boxes
from rimgauge.capture.sharpness import outline_blur_px
from rimgauge.records import Box, EdgeTrack, FloatArray, GapTrack, Lens, View

WORKING_BLUR_PX, TRIED_BLUR_PX = 1.5, 1.0
"""Outlines keep at least so much blur [px] where they are measured (docs/benchmarks.md), and where an aim is tried out: there
places matter less than that boxes and bands hold what is to be followed."""
MOST_TIMES = 4
LOOKED_AT, MOST_FIRST = 5, 40
"""Frames that show outlines, of which the median counts, so that a passing thing doesn't; and so many are waited for at most."""
LEAST_CONTRAST, SMOOTHED_PX = 15.0, 1.5
"""A box whose brightest and darkest differ by less, smoothed, shows no outline: a hand or a dark picture fills it [grey levels]."""


def at_working_size(frames: Iterable[Frame], view: View) -> tuple[Iterable[Frame], View, int]:
    """Frames and their view at the size at which they are read, and how many times smaller that is.

    Frames of another size than the view's are handed on as they are.
    """
    coming = iter(frames)
    first = list(itertools.islice(coming, LOOKED_AT))
    fits = {frame.image.shape[1::-1] for frame in first} == {view.image_size}
    if not fits or _most_times(view) < 2:
        return itertools.chain(first, coming), view, 1
    blurs_px = [_blurs_px(frame, view) for frame in first]
    while len(first) < MOST_FIRST and np.isfinite(blurs_px).sum(axis=0).min() < LOOKED_AT:
        if (frame := next(coming, None)) is None:
            break
        first.append(frame)
        blurs_px.append(_blurs_px(frame, view))
    every = itertools.chain(first, coming)
    times = _times_by(blurs_px, view, WORKING_BLUR_PX)
    return (every, view, 1) if times == 1 else (reduced_frames(every, times), reduced(view, times), times)


def times_softer(frames: list[Frame], view: View) -> int:
    """By how many times some frames of a view can be reduced to try it out, and still have usual size."""
    if _most_times(view) < 2:
        return 1
    return _times_by([_blurs_px(frame, view) for frame in frames], view, TRIED_BLUR_PX)


def _most_times(view: View) -> int:
    return min(MOST_TIMES, min(view.image_size) // USUAL_PX)


def _times_by(blurs_px: list[list[float]], view: View, least_px: float) -> int:
    """By how many times pictures can be reduced and keep so much blur, by the blurs of each one's boxes [px]."""
    of_boxes = [np.array(blurs)[np.isfinite(blurs)] for blurs in zip(*blurs_px, strict=True)]
    sharpest_px = min((float(np.median(blurs)) for blurs in of_boxes if len(blurs)), default=0.0)
    return int(min(max(sharpest_px // least_px, 1), _most_times(view)))


def _blurs_px(frame: Frame, view: View) -> list[float]:
    """Blur of the outlines in the box of each pointer and each rim [px], NaN where it shows none."""
    boxes = [box for edge in view.edges for box in (edge.pointer_box, edge.rim_box)]
    return [_blur_px(frame.image, box) for box in boxes]


def _blur_px(picture: Picture, box: Box) -> float:
    """Blur of the outlines in a box of a picture [px], NaN where it shows none."""
    x, y, width, height = box
    grey = cv2.cvtColor(picture[y : y + height, x : x + width], cv2.COLOR_BGR2GRAY).astype(np.float64)
    smooth = cv2.GaussianBlur(grey, (0, 0), SMOOTHED_PX)
    if np.ptp(np.quantile(smooth, (0.01, 0.99))) < LEAST_CONTRAST:
        return math.nan
    return outline_blur_px(grey, np.ones(grey.shape))


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
    scale = view.scale and replace(
        view.scale,
        mm_per_px=view.scale.mm_per_px * times,
        standard_uncertainty_mm_per_px=view.scale.standard_uncertainty_mm_per_px * times,
        camera=view.scale.camera and replace(view.scale.camera, focal_px=view.scale.camera.focal_px / times),
    )
    small = with_boxes(view, size, lambda box: _reduced_box(box, times, size))
    return replace(small, scale=scale, lens=view.lens and _reduced_lens(view.lens, times))


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
