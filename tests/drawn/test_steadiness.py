"""Jumps of the pointer that last, in made-up tracks of where its tip stands."""

from __future__ import annotations

import numpy as np

from rimgauge.capture.steadiness import stretches
from rimgauge.capture.tracker import Sighting, _unmoved


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
        return [
            Sighting(
                gap_px=1.0,
                standard_error_px=0.05,
                quality=1.0,
                tip_px=(float(x), float(y)),
                rim_px=(0.0, 0.0),
                shift_px=0.0,
                shift_error_px=0.05,
                lost="",
            )
            for x, y in tips_px(300, jumps)
        ]

    left, right = _unmoved([side({60: 2.0}), side({180: 2.0})])
    used = np.array([not sighting.lost for sighting in left])
    assert (used == [not sighting.lost for sighting in right]).all()
    assert list(np.flatnonzero(used)) == list(range(60, 180))
