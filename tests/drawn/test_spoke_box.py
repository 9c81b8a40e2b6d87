"""The spokes' box of a drawn view lies where spokes pass, wherever the camera leans to."""

import numpy as np
import pytest

from rimgauge.scene import CURVE_POINTS, Scene, SceneSpec, scene_view

LEAST_GREYS = 1.5
"""What passing spokes change the box's pixels by (standard deviation), where next to nothing is seen of them: a camera that leans
to the other side by 3 or 4 degrees has them straight behind the rim. Without spokes it is 0.0."""


@pytest.mark.parametrize("side", ["right", "left"])
@pytest.mark.parametrize("tilt_deg", range(-8, 9))
def test_spokes_pass_in_their_box_however_the_camera_leans(tilt_deg, side):
    flat = np.zeros(CURVE_POINTS)
    spec = SceneSpec(lateral_mm=flat, radial_mm=flat, tilt_deg=float(tilt_deg), side=side, seed=31101)
    scene = Scene(spec)
    x, y, width, height = scene_view(scene).spoke_box
    turned = [scene.photograph(angle).mean(axis=2) for angle in np.arange(0.0, 22.5, 3.0)]
    change = np.std([picture[y : y + height, x : x + width] for picture in turned], axis=0)
    assert change.mean() > LEAST_GREYS
