"""Drawing with exact edges: a picture whose rows run across the rim's movement.

Rim corners are nearly straight lines, so that each is one place a row.
Pictures in which the rim runs along the rows are drawn transposed. The rim's surface is laid between its traced corners.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.records import FloatArray, record

from .camera import Camera
from .outline import Outline

Picture = NDArray[np.float32]

_REACH = 1.3
"""How far beyond the picture's border corners are followed, as a fraction of its half height."""
_POINTS = 321


@record
class Canvas:
    """A drawing area of `rows` by `columns`, transposed into the picture or not."""

    rows: int
    columns: int
    transposed: bool

    def place(self, pixels: FloatArray) -> FloatArray:
        """Turn picture x, y (…, 2) into column, row of the canvas."""
        return np.asarray(pixels)[..., ::-1] if self.transposed else np.asarray(pixels)

    def pixels(self) -> FloatArray:
        """Picture x, y (rows, columns, 2) of the canvas's pixels."""
        row, column = np.mgrid[: self.rows, : self.columns].astype(np.float64)
        return np.stack((row, column) if self.transposed else (column, row), axis=-1)


def make_canvas(camera: Camera, image_size: tuple[int, int]) -> Canvas:
    """Choose the way of drawing in which the rim runs most nearly down the rows."""
    width, height = image_size
    transposed = bool(abs(camera.positive[0]) < abs(camera.positive[1]))
    return Canvas(
        rows=width if transposed else height, columns=height if transposed else width, transposed=transposed
    )


@record
class Traced:
    """The rim in one frame: column of each corner in each row, rising, and the place along the rim.

    columns (k, rows). past_deg (rows,): how far the rim in a row is past the pointer. flipped: the corners
    come in falling order of the measuring direction.
    """

    columns: FloatArray
    past_deg: FloatArray
    flipped: bool


class Tracer:
    """Follows the rim's corners through the rows of a canvas."""

    def __init__(self, outline: Outline, canvas: Canvas, mm_per_px: float) -> None:
        self._outline = outline
        self._canvas = canvas
        reach = _REACH * np.degrees(canvas.rows / 2 * mm_per_px / outline.radius_mm) + 1.0
        self._past = np.linspace(-reach, reach, _POINTS)
        outward = canvas.place(outline.camera.positive)
        self._flipped = bool(outward[0] < 0)
        self._rows = np.arange(canvas.rows, dtype=np.float64)

    def trace(self, wheel_angle_deg: float) -> Traced:
        """Trace every corner; one that another hides takes the place of that other."""
        corners = len(self._outline.profile.corners)
        columns = np.empty((corners, self._canvas.rows))
        past = np.empty(self._canvas.rows)
        for corner in range(corners):
            seen = self._outline.camera.project(
                self._outline.corner_points(corner, self._past, wheel_angle_deg)
            )
            column, row = np.moveaxis(self._canvas.place(seen), -1, 0)
            order = slice(None) if row[-1] > row[0] else slice(None, None, -1)
            columns[corner] = np.interp(self._rows, row[order], column[order])
            if corner == self._outline.profile.edge:
                past = np.interp(self._rows, row[order], self._past[order])
        if self._flipped:
            columns = columns[::-1]
        middle = corners // 2 if self._outline.profile.parts[0] == "wall" else 0
        if self._flipped and middle == 0:
            columns = np.minimum.accumulate(columns[::-1], axis=0)[::-1]
        else:
            columns[middle:] = np.maximum.accumulate(columns[middle:], axis=0)
            columns[: middle + 1] = np.minimum.accumulate(columns[: middle + 1][::-1], axis=0)[::-1]
        return Traced(columns=columns, past_deg=past, flipped=self._flipped)


def blurred(picture: Picture, sd_px: float) -> Picture:
    """Blur a picture by a bell curve."""
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), sd_px), dtype=np.float32)


def coverage(columns: int, edge: FloatArray) -> Picture:
    """Share (rows, columns) of each pixel that lies beyond the edge (rows,), the edge taken as upright."""
    return np.clip(np.arange(columns) + 0.5 - edge[:, None], 0.0, 1.0).astype(np.float32)


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
