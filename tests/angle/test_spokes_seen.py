"""Whether it is spokes that a course was told by, and not streaks of a rim that runs out of round."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hand_motion import draw_motion
from seen_angle import Bench, film, layout_of, spoke_angles

from rimgauge.signal import Layout, find_turning
from rimgauge.signal.spokes_seen import share_of_short, spokes_seen

RUN_DEG = -60.0 + np.cumsum(np.random.default_rng(2).uniform(3.0, 7.0, 250))
SPACING_DEG = 15.0
LOOK_DEG = 4 * SPACING_DEG


def waves_of(run_deg, lengths_deg, noise=0.05):
    """Components (n, 3) that are made of waves of some lengths, and a little noise."""
    rng = np.random.default_rng(3)
    wave = sum(np.cos(np.radians(360.0 * run_deg / each))[:, None] for each in lengths_deg)
    return wave * rng.normal(1.0, 0.3, 3) + rng.normal(0.0, noise, (len(run_deg), 3))


def test_what_returns_with_the_spokes_is_short():
    lengths_deg = (LOOK_DEG, 2 * SPACING_DEG, SPACING_DEG)
    # One of the three waves is longer than two spokes: two thirds are left, by Parseval's theorem.
    assert share_of_short(
        waves_of(RUN_DEG, lengths_deg), RUN_DEG, LOOK_DEG, 2 * SPACING_DEG
    ) == pytest.approx(2.0 / 3.0, abs=0.05)


def test_waves_round_the_wheel_are_none_of_spokes_though_a_bent_path_has_them_return():
    """The path goes up to 8° astray, so that a wave of a turn's sixth looks alike at each fourth spoke."""
    bent_deg = RUN_DEG + 8.0 * np.sin(np.radians(RUN_DEG) + 1.0)
    rim = waves_of(RUN_DEG, (360.0, 180.0, 120.0, 60.0))
    assert share_of_short(rim, bent_deg, LOOK_DEG, 2 * SPACING_DEG) < 0.05


def test_short_waves_that_do_not_return_with_the_spokes_count_for_nothing():
    strange = waves_of(RUN_DEG, (360.0 / 29.0,))
    assert share_of_short(strange, RUN_DEG, LOOK_DEG, 2 * SPACING_DEG) < 0.05


@pytest.mark.parametrize(
    ("lengths_deg", "spokes", "seen"),
    [
        pytest.param((SPACING_DEG,), 24, True, id="spokes"),
        pytest.param((360.0, 180.0, 120.0, 4 * SPACING_DEG), 24, False, id="a rim out of round"),
        pytest.param((4 * SPACING_DEG,) * 3 + (2 * SPACING_DEG,), 24, True, id="pairs of spokes, faintly"),
        pytest.param((360.0, 180.0, 120.0), 23, True, id="only a whole turn brings the spokes back"),
    ],
)
def test_what_is_foretold_well_is_spokes_only_if_short_waves_tell_it(lengths_deg, spokes, seen):
    """All are foretold by nine tenths, as a bent path has them return."""
    course = SimpleNamespace(
        angle_deg=RUN_DEG, missed=np.full(len(RUN_DEG), 0.1), whole=np.ones(len(RUN_DEG))
    )
    layout = Layout(np.arange(spokes) * 360.0 / spokes, 45.0, 0.1, 2.0)
    assert spokes_seen(waves_of(RUN_DEG, lengths_deg), course, layout) == seen


@pytest.mark.parametrize(("rim", "told_by"), [(0.0, ("mark", "spokes")), (1.0, ("mark",))])
def test_only_spokes_count_as_spokes(rim, told_by, monkeypatch):
    """Of the same film the box shows spokes, or is said to show none of them."""
    rng = np.random.default_rng(7)
    motion = draw_motion("steady", rng)
    bench = Bench(spoke_angles_deg=spoke_angles(36, False, rng), exposure_s=0.004, texture=0.0)
    seen = film(motion, bench, rng)
    monkeypatch.setattr("rimgauge.signal.spokes_seen.LEAST_SHORT", rim)
    found = find_turning(replace(seen.track, slide=None), layout_of(bench))
    assert found.evidence == told_by
