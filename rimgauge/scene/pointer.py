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


def pointer_tip(spec: SceneSpec, camera: Camera, *, other_side: bool = False) -> FloatArray:
    """Where the tip stands in the picture: `gap_mm` outside the edge of a rim without runout."""
    reach = -(spec.rim_width_mm + spec.gap_mm) if other_side else spec.gap_mm
    return camera.project(camera.edge + spec.outward * reach * camera.measuring)


def draw_pointer(
    spec: SceneSpec, camera: Camera, canvas: Canvas, *, other_side: bool = False
) -> tuple[Picture, Picture]:
    """Draw the pointer: its share of each canvas pixel (rows, columns, 1) and its colour (rows, columns, 3).

    The tip is the point of a rounded strip or wire, the flat end of a bolt, or the corner of a card.
    """
    pixels = canvas.pixels()
    behind, aside = _from_tip(spec, camera, pixels, other_side)
    inside = _depth(spec.pointer, behind, aside) / spec.mm_per_px
    share = np.clip(inside + 0.5, 0, 1)
    border = np.abs(inside) < 1.5
    step = (np.arange(_FINE) + 0.5) / _FINE - 0.5
    around = np.stack(np.meshgrid(step, step), axis=-1).reshape(-1, 2)
    places = pixels[border][:, None] + around
    fine = _depth(spec.pointer, *_from_tip(spec, camera, places, other_side)) / spec.mm_per_px
    share[border] = np.clip(fine * _FINE + 0.5, 0, 1).mean(axis=1)

    round_off = np.clip(aside / (_WIDTH_MM[spec.pointer] / 2), -1, 1)
    grey = _GREY[spec.pointer_shade]
    shade = 1.0 + 0.10 * round_off - 0.18 * round_off**4
    if spec.pointer == "bolt":
        grey = 0.75 * grey + 40.0
        shade = shade + 0.16 * np.sin(2 * np.pi * behind / _THREAD_MM + 0.9 * round_off)
    if spec.pointer == "card":
        shade = np.ones_like(shade)
    colour = (grey * shade)[..., None] * np.array((1.02, 1.0, 0.99))
    return share[..., None].astype(np.float32), colour.astype(np.float32)


def _from_tip(
    spec: SceneSpec, camera: Camera, pixels: FloatArray, other_side: bool
) -> tuple[FloatArray, FloatArray]:
    """How far behind the tip and aside from it pixels (…, 2) lie, in the pointer's plane [mm]."""
    place = camera.on_board(pixels)
    outside = spec.outward * place[..., 0]
    if other_side:
        outside = -outside - spec.rim_width_mm
    return outside - spec.gap_mm, place[..., 1]


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
