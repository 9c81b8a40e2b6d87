"""What is remembered of the wheel while it turns, stops and turns back."""

import math

import numpy as np
import pytest

from rimgauge.live import covered, extend, no_trail, spread_mm
from rimgauge.live.trail import CELLS
from rimgauge.records import Moment


def followed(moments):
    trail = no_trail()
    for moment in moments:
        trail = extend(trail, moment)
    return trail


def seen_at(angle_deg, gap_mm):
    nothing = np.full((1, 2), np.nan)
    return Moment(
        index=0,
        time_s=0.0,
        image=np.zeros((4, 4, 3), np.uint8),
        gap_mm=np.array([gap_mm]),
        tip_px=nothing,
        rim_px=nothing,
        angle_deg=angle_deg,
        spoke=None,
    )


def test_one_revolution_covers_the_wheel_and_gives_the_curve_back(moments):
    trail = followed(moments(122))
    assert covered(trail) == 1.0
    centre_deg = (np.arange(CELLS) + 0.5) / CELLS * 360
    expected = 2.1 + 0.45 * np.cos(np.radians(2 * centre_deg))
    # a cell is half a degree: 0.45 mm * 2 / rev * half a degree is 0.008 mm
    np.testing.assert_allclose(trail.now_mm, expected, rtol=0, atol=0.012)


def test_half_a_revolution_covers_half(moments):
    assert covered(followed(moments(61))) == pytest.approx(0.5, abs=0.01)


def test_spread_is_that_of_the_curve_and_is_not_given_too_early(moments):
    assert math.isnan(spread_mm(followed(moments(100))))
    assert spread_mm(followed(moments(122))) == pytest.approx(0.9, abs=0.01)


def test_the_revolution_before_is_kept(moments):
    trail = followed([*moments(121), *(seen_at(3.0 * i, 5.0) for i in range(1, 60))])
    assert trail.now_mm[100] == pytest.approx(5.0)
    assert trail.earlier_mm[100] == pytest.approx(2.1 + 0.45 * math.cos(math.radians(2 * 50.25)), abs=0.012)


def test_turning_back_writes_the_same_places_again(moments):
    there = [seen_at(10.0 + i, 2.0) for i in range(20)]
    back = [seen_at(29.0 - i, 3.0) for i in range(1, 15)]
    trail = followed(there + back)
    assert trail.now_mm[round(20.5 / 360 * CELLS)] == pytest.approx(3.0)
    assert trail.now_mm[round(11.5 / 360 * CELLS)] == pytest.approx(2.0)


def test_standing_still_averages():
    trail = followed([seen_at(90.0, gap_mm) for gap_mm in (1.0, 2.0, 3.0)])
    assert trail.now_mm[CELLS // 4] == pytest.approx(2.0)


def test_frames_that_saw_nothing_leave_a_hole_rather_than_a_guess():
    trail = followed([seen_at(10.0, 2.0), seen_at(20.0, math.nan), seen_at(30.0, 2.0)])
    assert math.isnan(trail.now_mm[round(20 / 360 * CELLS)])
    trail = followed([seen_at(10.0, 2.0), seen_at(math.nan, 2.0)])
    assert np.isfinite(trail.now_mm).sum() == 1


def test_a_jump_is_not_bridged():
    trail = followed([seen_at(10.0, 2.0), seen_at(100.0, 2.0)])
    assert np.isfinite(trail.now_mm).sum() == 2


def test_passing_the_mark_goes_on_without_a_hole():
    trail = followed([seen_at(355.0, 2.0), seen_at(5.0, 2.0)])
    assert np.isfinite(trail.now_mm[-9:]).all()
    assert np.isfinite(trail.now_mm[:10]).all()
    assert math.isnan(trail.now_mm[CELLS // 2])
