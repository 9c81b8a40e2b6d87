"""What is true of a drawn scene: runout, gaps and angles, and where things are in the picture."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from rimgauge.records import Box, CameraPlace, Edge, Flange, FloatArray, Scale, Side, View

from .render import Frame, Scene
from .spec import CURVE_POINTS, SceneSpec
from .tags import tag_angles_deg, tagged_spokes

_MARGIN_PX = 8.0
_OTHER: dict[Flange, Flange] = {"right": "left", "left": "right"}
_SCALE_RELATIVE = 0.001
"""Relative standard uncertainty stated with a scale that is given rather than measured."""
_DISTANCE_RELATIVE = 0.01
_CROSSTALK_ERROR = 0.01
"""Stated with the camera's place, which is given too; an edge off the optical axis is seen otherwise by so much."""


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


def scene_view(scene: Scene, *, given_scale: bool = True) -> View:
    """Say where pointer, rim, mark and spokes are in the picture, as a person would who drew the boxes."""
    spec, camera = scene.spec, scene.camera
    per_mm = 1.0 / camera.mm_per_px

    def box(measuring: tuple[float, float], forward: tuple[float, float], *, other_side: bool = False) -> Box:
        """Box from ranges in pixels outward from a tip and along `forward`."""
        tip = scene.other_tip_px if other_side else scene.tip_px
        outward = -spec.outward if other_side else spec.outward
        corners = [
            tip + outward * out * camera.positive + along * camera.forward
            for out in measuring
            for along in forward
        ]
        return _box(np.array(corners), spec.image_size)

    near = scene.gap_round_px.min()
    bed = spec.rim_width_mm if spec.direction == "lateral" else spec.rim_depth_mm
    inner = spec.gap_mm + bed
    length = spec.image_size[1] if abs(camera.forward[1]) > 0.5 else spec.image_size[0]
    if spec.direction == "lateral":
        mark = box((-(inner - 4.3) * per_mm, -(spec.gap_mm + 4.3) * per_mm), (-0.47 * length, 0.47 * length))
        spokes = box((-near + 6, -near + 70), (35, 0.48 * length))
    else:
        mark = box((-(inner - 5.5) * per_mm, -(spec.gap_mm + 3.2) * per_mm), (-0.45 * length, 0.45 * length))
        spokes = box((-(inner + 4.8) * per_mm, -(inner + 2.0) * per_mm), (-0.3 * length, 0.3 * length))

    def edge(side: Side, gap_px: FloatArray, *, other_side: bool = False) -> Edge:
        near, far = gap_px.min(), gap_px.max()
        return Edge(
            side=side,
            pointer_box=box((-0.3 * near, 38), (-26, 26), other_side=other_side),
            rim_box=box((-far - _MARGIN_PX, -0.42 * near), (-40, 40), other_side=other_side),
        )

    edges = [edge("outer" if spec.direction == "radial" else spec.side, scene.gap_round_px)]
    if spec.both_sides:
        edges.append(edge(_OTHER[spec.side], scene.other_gap_round_px, other_side=True))
    scale = Scale(
        mm_per_px=camera.mm_per_px,
        standard_uncertainty_mm_per_px=camera.mm_per_px * _SCALE_RELATIVE,
        method="given",
        camera=CameraPlace(
            distance_mm=float(camera.depth_mm(camera.edge)),
            distance_standard_uncertainty_mm=_DISTANCE_RELATIVE * spec.distance_mm,
            crosstalk=camera.crosstalk,
            crosstalk_standard_uncertainty=_CROSSTALK_ERROR,
            focal_px=camera.focal_px,
        ),
    )
    return View(
        direction=spec.direction,
        image_size=spec.image_size,
        positive=camera.positive,
        forward=camera.forward,
        edges=tuple(edges),
        mark_box=mark,
        mark_to_pointer_deg=0.0,
        spoke_box=spokes,
        scale=scale if given_scale else None,
        tag_box=_whole_length(mark, spec) if spec.tags else None,
    )


