"""The picture of the worst place is of the frame that shows it best."""

from dataclasses import replace

import numpy as np
import pytest

from rimgauge.errors import BadInput
from rimgauge.pipeline import other_side, worst_frame
from rimgauge.records import FrameValues


def test_the_frame_is_near_the_worst_place_of_the_worse_side_has_a_gap_there_and_is_the_clearest(runout):
    measured = runout(1.0, sides=2)
    worse = measured.sides[0]
    worst = int(np.argmax(np.abs(worse.curve_mm)))
    worst_deg = float(worse.curve_angle_deg[worst])
    off_deg = np.array([40.0, -1.0, 361.0, 0.5, 0.0])
    gap_mm = np.full((2, 5), 2.0)
    gap_mm[0, 4] = np.nan  # the worse side was covered where the other was seen best
    frames = FrameValues(
        time_s=np.arange(5.0),
        angle_deg=worst_deg + off_deg,
        gap_mm=gap_mm,
        quality=np.array([1.0, 0.6, 0.9, 0.7, 1.0]),
    )
    assert worst_frame(replace(measured, frames=frames)) == (2, worst_deg, float(worse.curve_mm[worst]))


def test_the_larger_side_stands_for_the_other_direction(runout):
    measured = runout(1.0, sides=2)
    assert other_side(measured, "radial") is measured.sides[0]
    with pytest.raises(BadInput, match="lateral too"):
        other_side(measured, "lateral")
