"""Where things are in the picture of a drawn scene, as a person would say who drew the boxes."""

from __future__ import annotations

import math

import numpy as np

from rimgauge.records import Box, CameraPlace, Edge, Flange, FloatArray, Scale, Side, View

from .render import Scene
from .spec import SceneSpec

Along = tuple[float, float]
"""From where to where [px]."""
_MARGIN_PX = 8.0
_OTHER: dict[Flange, Flange] = {"right": "left", "left": "right"}
_SCALE_RELATIVE = 0.001
"""Relative standard uncertainty stated with a scale that is given rather than measured."""
_DISTANCE_RELATIVE = 0.01
_CROSSTALK_ERROR = 0.01
"""Stated with the camera's place, which is given too; an edge off the optical axis is seen otherwise by so much."""


def scene_view(scene: Scene, *, given_scale: bool = True) -> View:
    """Say where pointer, rim, mark and spokes are in the picture."""
    spec, camera = scene.spec, scene.camera
    edges = [_edge(scene, "outer" if spec.direction == "radial" else spec.side, scene.gap_round_px)]
    if spec.both_sides:
        edges.append(_edge(scene, _OTHER[spec.side], scene.other_gap_round_px, other_side=True))
    mark, spokes = _mark_and_spoke_boxes(scene)
    return View(
        direction=spec.direction,
        image_size=spec.image_size,
        positive=camera.positive,
        forward=camera.forward,
        edges=tuple(edges),
        mark_box=mark,
        mark_to_pointer_deg=0.0,
        spoke_box=spokes,
        scale=_scale(scene) if given_scale else None,
        tag_box=_whole_length(mark, spec) if spec.tags else None,
    )


def _scale(scene: Scene) -> Scale:
    camera = scene.camera
    return Scale(
        mm_per_px=camera.mm_per_px,
        standard_uncertainty_mm_per_px=camera.mm_per_px * _SCALE_RELATIVE,
        method="given",
        camera=CameraPlace(
            distance_mm=float(camera.depth_mm(camera.edge)),
            distance_standard_uncertainty_mm=_DISTANCE_RELATIVE * scene.spec.distance_mm,
            crosstalk=camera.crosstalk,
            crosstalk_standard_uncertainty=_CROSSTALK_ERROR,
            focal_px=camera.focal_px,
        ),
    )


def _edge(scene: Scene, side: Side, gap_px: FloatArray, *, other_side: bool = False) -> Edge:
    near, far = gap_px.min(), gap_px.max()
    return Edge(
        side=side,
        pointer_box=_box(scene, (-0.3 * near, 38), (-26, 26), other_side=other_side),
        rim_box=_box(scene, (-far - _MARGIN_PX, -0.42 * near), (-40, 40), other_side=other_side),
    )


def _mark_and_spoke_boxes(scene: Scene) -> tuple[Box, Box]:
    """Where the mark passes, on the rim's side, and where the spokes do, beyond it."""
    spec, camera = scene.spec, scene.camera
    per_mm = 1.0 / camera.mm_per_px
    length = spec.image_size[1] if abs(camera.forward[1]) > 0.5 else spec.image_size[0]
    if spec.direction == "lateral":
        inner = spec.gap_mm + spec.rim_width_mm
        across = (-(inner - 4.3) * per_mm, -(spec.gap_mm + 4.3) * per_mm)
        mark = _box(scene, across, (-0.47 * length, 0.47 * length))
        return mark, _beside_rim(scene, 0.48 * length)
    inner = spec.gap_mm + spec.rim_depth_mm
    across = (-(inner - 5.5) * per_mm, -(spec.gap_mm + 3.2) * per_mm)
    mark = _box(scene, across, (-0.45 * length, 0.45 * length))
    return mark, _box(
        scene, (-(inner + 4.8) * per_mm, -(inner + 2.0) * per_mm), (-0.3 * length, 0.3 * length)
    )


def _beside_rim(scene: Scene, reach_px: float) -> Box:
    """Where spokes pass beside the rim: on the pointer's side, or on the other one if a camera that leans sees more there."""
    boxes, passing, places = [], [], scene.spokes_px()
    for gap_px, other_side in ((scene.gap_round_px, False), (scene.other_gap_round_px, True)):
        near = gap_px.min()
        box = _box(scene, (-near + 6, -near + 70), (35, reach_px), other_side=other_side)
        inside = (places >= box[:2]) & (places < np.add(box[:2], box[2:]))
        boxes.append(box)
        passing.append(int(inside.all(axis=1).sum()))
    return boxes[int(np.argmax(passing))]


def _box(scene: Scene, outward: Along, forward: Along, *, other_side: bool = False) -> Box:
    """Box from ranges in pixels outward from a tip and along `forward`, kept inside the picture."""
    spec, camera = scene.spec, scene.camera
    tip = scene.other_tip_px if other_side else scene.tip_px
    way = -spec.outward if other_side else spec.outward
    corners = np.array(
        [tip + way * out * camera.positive + along * camera.forward for out in outward for along in forward]
    )
    low = np.maximum(np.floor(corners.min(axis=0)), 0)
    high = np.minimum(np.ceil(corners.max(axis=0)), np.array(spec.image_size))
    x, y = (int(value) for value in low)
    return x, y, max(1, math.floor(high[0]) - x), max(1, math.floor(high[1]) - y)


def _whole_length(mark: Box, spec: SceneSpec) -> Box:
    """Widen the mark's box to the picture's borders along the rim's path, and by half its breadth across it."""
    x, y, width, height = mark
    if spec.direction == "lateral":
        low, high = max(0, x - width // 2), min(spec.image_size[0], x + width + width // 2)
        return low, 0, high - low, spec.image_size[1]
    low, high = max(0, y - height // 2), min(spec.image_size[1], y + height + height // 2)
    return 0, low, spec.image_size[0], high - low
