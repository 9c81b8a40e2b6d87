"""The picture of the worst place is of the frame that shows it best."""

from dataclasses import replace

import numpy as np
import pytest

from rimgauge.errors import BadInput
from rimgauge.pipeline import other_side, worst_frame
from rimgauge.records import FrameValues
from tests.laws.simulated import simulated_pass, wave


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


def test_the_picture_is_of_the_worst_place_though_the_pointer_stands_ahead_of_the_first():
    ahead_deg = 4.0
    measured = simulated_pass(wave(2, 0.4), gaps_mm=(("right", 2.0), ("left", 2.0)))
    number = measured.sides.index(measured.worse_side)
    basis = replace(measured.basis, ahead_mm=np.full(2, np.radians(ahead_deg) * measured.basis.rim_radius_mm))
    moved = replace(
        measured,
        basis=basis,
        frames=replace(measured.frames, quality=np.ones(len(measured.frames.time_s))),
    )
    index, worst_deg, _ = worst_frame(moved)
    assert np.isfinite(moved.frames.gap_mm[number, index])
    off_deg = (moved.frames.angle_deg[index] - ahead_deg - worst_deg + 180.0) % 360.0 - 180.0
    assert abs(off_deg) <= 2.0


def test_the_larger_side_stands_for_the_other_direction(runout):
    measured = runout(1.0, sides=2)
    assert other_side(measured, "radial") is measured.sides[0]
    with pytest.raises(BadInput, match="lateral too"):
        other_side(measured, "lateral")
