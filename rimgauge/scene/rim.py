"""Laying the rim's surface between its traced corners."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from .canvas import Picture, Traced, coverage

_HIDDEN_PX = 1e-6


def lay_rim(picture: Picture, traced: Traced, surface: Picture, starts: NDArray[np.int64]) -> None:
    """Lay the rim over a picture (rows, columns, 3), in place.

    surface (rows, samples, 3): what is seen of the rim in each row; starts (k,): the sample at which each
    corner of the profile stands. The two outermost corners are exact to a small fraction of a pixel, and the
    colour beside them is that of the last part that is seen, whatever lies hidden behind it.
    """
    rows, width = picture.shape[:2]
    left = max(0, int(traced.columns[0].min()) - 1)
    right = min(width, int(traced.columns[-1].max()) + 2)
    if right <= left:
        return
    starts = starts[::-1] if traced.flipped else starts
    column = np.arange(left, right, dtype=np.float32)
    across = np.full((rows, right - left), float(starts[0]), dtype=np.float32)
    corners = traced.columns.astype(np.float32)[..., None]
    for low, high, first, last in zip(corners[:-1], corners[1:], starts[:-1], starts[1:], strict=True):
        across += np.float32(last - first) * np.clip((column - low) / np.maximum(high - low, 1e-3), 0, 1)

    shown = np.diff(traced.columns, axis=0) > _HIDDEN_PX
    ends = np.stack((starts[shown.argmax(axis=0)], starts[len(shown) - shown[::-1].argmax(axis=0)]))
    lowest, highest = ends.min(axis=0) + 0.5, ends.max(axis=0) - 0.5
    across = np.clip(across, lowest[:, None], highest[:, None]).astype(np.float32) - np.float32(0.5)
    row = np.ascontiguousarray(np.broadcast_to(np.arange(rows, dtype=np.float32)[:, None], across.shape))
    seen = cv2.remap(surface, across, row, cv2.INTER_LINEAR, None, cv2.BORDER_REPLICATE)

    share = coverage(width, traced.columns[0]) * (1 - coverage(width, traced.columns[-1]))
    part = picture[:, left:right]
    part += share[:, left:right, None] * (seen - part)