def scene_truth(scene: Scene, frames: list[Frame]) -> dict[str, Any]:
    """Gather what is true of the scene and of each frame, as plain values ready to be written."""
    spec, scale = scene.spec, scene.camera.mm_per_px
    apparent = apparent_mm(scene)
    every = 360.0 / CURVE_POINTS
    at_spokes = np.round(spec.spoke_angles_deg / every, 6)
    points = np.arange(CURVE_POINTS)
    runout = np.interp(at_spokes, points, spec.runout_mm, period=CURVE_POINTS)
    seen = np.interp(at_spokes, points, apparent, period=CURVE_POINTS)
    return {
        "name": spec.name,
        "direction": spec.direction,
        "side": "outer" if spec.direction == "radial" else spec.side,
        "image_size": list(spec.image_size),
        "seed": spec.seed,
        "spokes": [
            {
                "number": index + 1,
                "side": spec.flanges[index],
                "angle_deg": round(float(spec.spoke_angles_deg[index]), 4),
                "runout_mm": round(float(runout[index]), 5),
                "apparent_runout_mm": round(float(seen[index]), 5),
            }
            for index in range(spec.spokes)
        ],
        "tags": [
            {"number": int(number), "angle_deg": round(float(angle), 4)}
            for number, angle in zip(tagged_spokes(spec), tag_angles_deg(spec), strict=True)
        ],
        "total_runout_mm": round(float(np.ptp(spec.runout_mm)), 5),
        "apparent_total_runout_mm": round(float(np.ptp(apparent)), 5),
        "curve": {
            "angle_deg": [round(float(point * every), 4) for point in points],
            "runout_mm": np.round(spec.runout_mm, 5).tolist(),
            "lateral_mm": np.round(spec.lateral_mm, 5).tolist(),
            "radial_mm": np.round(spec.radial_mm, 5).tolist(),
            "apparent_runout_mm": np.round(apparent, 5).tolist(),
            "width_mm": np.round(spec.width_mm, 5).tolist(),
            "apparent_width_mm": np.round(apparent_width_mm(scene), 5).tolist(),
        },
        "mm_per_px_at_rim_edge": scale,
        "tip_px": np.round(scene.tip_px, 4).tolist(),
        "image": {
            "exposure_s": spec.exposure_s,
            "sensor_noise_mid_grey_levels": spec.noise,
            "psf_sigma_px": spec.blur_px,
            "jpeg_quality": spec.jpeg_quality,
            "flicker": spec.flicker,
            "shake_px": spec.shake_px,
        },
        "frames": [
            {
                "i": frame.index,
                "t_s": round(frame.time_s, 6),
                "wheel_angle_deg": round(frame.wheel_angle_deg, 4),
                "gap_px": round(frame.gap_px, 4),
                "gap_mm": round(frame.gap_px * scale, 5),
                "shake_px": [round(value, 4) for value in frame.shake_px],
                "brightness": round(frame.brightness, 4),
            }
            for frame in frames
        ],
    }


def _whole_length(mark: Box, spec: SceneSpec) -> Box:
    """Widen the mark's box to the picture's borders along the rim's path, and by half its breadth across it."""
    x, y, width, height = mark
    if spec.direction == "lateral":
        low, high = max(0, x - width // 2), min(spec.image_size[0], x + width + width // 2)
        return low, 0, high - low, spec.image_size[1]
    low, high = max(0, y - height // 2), min(spec.image_size[1], y + height + height // 2)
    return 0, low, spec.image_size[0], high - low


def _box(corners: FloatArray, image_size: tuple[int, int]) -> Box:
    """Whole-pixel box round the corners (n, 2), kept inside the picture."""
    low = np.maximum(np.floor(corners.min(axis=0)), 0)
    high = np.minimum(np.ceil(corners.max(axis=0)), np.array(image_size))
    x, y = (int(value) for value in low)
    return x, y, max(1, math.floor(high[0]) - x), max(1, math.floor(high[1]) - y)
