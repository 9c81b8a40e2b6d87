"""Wheels that are turned back: from one frame to the next, or all the time and so evenly that each turn shows the same frames."""

from dataclasses import replace

import numpy as np
import pytest
from hand_motion import STEP_S, Motion
from seen_angle import draw_bench, even_film, film, layout_of

from rimgauge.errors import PlaceLost
from rimgauge.signal import find_turning

SEED = 1
"""Of a wheel of 24 spokes; without the rule one of its frames was off by 2.5 of what it stated, with it by 1.3."""


def test_no_frame_of_a_wheel_turned_back_at_once_is_farther_off_than_two_of_what_it_states():
    rng = np.random.default_rng(SEED)
    bench = replace(draw_bench(rng), dropped=0.0, jitter_s=0.0, hand=False)
    clock_s = np.arange(0.0, 7.0, STEP_S)
    speed_deg_s = np.where(clock_s < 4.0, 180.0, np.where(clock_s < 5.0, -40.0, 150.0))
    seen = film(
        Motion("turned back", clock_s, np.cumsum(speed_deg_s) * STEP_S + 20.0),
        bench,
        rng,
    )
    turning = find_turning(seen.track, layout_of(bench))
    off_deg = np.abs((turning.angle_deg - seen.angle_deg + 180.0) % 360.0 - 180.0)
    told = np.isfinite(off_deg)
    assert told.mean() > 0.7
    assert (off_deg[told] < 2.0 * turning.standard_uncertainty_deg[told]).all()


def test_a_wheel_turned_backward_so_evenly_that_its_mark_shows_in_one_frame_a_turn_is_not_told_as_its_mirror_image():
    """42 frames a turn; before the rule every frame was told up to 172° off, with 0.2° stated."""
    seen = even_film(621, -1)
    with pytest.raises(PlaceLost, match="if it turned the other way"):
        find_turning(seen.track, layout_of(seen.bench))
