"""The pointer: four things that people clamp beside a rim, drawn once for a scene."""

from __future__ import annotations

import numpy as np

from rimgauge.records import FloatArray

from .camera import Camera
from .canvas import Canvas, Picture
from .spec import SceneSpec

_FINE = 4
"""Sub-samples a pixel, each with its own ramp: places the tip to about a hundredth of a pixel."""
_WIDTH_MM = {"strip": 4.8, "bolt": 6.0, "wire": 1.6, "card": 60.0}
_GREY = {"dark": 34.0, "pale": 222.0}
_THREAD_MM = 1.0


def pointer_tip(spec: SceneSpec, camera: Camera) -> FloatArray:
    """Where the tip stands in the picture: `gap_mm` outside the edge of a rim without runout."""
    return camera.project(camera.edge + spec.gap_mm * _outward(spec, camera))


def draw_pointer(spec: SceneSpec, camera: Camera, canvas: Canvas) -> tuple[Picture, Picture]:
    """Draw the pointer: its share of each canvas pixel (rows, columns, 1) and its colour (rows, columns, 3).

    The tip is the point of a rounded strip or wire, the flat end of a bolt, or the corner of a card.
    """
    pixels = canvas.grid(0, canvas.rows, 0, canvas.columns, _FINE)
    place = camera.on_board(pixels)
    sense = -1.0 if spec.direction == "lateral" and spec.side == "left" else 1.0
    behind = sense * place[..., 0] - spec.gap_mm
    aside = place[..., 1]
    inside = _depth(spec.pointer, behind, aside)
    ramp = np.clip(inside / spec.mm_per_px * _FINE + 0.5, 0, 1).astype(np.float32)
    share = _average(ramp)[..., None]

    half = _WIDTH_MM[spec.pointer] / 2
    grey = _GREY[spec.pointer_shade]
    round_off = np.clip(aside / half, -1, 1)
    shade = 1.0 + 0.10 * round_off - 0.18 * round_off**4
    if spec.pointer == "bolt":
        grey = 0.75 * grey + 40.0
        shade = shade + 0.16 * np.sin(2 * np.pi * behind / _THREAD_MM + 0.9 * round_off)
    if spec.pointer == "card":
        shade = np.ones_like(shade)
    colour = _average((grey * shade).astype(np.float32))[..., None] * np.array(
        (1.02, 1.0, 0.99), dtype=np.float32
    )
    return share, colour


def _outward(spec: SceneSpec, camera: Camera) -> FloatArray:
    return -camera.measuring if spec.direction == "lateral" and spec.side == "left" else camera.measuring


def _depth(kind: str, behind: FloatArray, aside: FloatArray) -> FloatArray:
    """How deep inside the pointer a point lies [mm], negative outside; exact near the tip's side."""
    half = _WIDTH_MM[kind] / 2
    if kind == "card":
        return np.asarray((behind - np.abs(aside)) / np.sqrt(2.0))
    if kind == "bolt":
        chamfer = (behind - (np.abs(aside) - half + 0.8)) / np.sqrt(2.0)
        return np.asarray(np.minimum(np.minimum(behind, half - np.abs(aside)), chamfer))
    tip = half - np.hypot(half - behind, aside)
    return np.where(behind < half, tip, half - np.abs(aside))


def _average(fine: Picture) -> Picture:
    rows, columns = fine.shape
    return np.asarray(fine.reshape(rows // _FINE, _FINE, columns // _FINE, _FINE).mean(axis=(1, 3)))
