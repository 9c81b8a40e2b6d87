"""The spokes' strips in numbers: what is of the spokes, and what is of the rim's edge beside them."""

import numpy as np
import pytest

from rimgauge.signal.profile import but_for_the_edge, learn_axes
from rimgauge.signal.series import foretold

FRAMES, BINS, EDGE_BINS, SPACING_BINS = 240, 72, 10, 97.0
LAG = 2
"""Frames that the rim takes from the strip's border to the pointer."""


def strips_and_gap():
    """Thin faint spokes on their way past, and at the border the rim's edge, which shades some bins as the rim strays."""
    rng = np.random.default_rng(4)
    frame = np.arange(FRAMES + LAG)
    stray = np.sin(frame / 10.0) + 0.6 * np.sin(frame / 4.3 + 1.0)
    place = (np.arange(BINS) - 30.3 * np.arange(FRAMES)[:, None]) % SPACING_BINS
    grey = 140.0 - 8.0 * (place < 3.0) + rng.normal(0.0, 1.0, place.shape)
    edge_bins = np.arange(EDGE_BINS)
    shaded = np.clip(2.0 + 2.5 * stray[:FRAMES, None] - edge_bins, 0.0, 1.0)
    grey[:, :EDGE_BINS] -= 60.0 * shaded
    gap_px = 15.0 + 5.0 * np.roll(stray, LAG)[:FRAMES]
    gap_px[[50, 120]] = [np.nan, 3.0]
    return np.repeat(grey[:, :, None], 4, axis=2), gap_px


def test_the_rims_edge_in_the_strip_goes_with_the_gap_and_the_spokes_do_not():
    """The edge changes the strip far more than the spokes do; without it nearly all that is left are spokes."""
    profile, gap_px = strips_and_gap()
    components = learn_axes(profile, soft_bins=2.0, most=12).project(profile)
    kept = but_for_the_edge(components, gap_px[None, :])
    assert 6 <= kept.shape[1] < 12
    # Spokes jump on by a third of their spacing from frame to frame; the edge hardly moves.
    assert np.var(np.diff(components, axis=0)) < 0.5 * np.var(components)
    assert np.var(np.diff(kept, axis=0)) > 1.5 * np.var(kept)


@pytest.mark.parametrize(("frames", "sides"), [(30, 1), (45, 1), (45, 2), (70, 2), (240, 2)])
def test_in_a_short_film_the_gap_does_not_tell_spokes_by_chance(frames, sides):
    """Of noise nothing goes with the gap, though 22 unknowns of one pointer, 43 of two, fit much of a few frames."""
    rng = np.random.default_rng(3)
    components = rng.normal(size=(frames, 8))
    gaps_px = np.cumsum(rng.normal(size=(sides, frames)), axis=1)
    assert but_for_the_edge(components, gaps_px).shape[1] >= 7


def test_a_pointer_whose_gap_was_never_seen_tells_nothing():
    profile, gap_px = strips_and_gap()
    components = learn_axes(profile, soft_bins=2.0, most=12).project(profile)
    unseen = np.full_like(gap_px, np.nan)
    np.testing.assert_array_equal(but_for_the_edge(components, unseen[None, :]), components)
    both = but_for_the_edge(components, np.stack([unseen, gap_px]))
    np.testing.assert_array_equal(both, but_for_the_edge(components, gap_px[None, :]))


def test_a_valve_among_the_spokes_does_not_spoil_what_is_foretold_of_them():
    # Eleven times as loud as a spoke, in two frames of 144, where every fifth of the phase was seen but once or twice a turn.
    angle_deg = 6.05 * np.arange(144.0)
    looks = np.array(
        [np.exp(-0.5 * (((angle_deg - at + 36.0) % 72.0 - 36.0) / 2.0) ** 2) for at in (10.0, 40.0)]
    ).T
    looks += np.random.default_rng(3).normal(0.0, 0.02, looks.shape)
    missed, whole = foretold(looks, angle_deg, 72.0)
    looks[[30, 90]] += 8.0
    spoilt, _ = foretold(looks, angle_deg, 72.0, robust=True)
    others = np.delete(np.arange(144), [30, 90])
    assert spoilt[others].sum() < 0.1 * whole[others].sum()
    assert missed.sum() < 0.05 * whole.sum()
