"""What the spokes' looks say of the course: not what a look that was learnt bent would say as well."""

import numpy as np
import pytest

from rimgauge.signal.series import waves
from rimgauge.signal.smooth_curve import SmoothCurve
from rimgauge.signal.spokes_say import HELD_SHARE, spokes_say

SPACING_DEG, FINEST_DEG, FRAME_S = 10.0, 3.0, 1.0 / 30.0
STEP_DEG = 3.3
"""A frame: waves of four spokes go on by a twelfth, so that none of them hardly changes from frame to frame."""


@pytest.fixture
def said():
    """What a look of twelve waves says of a curve whose knots follow a wave of two spokes, and the angles (n,) [deg]."""
    rng = np.random.default_rng(7)
    angle_deg = np.cumsum(STEP_DEG + rng.uniform(-0.3, 0.3, 600))
    basis, _ = waves(angle_deg, 4.0 * SPACING_DEG, FINEST_DEG)
    components = basis @ rng.normal(size=(basis.shape[1], 6)) + 0.02 * rng.normal(size=(600, 6))
    curve = SmoothCurve.over(FRAME_S * np.arange(600.0), 0.05)
    says = spokes_say(components, angle_deg, (4.0 * SPACING_DEG, FINEST_DEG), SPACING_DEG, None)
    return says.of(curve)[0], curve, angle_deg


def told(said, spokes):
    """Information on a bend by 1° [1/deg²], by a wave so many spokes long."""
    normal, curve, angle_deg = said
    bend_deg = np.sin(2.0 * np.pi * angle_deg / (spokes * SPACING_DEG))
    along = np.linalg.lstsq(curve.design.toarray(), bend_deg, rcond=None)[0]
    assert np.std(curve.design @ along - bend_deg) < 0.02
    return float(along @ normal @ along)


@pytest.mark.parametrize("spokes", [4, 2])
def test_a_bend_by_the_spokes_own_pattern_is_held_no_narrower_than_a_look_is_straight(said, spokes):
    # Whatever the frames say beyond that, the look may have been learnt so; a twentieth for what the curve can't follow.
    assert told(said, spokes) < 1.05 / (HELD_SHARE * SPACING_DEG) ** 2


def test_a_bend_that_no_look_has_is_told_by_all_frames(said):
    # Waves of three spokes aren't in a look that comes back after four.
    assert told(said, 3) > 10.0 / (HELD_SHARE * SPACING_DEG) ** 2
