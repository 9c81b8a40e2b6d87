"""The spokes' strips in a drawn picture."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.ndimage import gaussian_filter

from rimgauge.capture import Frame, track
from rimgauge.capture.mark import (
    clear_of_rim,
    patch_within,
    spoke_patch,
    strips_of,
    without_flicker,
)
from rimgauge.records import Edge, View
from rimgauge.scene import Scene, SceneSpec, scene_view

STILL = (0.0, 0.0)


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
    strips = strips_of(spoke_patch(image, box), view, box, STILL)
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


@pytest.mark.parametrize(
    ("positive", "forward", "towards", "clear"),
    [
        # A rim at 55 to 62 whose pointer stands to its right; 40 px down the picture it lies 4 px farther right.
        ((1.0, 0.0), (-0.1, -1.0), 30.0, (67, 120, 63, 40)),
        # The pointer to its left: the box ends before the rim.
        ((1.0, 0.0), (0.1, 1.0), -30.0, (40, 120, 18, 40)),
        ((0.0, 1.0), (1.0, 0.0), 30.0, (40, 120, 90, 40)),
        # Strips lie along the way the rim passes, whichever way it strays.
        ((0.72, 0.69), (1.0, 0.0), 30.0, (40, 120, 90, 40)),
    ],
)
def test_the_spokes_box_leaves_out_what_the_rims_edge_covers(positive, forward, towards, clear):
    view = replace(a_view((0.0, 1.0)), positive=positive, forward=forward)
    rim = np.column_stack([np.linspace(55.0, 62.0, 9), np.full(9, 100.0)])
    rim[4] = np.nan
    tip = rim + towards * np.array(positive)
    assert clear_of_rim((40, 120, 90, 40), view, tip, rim) == clear
    # One mistake among many frames cuts off nothing.
    many, stray = np.repeat(rim, 8, axis=0), rim[8] + 40.0 * towards * np.array(positive)
    many_tips = np.vstack([np.repeat(tip, 8, axis=0), stray + towards * np.array(positive)])
    assert clear_of_rim((40, 120, 90, 40), view, many_tips, np.vstack([many, stray])) == clear
    # In a radial view spokes are beyond the rim's other edge, and a sliver of a box would tell little.
    assert clear_of_rim((40, 120, 90, 40), replace(view, direction="radial"), tip, rim) == (40, 120, 90, 40)
    if positive[0]:
        assert clear_of_rim((55, 120, 10, 40), view, tip, rim) == (55, 120, 10, 40)


def test_strips_of_a_part_of_a_box_are_those_of_a_box_drawn_so():
    image = np.random.default_rng(2).integers(0, 255, (200, 200, 3), dtype=np.uint8)
    view, box, within = a_view((0.0, 1.0)), (32, 28, 136, 144), (60, 28, 108, 144)
    part = patch_within(spoke_patch(image, box), box, within)
    assert_allclose(
        strips_of(part, view, within, (1.5, 0.5)),
        strips_of(spoke_patch(image, within), view, within, (1.5, 0.5)),
    )


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
    moved = strips_of(spoke_patch(shaken, box), view, box, (-5.0, 3.0))
    assert_allclose(moved, strips_of(spoke_patch(still, box), view, box, STILL), atol=1e-3)
    assert np.abs(strips_of(spoke_patch(shaken, box), view, box, STILL) - moved).max() > 3.0


def test_bands_of_a_lamp_are_divided_out_of_the_strips_and_small_changes_are_not():
    profile = spokes_passing(120)
    bands = 1.0 + 0.25 * np.sin(np.linspace(0.0, 2.0, 72) + 1.9 * np.arange(120)[:, None])
    even = without_flicker(profile * bands[:, :, None], 100.0 * bands)
    # What all bins share is left in: it is no business of the lamp's alone.
    even, wanted = (each / each.mean(axis=(1, 2), keepdims=True) for each in (even, profile))
    # A parabola misses 2 % of such a band at its ends.
    assert_allclose(even, wanted, rtol=0.03)
    assert without_flicker(profile, 100.0 + 0.04 * bands) is profile


def test_a_film_is_read_as_if_the_box_had_been_drawn_beside_the_rim():
    lateral_mm = 0.6 * np.cos(2.0 * np.pi * np.arange(720) / 720.0)
    scene = Scene(SceneSpec(lateral_mm=lateral_mm, radial_mm=np.zeros(720), frames=70, roll_deg=0.0))
    view = scene_view(scene)
    frames = [Frame(index, index / 30.0, scene.photograph(5.0 * index)) for index in range(70)]
    x, y, width, height = view.spoke_box
    boxes = (view.spoke_box, (x - 30, y, width + 30, height))
    drawn, over = (track(frames, replace(view, spoke_box=box)).spoke_profile for box in boxes)
    apart = [np.std(each.astype(np.float64).mean(axis=1), axis=0) for each in (drawn, over)]
    # Where the rim came and went a strip's mean would change by many grey levels.
    assert_allclose(apart[1], apart[0], atol=1.0)
