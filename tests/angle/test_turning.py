"""The angle of wheels turned by hand, drawn with exact truth, and the parts it is made of."""

import numpy as np
import pytest
from hand_motion import draw_motion
from numpy.testing import assert_allclose
from seen_angle import draw_bench, film, layout_of, without_spokes

from rimgauge.errors import RimgaugeError
from rimgauge.signal import find_turning, look_period_deg
from rimgauge.signal.evidence import even_moments
from rimgauge.signal.smooth_curve import SmoothCurve

FREE_SPIN_DEG = 1.0
"""95 % error aimed at for a free spin of which the mark alone is seen."""


@pytest.mark.parametrize(("jitter_s", "dropped"), [(0.0, 0.0), (0.0, 0.1), (0.004, 0.0), (0.004, 0.1)])
def test_frames_keep_their_beat_though_some_are_dropped_and_stamps_jitter(jitter_s, dropped):
    rng = np.random.default_rng(3)
    kept = np.flatnonzero(rng.random(900) >= dropped)
    stamps_s = kept / 30.0 + np.clip(rng.normal(0.0, 1.0, len(kept)), -2.0, 2.0) * jitter_s
    assert (even_moments(stamps_s) == kept - kept[0]).all()


def test_spokes_look_the_same_after_both_flanges_and_both_sides_of_the_heads():
    # 36 is a multiple of four: heads in and heads out take turns on each flange, so four spokes; 18 is not.
    assert_allclose(look_period_deg(np.arange(36) * 10.0), 40.0, rtol=1e-12)
    assert_allclose(look_period_deg(np.arange(18) * 20.0), 40.0, rtol=1e-12)


def test_paired_spokes_come_back_pair_by_pair_and_an_odd_one_out_only_after_a_turn():
    paired = np.arange(24) * 15.0 + np.where(np.arange(24) % 2 == 0, 4.0, -4.0)
    assert_allclose(look_period_deg(paired), 60.0, rtol=1e-12)
    odd = np.arange(24) * 15.0
    odd[5] += 6.0
    assert_allclose(look_period_deg(odd), 360.0, rtol=1e-12)


def test_steady_slowing_is_bridged_between_passes():
    # Closed form: θ = 300t − 8t², seen within 4° of every full turn only.
    time_s = np.arange(0.0, 9.0, 1.0 / 30.0)
    truth_deg = 300.0 * time_s - 8.0 * time_s**2
    off_deg = (truth_deg + 180.0) % 360.0 - 180.0
    weight = np.where(np.abs(off_deg) < 4.0, 1.0 / 0.1**2, 0.0)
    curve = SmoothCurve.over(time_s, 0.1)
    fit = curve.fit(*curve.places(truth_deg, weight))
    assert_allclose(fit.values(), truth_deg, rtol=0.0, atol=0.3)
    spread_deg = fit.standard_uncertainty()
    assert spread_deg[weight > 0.0].max() < spread_deg[weight == 0.0].max()


def errors_deg(seed, kind, turns, *, spokes):
    rng = np.random.default_rng(seed)
    bench = draw_bench(rng)
    seen = film(draw_motion(kind, rng, turns), bench if spokes else without_spokes(bench), rng)
    turning = find_turning(seen.track, layout_of(bench))
    off = (turning.angle_deg - seen.angle_deg + 180.0) % 360.0 - 180.0
    return np.abs(off[np.isfinite(off)])


def test_mark_alone_tells_most_free_spins_of_seven_turns():
    given = []
    for seed in range(24):
        try:
            given.append(np.percentile(errors_deg(seed, "spin", 7.0, spokes=False), 95))
        except RimgaugeError:
            continue
    assert len(given) >= 12
    assert np.median(given) <= FREE_SPIN_DEG
