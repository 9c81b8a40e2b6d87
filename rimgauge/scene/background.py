"""What lies behind the wheel, out of focus: a plain wall, a dark cloth, or a bench full of things."""

from __future__ import annotations

import cv2
import numpy as np

from .canvas import Canvas, Picture, blurred
from .spec import SceneSpec

_BASE_BGR = {"wall": (150, 158, 164), "dark": (44, 40, 38), "cluttered": (112, 124, 134)}
_THINGS = 26


def draw_background(spec: SceneSpec, canvas: Canvas, rng: np.random.Generator) -> Picture:
    """Draw the background on the canvas (rows, columns, 3) in grey levels."""
    width, height = spec.image_size
    base = np.array(_BASE_BGR[spec.background], dtype=np.float32)
    picture = np.tile(base, (height, width, 1))
    if spec.background == "cluttered":
        for _ in range(_THINGS):
            colour = tuple(float(c) for c in rng.uniform(25, 235, 3))
            centre = (float(rng.uniform(0, width)), float(rng.uniform(0, height)))
            size = (float(rng.uniform(15, 160)), float(rng.uniform(6, 60)))
            box = cv2.boxPoints((centre, size, float(rng.uniform(0, 180))))
            cv2.fillConvexPoly(picture, np.round(box).astype(np.int32), colour)
        picture = blurred(picture, 2.5)
    grain = blurred(rng.normal(0, 1, (height, width)).astype(np.float32), 2.0)
    clouds = cv2.resize(
        rng.normal(0, 1, (5, 8)).astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC
    )
    picture *= (1 + 0.06 * grain + 0.05 * clouds)[..., None]
    return np.ascontiguousarray(picture.transpose(1, 0, 2) if canvas.transposed else picture)


def light(spec: SceneSpec, canvas: Canvas, rng: np.random.Generator) -> Picture:
    """Give the light's fall-off over the canvas (rows, columns, 1): brighter on one side, dim in corners."""
    width, height = spec.image_size
    x, y = np.meshgrid(np.linspace(-1, 1, width), np.linspace(-1, 1, height))
    lean = rng.uniform(0, 2 * np.pi)
    fall = 1.0 + 0.10 * (np.cos(lean) * x + np.sin(lean) * y) - 0.10 * (x**2 + y**2) / 2
    fall = fall.T if canvas.transposed else fall
    return np.ascontiguousarray(fall, dtype=np.float32)[..., None]
