"""A frame whose place on the wheel isn't sure gives no gap, and says why."""

from dataclasses import replace

import numpy as np
from numpy.testing import assert_array_equal

from rimgauge.pipeline import _notes, _without_unsure
from tests.laws.simulated import followed


def test_a_frame_of_unsure_angle_is_left_out_and_said_so():
    angle_deg = np.array([0.0, np.nan, 20.0, np.nan])
    seen, turning = followed(np.arange(4) / 30.0, angle_deg, np.full(4, 20.0), np.zeros((4, 2)))
    seen = replace(seen, lost=("", "", "", "covered"))
    kept = _without_unsure(seen, turning)
    assert_array_equal(np.isfinite(kept.sides[0].gap_px), [True, False, True, False])
    unsure = "the wheel's angle is not sure enough to name a spoke"
    assert kept.lost == ("", unsure, "", "covered")
    assert {f"1 frame not used: {why}." for why in ("covered", unsure)} <= set(_notes(kept, turning))
