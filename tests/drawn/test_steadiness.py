"""Jumps of the pointer that last, in made-up tracks of where its tip stands."""

from __future__ import annotations

import numpy as np

from rimgauge.capture.follower import SEEN, Sightings
from rimgauge.capture.sift import moved_left_out
from rimgauge.capture.steadiness import stretches


def tips_px(count: int, jumps: dict[int, float]) -> np.ndarray:
    rng = np.random.default_rng(5)
    tips = rng.normal(0.0, 0.05, (count, 2))
    for frame, by_px in jumps.items():
        tips[frame:, 0] += by_px
    return tips


def test_each_lasting_jump_begins_a_stretch_and_shake_begins_none():
    good = np.ones(300, dtype=bool)
    assert stretches(tips_px(300, {}), good).max() == 0
    found = stretches(tips_px(300, {60: 2.0, 180: -3.0}), good)
    assert list(np.flatnonzero(np.diff(found))) == [59, 179]


def test_a_jump_of_either_pointer_ends_the_stretch_of_both():
    def side(jumps):
        tip_px = tips_px(300, jumps)
        same = np.ones(300)
        return Sightings(
            gap_px=same,
            standard_error_px=0.05 * same,
            quality=same,
            tip_px=tip_px,
            rim_px=np.zeros_like(tip_px),
            shift_px=0.0 * same,
            shift_error_px=0.05 * same,
            lost=np.zeros(300, dtype=np.uint8),
            white=np.zeros(300, dtype=bool),
        )

    left, right = moved_left_out([side({60: 2.0}), side({180: 2.0})])
    assert (left.lost == right.lost).all()
    assert list(np.flatnonzero(left.lost == SEEN)) == list(range(60, 180))
