"""A wheel that turns evenly by a simple share of the look's period a frame shows the same few sights again and again."""

from dataclasses import replace

import numpy as np
import pytest
from hand_motion import draw_motion
from seen_angle import draw_bench, film, layout_of, spoke_angles

from rimgauge.signal import find_turning

ERROR_DEG = 0.3
"""Aimed at with mark and spokes, 95 %."""


@pytest.mark.parametrize(("seed", "sights"), [(320, 4), (9063, 5)])
def test_a_drift_past_a_few_sights_is_told_by_the_mark_and_not_by_how_smooth_a_look_would_be(seed, sights):
    rng = np.random.default_rng(seed)
    motion = draw_motion("steady", rng)
    drawn = replace(draw_bench(rng), dropped=0.0, jitter_s=0.0, hand=False)
    angles_deg = spoke_angles(len(drawn.spoke_angles_deg), False, np.random.default_rng(seed))
    seen = film(motion, replace(drawn, spoke_angles_deg=angles_deg, paired=False), rng)
    spacing_deg = 360.0 / len(angles_deg)
    layout = replace(layout_of(drawn), spoke_angles_deg=spacing_deg * (np.arange(len(angles_deg)) + 0.5))
    step_deg = float(np.median(np.diff(seen.angle_deg)))
    drift_deg = (sights * step_deg + 0.5 * layout.look_period_deg) % layout.look_period_deg
    assert abs(drift_deg - 0.5 * layout.look_period_deg) < 0.5, "after so many frames it looks the same"
    turning = find_turning(seen.track, layout)
    off_deg = (turning.angle_deg - seen.angle_deg + 180.0) % 360.0 - 180.0
    told = np.isfinite(off_deg)
    assert told.mean() > 0.9
    assert np.percentile(np.abs(off_deg[told]), 95) < ERROR_DEG
    assert np.mean(np.abs(off_deg[told]) < 2.0 * turning.standard_uncertainty_deg[told]) > 0.9
