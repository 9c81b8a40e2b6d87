"""Paths laid from mark to mark, by the rim's slide or as if the wheel turned evenly, on simulated runs of which truth is known."""

from __future__ import annotations

import numpy as np
import pytest

from rimgauge.records import Slide
from rimgauge.signal.follow import Evidence, _starts
from rimgauge.signal.place import FASTEST_STEPS, SPEEDS, steady_speeds
from rimgauge.signal.slid import but_for_hands, path_by_mark, path_by_slide

FRAMES, SCALE, SPACING_DEG = 600, 1.1, 11.25


def test_slides_of_a_wrong_scale_and_of_the_next_spoke_still_give_the_path() -> None:
    """A tenth of the slides is off by a spoke, two fifths aren't clear, all are a tenth too long."""
    rng = np.random.default_rng(3)
    speed_deg = 4.5 + 1.5 * np.sin(np.arange(FRAMES) / 40.0)
    angle_deg = np.cumsum(speed_deg) - 30.0
    slid_deg = SCALE * speed_deg
    slid_deg[rng.random(FRAMES) < 0.1] -= SPACING_DEG
    slid_deg[rng.random(FRAMES) < 0.4] = np.nan
    off_deg = (angle_deg + 180.0) % 360.0 - 180.0
    mark_deg = np.where(np.abs(off_deg) < 12.0, off_deg, np.nan)
    near = np.abs(slid_deg[:, None] - np.arange(-FASTEST_STEPS, FASTEST_STEPS + 1)) <= 0.7
    by_speed = np.where(near, 7.0, 1.0)
    assert by_speed.shape == (FRAMES, SPEEDS)
    path_deg = path_by_slide(slid_deg, mark_deg, steady_speeds(by_speed))
    assert path_deg is not None
    # What is asked of it is to name the spoke; it is gone through finely afterwards.
    assert np.abs(path_deg - angle_deg).max() < 0.5 * SPACING_DEG
    assert path_by_slide(np.full(FRAMES, np.nan), mark_deg, speed_deg) is None
    assert path_by_slide(slid_deg, np.full(FRAMES, np.nan), speed_deg) is None


def test_the_even_path_from_mark_to_mark_is_among_those_begun_from() -> None:
    """A turn of such a wheel is 52.9 frames, so that each shows what the last one did, and a path warped alike in each fits as well.

    By the mark alone, which shows for two frames a turn, the paths begun from were all 10° off.
    """
    angle_deg = 6.8 * np.arange(160) - 36.0
    off_deg = (angle_deg + 180.0) % 360.0 - 180.0
    mark_deg = np.where(np.abs(off_deg) < 6.0, off_deg, np.nan)
    even_deg = path_by_mark(mark_deg)
    assert even_deg is not None
    assert np.abs(even_deg - angle_deg).max() < 1e-9
    evidence = Evidence(mark_deg, np.full(160, 0.8), hidden_deg=2.0)
    off = [np.abs(start.place.angle_deg - angle_deg).max() for start in _starts(evidence, None, 9.0)]
    assert min(off) < 1.0
    assert path_by_mark(np.where(np.arange(160) < 50, mark_deg, np.nan)) is None


@pytest.mark.parametrize(("apart", "anew"), [(11, False), (13, True)])
def test_a_mark_that_shows_again_sooner_than_any_wheel_comes_round_has_not_come_round(apart, anew):
    mark_deg = np.where(np.isin(np.arange(60), [20, 20 + apart]), 0.0, np.nan)
    assert (path_by_mark(mark_deg) is not None) == anew


@pytest.mark.parametrize("resting", [40, 0])
def test_a_hand_at_rest_before_the_rim_while_spokes_pass_is_no_resting_wheel(resting: int) -> None:
    """The wheel rests from frame 100 on, or never, and then spokes stir in every frame; a hand rests from frame 200 to 219."""
    rng = np.random.default_rng(5)
    frame = np.arange(300)
    step = np.where((frame >= 100) & (frame < 100 + resting), 0.0, 3.0)
    past = (np.arange(72.0) - np.cumsum(step)[:, None] + 15.0) % 30.0 - 15.0
    grey = 120.0 - 50.0 * np.exp(-0.5 * (past / 3.0) ** 2) + rng.normal(0.0, 0.5, past.shape)
    shift_px = np.arange(-10.0, 11.0)
    slid_px = np.where((frame >= 200) & (frame < 220), 0.0, step)
    nats = np.where(shift_px == slid_px[:, None], 20.0, 0.0)
    nats[0] = 0.0
    kept = but_for_hands(Slide(shift_px=shift_px, nats=nats), np.repeat(grey[:, :, None], 4, axis=2))
    gone = (kept.nats == 0.0).all(axis=1)
    assert np.array_equal(np.flatnonzero(gone), [0, *range(200, 220)])
