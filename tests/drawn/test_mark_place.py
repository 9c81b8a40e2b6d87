"""Where the mark stands when it is at the pointer, in pictures of a camera that was not held straight."""

from dataclasses import replace

import numpy as np
import pytest

from rimgauge.capture.aim import Hints, aim
from rimgauge.capture.sources import Frame
from rimgauge.records import Scale, WheelInView, middle_px
from rimgauge.scene import Scene, SceneSpec, random_curve
from rimgauge.signal import laid_out
from tests.seen import edge_track, gap_track

ROLL_DEG = 5.0
NEAR_PX = 2.5
"""Tip and rim are aimed at within that."""


@pytest.mark.parametrize("direction", ["lateral", "radial"])
def test_a_mark_beside_the_pointer_is_at_it_on_a_line_square_to_the_rim_s_way(direction) -> None:
    """The mark passes 80 to 100 px beside the tip: a camera rolled by 5° sees it 7 to 9 px from the tip's own row."""
    curve = random_curve(np.random.default_rng(5), 0.8)
    scene = Scene(
        SceneSpec(
            lateral_mm=curve,
            radial_mm=curve,
            direction=direction,
            roll_deg=ROLL_DEG,
            frames=60,
            turns_per_s=0.4,
        )
    )
    frames = [Frame(each.index, each.time_s, each.image) for each in scene.frames()]
    found = aim(frames, direction, "outer" if direction == "radial" else None, Hints())
    scale = Scale(mm_per_px=scene.camera.mm_per_px, standard_uncertainty_mm_per_px=1e-4, method="given")
    view = replace(found.view, scale=scale)
    wheel = WheelInView(
        spoke_angles_deg=np.arange(32) * 11.25, flanges=("right", "left") * 16, rim_radius_mm=305.0
    )
    seen = gap_track(
        np.arange(3.0), edge_track(np.zeros(3), 0.1, tip_px=np.tile(np.array(found.tip_px), (3, 1)))
    )
    layout = laid_out(view, seen, scale, wheel)
    aside_px = abs(float((middle_px(view.mark_box) - scene.tip_px) @ scene.camera.positive))
    rolls_on_px = float((scene.tip_px - middle_px(view.mark_box)) @ scene.camera.forward)
    assert abs(rolls_on_px) > 0.8 * np.tan(np.radians(ROLL_DEG)) * aside_px > 5.0
    assert layout.mark_to_pointer_deg * layout.px_per_deg == pytest.approx(rolls_on_px, abs=NEAR_PX)
