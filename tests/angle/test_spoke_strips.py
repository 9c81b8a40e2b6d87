"""The spokes' strips in a drawn picture."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.ndimage import gaussian_filter

from rimgauge.capture.mark import spoke_strips, without_flicker
from rimgauge.records import Edge, View


def a_view(forward):
    """A view of pictures of 200 × 200 pixels."""
    sides = (Edge(side="right", pointer_box=(90, 90, 20, 20), rim_box=(60, 90, 20, 20)),)
    return View(
        direction="lateral", image_size=(200, 200), positive=forward[::-1], forward=forward, edges=sides
    )


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
    view = a_view(forward)
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


def spokes_passing(frames):
    """Strips (frames, 72, 4) of dark spokes on an even ground, and where the first of them is."""
    bins, at = np.arange(72.0), 20.0 + 1.3 * np.arange(frames)
    past = (bins - at[:, None] + 20.0) % 40.0 - 20.0
    return np.repeat((120.0 - 50.0 * np.exp(-0.5 * (past / 3.0) ** 2))[:, :, None], 4, axis=2)


def test_strips_follow_the_cameras_shake():
    rng = np.random.default_rng(1)
    soft = gaussian_filter(rng.uniform(0.0, 255.0, (220, 220)), 3.0)
    image = np.repeat(np.rint(soft).astype(np.uint8)[:, :, None], 3, axis=2)
    view = a_view((0.0, 1.0))
    still, shaken = image[10:-10, 10:-10], image[7:-13, 15:-5]
    box = (40, 30, 96, 120)
    moved = spoke_strips(shaken, view, box, (-5.0, 3.0))
    assert_allclose(moved, spoke_strips(still, view, box), atol=1e-3)
    assert np.abs(spoke_strips(shaken, view, box) - moved).max() > 3.0


def test_bands_of_a_lamp_are_divided_out_of_the_strips_and_small_changes_are_not():
    profile = spokes_passing(120)
    bands = 1.0 + 0.25 * np.sin(np.linspace(0.0, 2.0, 72) + 1.9 * np.arange(120)[:, None])
    even = without_flicker(profile * bands[:, :, None], 100.0 * bands)
    # What all bins share is left in: it is no business of the lamp's alone.
    even, wanted = (each / each.mean(axis=(1, 2), keepdims=True) for each in (even, profile))
    # A parabola misses 2 % of such a band at its ends.
    assert_allclose(even, wanted, rtol=0.03)
    assert without_flicker(profile, 100.0 + 0.04 * bands) is profile
