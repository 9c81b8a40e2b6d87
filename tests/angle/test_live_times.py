"""The live place counts a camera's frames as they come, however their times fall."""

import numpy as np
import pytest

from rimgauge.signal import LivePlace
from rimgauge.signal.place import STEPS

STEP_DEG, INTERVAL_S, TAG_EVERY = 5.0, 1 / 30, 12


def tag_at(angle_deg):
    """Likelihood of each angle where a tag tells it to half a degree."""
    off = (np.arange(STEPS) * 360 / STEPS - angle_deg + 180) % 360 - 180
    return np.exp(-0.5 * (off / 0.5) ** 2)[None] + 1e-9


@pytest.mark.parametrize("seed", [814001, 814002])
@pytest.mark.parametrize("phase", [0.0, 0.5])
def test_an_even_turn_is_followed_wherever_the_times_of_its_frames_fall(phase, seed):
    # A clock that strays by 4 % of an interval, as drawn films have it; the first frame sets the phase.
    stray = np.random.default_rng(seed).normal(0, 0.04, 240)
    time_s = INTERVAL_S * (np.arange(240) + phase + stray)
    place = LivePlace(interval_s=INTERVAL_S, spoke_period_deg=20.0, marked=False)
    place.step(0.0, np.nan, np.empty((0, 0)), np.array([np.nan]), tag_at(0.0))
    off = []
    for k in range(1, 240):
        tags = tag_at(k * STEP_DEG % 360) if k % TAG_EVERY == 0 else None
        now = place.step(time_s[k], np.nan, np.empty((0, 0)), np.array([np.nan]), tags)
        off.append(abs((now.angle_deg - k * STEP_DEG + 180) % 360 - 180))
    # once the speed is known a tag's own half degree and a cell of the grid are left, and what the hand may have done
    assert max(off[60:]) < STEP_DEG / 2
