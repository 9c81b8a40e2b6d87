"""The spokes' strips in a drawn picture."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from rimgauge.capture.mark import spoke_strips
from rimgauge.records import Edge, View


@pytest.mark.parametrize("forward", [(0.0, 1.0), (0.0, -1.0), (1.0, 0.0), (-1.0, 0.0)])
def test_a_leaning_spoke_stays_narrow_in_strips_side_by_side_whichever_way_the_rim_goes(forward):
    # A line 4 px wide that leans by 30°, over a box of 136 × 144 px: 78 px along from side to side.
    across, along = np.meshgrid(np.arange(200.0), np.arange(200.0))
    past = along - 100.0 - (across - 100.0) * np.tan(np.radians(30.0))
    grey = np.where(np.abs(past) < 2.0 / np.cos(np.radians(30.0)), 40.0, 200.0)
    box, picture = (32, 28, 136, 144), grey
    if forward[0]:
        box, picture = (28, 32, 144, 136), grey.T
    image = np.repeat(picture.astype(np.uint8)[:, :, None], 3, axis=2)
    sides = (Edge(side="right", pointer_box=(90, 90, 20, 20), rim_box=(60, 90, 20, 20)),)
    view = View(
        direction="lateral", image_size=(200, 200), positive=forward[::-1], forward=forward, edges=sides
    )
    strips = spoke_strips(image, view, box)
    assert strips.shape == (72, 4)
    dark = 200.0 - strips
    at = np.arange(72)[:, None]
    middle = (at * dark).sum(axis=0) / dark.sum(axis=0)
    width = np.sqrt(((at - middle) ** 2 * dark).sum(axis=0) / dark.sum(axis=0))
    one = dark.mean(axis=1)
    whole = np.sqrt(((at[:, 0] - 35.5) ** 2 * one).sum() / one.sum())
    assert width.max() < 0.35 * whole
    step = 34.0 * np.tan(np.radians(30.0)) / 2.0
    assert_allclose(np.diff(middle), np.full(3, step) * (1.0 if sum(forward) > 0.0 else -1.0), atol=0.3)
