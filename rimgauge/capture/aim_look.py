"""The still look of the first frames: what stays where it is, and where something moves."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.patch import Patch
from rimgauge.capture.sources import Frame, Picture
from rimgauge.records import Box

Point = tuple[float, float]
GreyPicture = NDArray[np.float32]

STILL_FRAMES = 31
LEAST_NOISE = 0.3
LEAST_SIDE_PX = 12
USUAL_PX = 360
"""The shorter side of the pictures that are aimed with: what is looked for has its usual size in them."""
USUAL_WHITE, WHITE_SHARE, MOST_GAIN = 220.0, 0.98, 6.0
"""The brightest of a picture is mostly so bright [grey levels], and dim ones are brightened by up to so much."""


@dataclass(frozen=True, slots=True, eq=False)
class Still:
    """Median look and spread over time of some frames, turned so that u (columns) grows into the rim."""

    patch: Patch
    mean: GreyPicture
    spread: GreyPicture
    noise: float


@dataclass(frozen=True, slots=True)
class Usual:
    """How pictures are brought to usual size (width, height) and brightness: they were zoom times larger.

    To reduce a picture averages its noise.
    """

    size: tuple[int, int]
    zoom: float
    gain: float

    def of(self, frame: Frame) -> Frame:
        """The frame with its picture so."""
        image = _resized(frame, self.size, self.zoom)
        return replace(frame, image=_brightened(image, self.gain))


def made_usual(frames: list[Frame]) -> tuple[list[Frame], Usual]:
    """Bring pictures to usual size and brightness; also how, for later ones."""
    height, width = frames[0].image.shape[:2]
    zoom = min(height, width) / USUAL_PX
    size = (round(width / zoom), round(height / zoom))
    small = [_resized(frame, size, zoom) for frame in frames]
    whites = [float(np.quantile(image[::4, ::4].max(axis=2), WHITE_SHARE)) for image in small[::10]]
    gain = min(USUAL_WHITE / max(float(np.median(whites)), 1.0), MOST_GAIN)
    return [
        replace(frame, image=_brightened(image, gain)) for frame, image in zip(frames, small, strict=True)
    ], Usual(size, zoom, gain)


def _resized(frame: Frame, size: tuple[int, int], zoom: float) -> Picture:
    way = cv2.INTER_AREA if zoom > 1.0 else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(frame.image, size, interpolation=way), dtype=np.uint8)


def _brightened(image: Picture, gain: float) -> Picture:
    return np.asarray(cv2.convertScaleAbs(image, alpha=gain) if gain > 1.0 else image, dtype=np.uint8)


def zoomed(place: Point, zoom: float) -> Point:
    """A place x, y of the picture in one enlarged by zoom: pixels count from their middles."""
    x, y = ((at + 0.5) * zoom - 0.5 for at in place)
    return x, y


def enlarged(box: Box, zoom: float, size: tuple[int, int]) -> Box:
    """A box in the picture of that size which is zoom times as large as the box's own; no side under 12 pixels."""
    left, width = _enlarged_side(box[0], box[2], zoom, size[0])
    top, height = _enlarged_side(box[1], box[3], zoom, size[1])
    return (left, top, width, height)


def _enlarged_side(first: int, length: int, zoom: float, whole: int) -> tuple[int, int]:
    low, high = round(zoom * first), min(round(zoom * (first + length)), whole)
    spare = max(0, LEAST_SIDE_PX - (high - low))
    low = min(max(0, low - spare // 2), whole - LEAST_SIDE_PX)
    return low, max(high - low, LEAST_SIDE_PX)


def look_still(frames: list[Frame]) -> list[Still]:
    """Median and spread of up to 31 of the frames, once for each of the four ways a pointer can point."""
    chosen = frames[:: max(1, len(frames) // STILL_FRAMES)][:STILL_FRAMES]
    stack = np.stack([cv2.GaussianBlur(cv2.cvtColor(f.image, cv2.COLOR_BGR2GRAY), (3, 3), 0) for f in chosen])
    mean = np.median(stack, axis=0).astype(np.float32)
    # Flicker brightens whole pictures by a factor; it is no movement.
    gains = np.array([float((one * mean).sum()) for one in stack]) / max(float((mean**2).sum()), 1.0)
    even = stack / np.maximum(gains, 0.1)[:, None, None].astype(np.float32)
    spread = even.std(axis=0).astype(np.float32)
    noise = max(float(np.quantile(spread, 0.1)), LEAST_NOISE)
    height, width = mean.shape
    stills = []
    for transposed in (False, True):
        for flipped in (False, True):
            patch = Patch((0, 0, width, height), transposed, flipped)
            stills.append(Still(patch, _turned(mean, patch), _turned(spread, patch), noise))
    return stills


def _turned(image: GreyPicture, patch: Patch) -> GreyPicture:
    turned = image.T if patch.transposed else image
    return np.ascontiguousarray(turned[:, ::-1] if patch.flipped else turned)


def window(image: GreyPicture, low_u: float, high_u: float, v: float, half: float) -> NDArray[Any]:
    """Cut out columns from low_u to high_u of the rows within half of v, as far as they are in the picture."""
    rows = slice(max(0, round(v - half)), max(0, round(v + half)))
    return image[rows, max(0, round(low_u)) : max(0, round(high_u))]


def turned_box(patch: Patch, low_u: float, high_u: float, low_v: float, high_v: float) -> Box | None:
    """Picture box of a turned one, cut at the border; None where too little is left of a side."""
    _, _, width, height = patch.box
    ends = [patch.to_picture(low_u, low_v), patch.to_picture(high_u, high_v)]
    left, right = sorted(min(max(round(x), 0), width - 1) for x, _ in ends)
    top, bottom = sorted(min(max(round(y), 0), height - 1) for _, y in ends)
    box = (left, top, right - left + 1, bottom - top + 1)
    return box if min(box[2:]) >= LEAST_SIDE_PX else None
