"""The still look of the first frames: what stays where it is, and where something moves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.patch import Patch
from rimgauge.capture.sources import Frame
from rimgauge.records import Box

Point = tuple[float, float]
GreyPicture = NDArray[np.float32]

STILL_FRAMES = 31
LEAST_NOISE = 0.3
USUAL_ROWS = 360


@dataclass(frozen=True, slots=True, eq=False)
class Still:
    """Median look and spread over time of some frames, turned so that u (columns) grows into the rim.

    unit: size of this picture beside one 360 pixels high.
    """

    patch: Patch
    mean: GreyPicture
    spread: GreyPicture
    noise: float
    unit: float


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
    unit = max(1.0, min(height, width) / USUAL_ROWS)
    stills = []
    for transposed in (False, True):
        for flipped in (False, True):
            patch = Patch((0, 0, width, height), transposed, flipped)
            stills.append(Still(patch, _turned(mean, patch), _turned(spread, patch), noise, unit))
    return stills


def _turned(image: GreyPicture, patch: Patch) -> GreyPicture:
    turned = image.T if patch.transposed else image
    return np.ascontiguousarray(turned[:, ::-1] if patch.flipped else turned)


def window(image: GreyPicture, low_u: float, high_u: float, v: float, half: float) -> NDArray[Any]:
    """Cut out columns from low_u to high_u of the rows within half of v, as far as they are in the picture."""
    rows = slice(max(0, round(v - half)), max(0, round(v + half)))
    return image[rows, max(0, round(low_u)) : max(0, round(high_u))]


def turned_box(patch: Patch, low_u: float, high_u: float, low_v: float, high_v: float) -> Box | None:
    """Picture box of a turned one, cut at the border; None where less than 12 pixels are left of a side."""
    _, _, width, height = patch.box
    ends = [patch.to_picture(low_u, low_v), patch.to_picture(high_u, high_v)]
    left, right = sorted(min(max(round(x), 0), width - 1) for x, _ in ends)
    top, bottom = sorted(min(max(round(y), 0), height - 1) for _, y in ends)
    box = (left, top, right - left + 1, bottom - top + 1)
    return box if min(box[2:]) >= 12 else None
