"""A tip that moves with the wheel is no fixed pointer; a camera in the hand is no reason to doubt it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from simulated import followed

from rimgauge.errors import NotTrustworthy
from rimgauge.records import FloatArray
from rimgauge.signal import check_at_rest

COUNT, TURNS = 240, 2.4
TIME_S = np.arange(COUNT) / 30.0
ANGLE_DEG = 360.0 * TURNS * TIME_S / TIME_S[-1]
RIGHT = np.array([1.0, 0.0])


def check(tip_px: FloatArray, seen_turns: float = TURNS) -> None:
    noise = np.random.default_rng(4).normal(0.0, 0.02, COUNT)
    tips_px = np.stack([tip_px + noise, np.full(COUNT, 90.0)], axis=1)
    gaps, turning = followed(TIME_S, ANGLE_DEG * seen_turns / TURNS, np.full(COUNT, 15.0), tips_px)
    check_at_rest(gaps, turning, RIGHT)


def test_a_seam_of_the_rim_taken_for_the_tip_is_refused() -> None:
    with pytest.raises(NotTrustworthy, match="right pointer's tip moves as the wheel turns"):
        check(100.0 + 2.0 * np.sin(np.radians(ANGLE_DEG)) + np.cos(np.radians(3.0 * ANGLE_DEG)))


def test_a_rim_that_pushes_the_pointer_at_its_worst_place_is_refused() -> None:
    off_deg = (ANGLE_DEG - 100.0 + 180.0) % 360.0 - 180.0
    with pytest.raises(NotTrustworthy, match="the wheel touches the pointer"):
        check(100.0 + 3.0 * np.exp(-0.5 * (off_deg / 25.0) ** 2))


@pytest.mark.parametrize("seed", range(6))
def test_a_camera_in_the_hand_is_not(seed: int) -> None:
    sway = gaussian_filter1d(np.random.default_rng(seed).normal(size=COUNT), 12.0)
    check(100.0 + 3.0 * sway / sway.std())


def test_a_camera_that_sags_is_not() -> None:
    check(100.0 + 5.0 * (TIME_S / TIME_S[-1]) ** 2)


def test_too_little_seen_twice_says_nothing() -> None:
    # Over a tenth of a turn any slow movement may look alike.
    check(100.0 + 2.0 * np.sin(np.radians(ANGLE_DEG)), seen_turns=1.1)
