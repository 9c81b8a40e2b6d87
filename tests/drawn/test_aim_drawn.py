"""Aim without hints on drawn scenes: pointers that are no broad strip, and a side that isn't the right one."""

import math

import numpy as np
import pytest
from scipy.special import ndtr

from rimgauge.capture.aim import Hints, aim
from rimgauge.capture.sources import Frame
from rimgauge.capture.tracker import Tracker
from rimgauge.records import Edge, View
from rimgauge.scene import Scene, SceneSpec, random_curve
from tests.seen import lateral_view

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


def before_a_hub(rows: slice) -> tuple[list[Frame], np.ndarray]:
    """A rim nearly black strays by 3 px round 200.5 px, a pale bar points to it at 190 px, and a dark hub is behind.

    Inside the rim, 8 px from its edge, is another; the hub is behind these rows of 240.
    """
    rng = np.random.default_rng(8)
    strays = 3.0 * np.sin(np.arange(60) / 7.0)
    x, y = np.meshgrid(np.arange(320.0), np.arange(240.0))
    wall = np.where((np.arange(240) >= rows.start) & (np.arange(240) < rows.stop), 48.0, 190.0)[:, None]
    frames = []
    for k, stray in enumerate(strays):
        rim = ndtr((x - 200.5 - stray) / 1.2)
        grey = wall * (1.0 - rim) + 40.0 * rim - 15.0 * ndtr((x - 208.5 - stray) / 1.2)
        bar = ndtr((6.5 - np.abs(y - 120.0)) / 0.8) * ndtr((190.0 - x) / 0.8)
        grey = grey * (1.0 - bar) + 225.0 * bar + rng.normal(0.0, 2.0, x.shape)
        frames.append(
            Frame(k, k / 30.0, np.repeat(grey.round().clip(0, 255)[..., None], 3, axis=2).astype(np.uint8))
        )
    return frames, 200.5 + strays


def rim_off_px(view: View, frames: list[Frame], edges_px: np.ndarray) -> float:
    track = Tracker.of_frames(view, frames)
    seen = track.read(track.cut(frames))[0]
    return float(np.abs(seen.rim_px[:, 0] - edges_px).max())


def test_a_rim_before_a_hub_as_dark_is_measured_above_and_below_it() -> None:
    frames, edges_px = before_a_hub(slice(90, 150))
    view = aim(frames, "lateral", None, Hints(runs="up")).view
    assert rim_off_px(view, frames, edges_px) < 0.1


def test_a_rim_that_shows_below_a_dark_hub_only_is_followed_there() -> None:
    frames, edges_px = before_a_hub(slice(60, 130))
    edge = Edge(side="right", pointer_box=(160, 100, 34, 40), rim_box=(190, 80, 30, 80))
    ways = {"positive": np.array([-1.0, 0.0]), "forward": np.array([0.0, -1.0])}
    view = lateral_view(image_size=(320, 240), edges=(edge,), **ways)
    assert rim_off_px(view, frames, edges_px) < 0.2
