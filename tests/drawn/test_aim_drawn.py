"""Aim without hints on drawn scenes: pointers that are no broad strip, and a side that isn't the right one."""

import math

import numpy as np
import pytest

from rimgauge.capture.aim import Hints, aim
from rimgauge.capture.sources import Frame
from rimgauge.scene import Scene, SceneSpec, random_curve

FAR_PX = 3.0
"""As the benchmark of mixed scenes has it: a tip farther off is of something else."""


@pytest.mark.parametrize(
    "kind",
    [{"pointer": "wire", "side": "left", "roll_deg": 90.0}, {"pointer": "card", "direction": "radial"}],
)
def test_thin_wire_and_card_corner_are_found(kind: dict[str, str]) -> None:
    rng = np.random.default_rng(5)
    curves = {"lateral_mm": random_curve(rng, 0.8), "radial_mm": random_curve(rng, 0.5)}
    scene = Scene(SceneSpec(**curves, **kind, frames=45, turns_per_s=0.5, seed=31))
    frames = [Frame(f.index, f.time_s, f.image) for f in scene.frames()]
    direction = scene.spec.direction
    found = aim(frames, direction, "outer" if direction == "radial" else None, Hints())
    assert math.dist(found.tip_px, scene.tip_px) < FAR_PX
    shown = next(k for k, frame in enumerate(frames) if frame.image is found.image)
    gap_px = abs(float(np.subtract(found.rim_px, found.tip_px) @ scene.camera.positive))
    assert abs(gap_px - scene.gap_px[shown]) < FAR_PX
    assert found.view.forward @ scene.camera.forward > math.cos(math.radians(6.0))
