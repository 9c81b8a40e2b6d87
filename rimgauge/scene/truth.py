"""What is laid beside a drawn scene: the true runout, gaps and angles, and a picture of a checkerboard for the scale."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.records import FloatArray

from .camera import Camera
from .render import Frame, Scene
from .spec import CURVE_POINTS, SceneSpec
from .texture import tag_angles_deg, tagged_spokes

_EVERY_DEG = 360.0 / CURVE_POINTS


def apparent_mm(scene: Scene) -> FloatArray:
    """Runout (720,) that a perfect tracker of this view reads with the scale at the rim's edge [mm].

    It differs from the true runout by perspective and, where the camera is tilted, by what leaks in from the
    other direction. The mean is removed.
    """
    gap = scene.gap_round_px * scene.camera.mm_per_px
    away = gap.mean() - gap
    return np.asarray(scene.spec.outward * away)


def apparent_width_mm(scene: Scene) -> FloatArray:
    """How much wider than its mean the rim seems at each half degree (720,) to two pointers [mm]."""
    gaps = scene.gap_round_px + scene.other_gap_round_px
    return np.asarray((gaps.mean() - gaps) * scene.camera.mm_per_px)


def scene_truth(scene: Scene, frames: list[Frame]) -> dict[str, Any]:
    """Gather what is true of the scene and of each frame, as plain values ready to be written."""
    spec = scene.spec
    apparent = apparent_mm(scene)
    return {
        "name": spec.name,
        "direction": spec.direction,
        "side": "outer" if spec.direction == "radial" else spec.side,
        "image_size": list(spec.image_size),
        "seed": spec.seed,
        "spokes": _spokes(spec, apparent),
        "tags": [
            {"number": int(number), "angle_deg": round(float(angle), 4)}
            for number, angle in zip(tagged_spokes(spec), tag_angles_deg(spec), strict=True)
        ],
        "total_runout_mm": round(float(np.ptp(spec.runout_mm)), 5),
        "apparent_total_runout_mm": round(float(np.ptp(apparent)), 5),
        "curve": {
            "angle_deg": [round(float(point * _EVERY_DEG), 4) for point in range(CURVE_POINTS)],
            "runout_mm": np.round(spec.runout_mm, 5).tolist(),
            "lateral_mm": np.round(spec.lateral_mm, 5).tolist(),
            "radial_mm": np.round(spec.radial_mm, 5).tolist(),
            "apparent_runout_mm": np.round(apparent, 5).tolist(),
            "width_mm": np.round(spec.width_mm, 5).tolist(),
            "apparent_width_mm": np.round(apparent_width_mm(scene), 5).tolist(),
        },
        "mm_per_px_at_rim_edge": scene.camera.mm_per_px,
        "tip_px": np.round(scene.tip_px, 4).tolist(),
        "image": {
            "exposure_s": spec.exposure_s,
            "sensor_noise_mid_grey_levels": spec.noise,
            "psf_sigma_px": spec.blur_px,
            "jpeg_quality": spec.jpeg_quality,
            "flicker": spec.flicker,
            "shake_px": spec.shake_px,
        },
        "frames": [_frame(frame, scene.camera.mm_per_px) for frame in frames],
    }


def _spokes(spec: SceneSpec, apparent: FloatArray) -> list[dict[str, Any]]:
    """Each spoke's place and runout, true and apparent (720,)."""
    at = np.round(spec.spoke_angles_deg / _EVERY_DEG, 6)
    true, seen = (
        np.interp(at, np.arange(CURVE_POINTS), curve, period=CURVE_POINTS)
        for curve in (spec.runout_mm, apparent)
    )
    return [
        {
            "number": index + 1,
            "side": spec.flanges[index],
            "angle_deg": round(float(spec.spoke_angles_deg[index]), 4),
            "runout_mm": round(float(true[index]), 5),
            "apparent_runout_mm": round(float(seen[index]), 5),
        }
        for index in range(spec.spokes)
    ]


def _frame(frame: Frame, mm_per_px: float) -> dict[str, Any]:
    return {
        "i": frame.index,
        "t_s": round(frame.time_s, 6),
        "wheel_angle_deg": round(frame.wheel_angle_deg, 4),
        "gap_px": round(frame.gap_px, 4),
        "gap_mm": round(frame.gap_px * mm_per_px, 5),
        "shake_px": [round(value, 4) for value in frame.shake_px],
        "brightness": round(frame.brightness, 4),
    }


SQUARE_MM = 5.0

_FINE = 4
_DARK, _PALE = 46.0, 226.0
_HELD_DEG = 1.6
"""Nobody holds a sheet quite straight."""


def draw_board(spec: SceneSpec, camera: Camera) -> NDArray[np.uint8]:
    """Photograph a checkerboard of 5 mm squares in the plane of the rim's edge, (height, width, 3) BGR.

    The sheet fills the picture; it lies in the plane of the measuring and the forward direction.
    """
    rng = np.random.default_rng([spec.seed, 3])
    width, height = spec.image_size
    offsets = (np.arange(_FINE) + 0.5) / _FINE - 0.5
    x, y = np.meshgrid(
        (np.arange(width)[:, None] + offsets).ravel(), (np.arange(height)[:, None] + offsets).ravel()
    )
    place = camera.on_board(np.stack((x, y), axis=-1))
    turn = np.radians(_HELD_DEG)
    across = (np.cos(turn) * place[..., 0] + np.sin(turn) * place[..., 1] + 1.3) / SQUARE_MM
    along = (np.cos(turn) * place[..., 1] - np.sin(turn) * place[..., 0] - 0.7) / SQUARE_MM
    dark = ((np.floor(across) + np.floor(along)) % 2 == 0).astype(np.float32)
    dark = dark.reshape(height, _FINE, width, _FINE).mean(axis=(1, 3))
    picture = cv2.GaussianBlur(
        (_PALE + (_DARK - _PALE) * dark)[..., None].repeat(3, axis=2), (0, 0), spec.blur_px
    )
    picture = picture + spec.noise * rng.standard_normal(picture.shape)
    return np.asarray(np.clip(picture + 0.5, 0, 255), dtype=np.uint8)
