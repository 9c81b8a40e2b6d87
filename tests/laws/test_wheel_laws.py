"""What has to hold for any wheel, whatever its numbers."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from rimgauge.records import Hub, Tension, Wheel
from rimgauge.wheel import READY_MADE, complete_wheel, influence, slack_turns
from rimgauge.wheel.geometry import spoke_lines
from rimgauge.wheel.stiffness import movement, spoke_rates_n_per_mm, stiffness_matrix
from tests.pushed import point_stiffness_n_per_mm

ROUNDING = 1e-9
DISHED = "box-section alloy, dished rear"


def wheel_of(kind: str, spokes: int = 32) -> Wheel:
    return complete_wheel({"spokes": spokes, "kind": kind})


def nearly_slack(wheel: Wheel) -> Wheel:
    """The same wheel with next to no tension, so that only the spokes' own stiffness counts."""
    return replace(wheel, tension=Tension(right_n=1e-3, left_n=1e-3, limit_n=1000.0))


@pytest.mark.parametrize("kind", READY_MADE)
def test_stiffness_is_symmetric_and_positive_definite(kind: str) -> None:
    wheel = wheel_of(kind)
    lines = spoke_lines(wheel)
    rates = spoke_rates_n_per_mm(wheel, lines)
    stiffness = stiffness_matrix(wheel, lines, rates, movement(wheel.spoke_angles_deg, 64), 64)
    assert_allclose(stiffness, stiffness.T, rtol=0, atol=1e-14 * np.abs(stiffness).max())
    scale = 1 / np.sqrt(np.diag(stiffness))
    assert np.linalg.eigvalsh(stiffness * scale[:, None] * scale).min() > 0


@pytest.mark.parametrize("kind", READY_MADE)
def test_tension_answers_are_reciprocal(kind: str) -> None:
    # Betti and Maxwell: with spokes of two thicknesses, scaled by the pull of a turn, i from j is j from i.
    wheel = wheel_of(kind)
    thin = replace(wheel, spoke=replace(wheel.spoke, left_diameter_mm=0.8 * wheel.spoke.left_diameter_mm))
    change = influence(thin).tension_n
    assert_allclose(change, change.T, rtol=0, atol=ROUNDING * np.abs(change).max())


def test_turning_the_wheel_turns_the_answer() -> None:
    wheel = wheel_of(DISHED)
    turned = replace(wheel, spoke_angles_deg=wheel.spoke_angles_deg + 3.7)
    here, there = influence(wheel), influence(turned)
    for name in ("lateral_mm", "radial_mm", "dish_mm", "tension_n"):
        assert_allclose(getattr(there, name), getattr(here, name), rtol=1e-8, atol=ROUNDING)


def test_each_pair_of_spokes_answers_like_the_next_crossed_pair() -> None:
    change = influence(wheel_of(DISHED)).lateral_mm
    assert_allclose(change[4:, 4:], change[:-4, :-4], rtol=0, atol=ROUNDING)


def test_the_mirror_image_of_a_wheel_moves_the_other_way() -> None:
    wheel = wheel_of(DISHED)
    hub, tension = wheel.hub, wheel.tension
    mirrored = replace(
        wheel,
        flanges=tuple("left" if side == "right" else "right" for side in wheel.flanges),
        hub=Hub(
            right_flange_diameter_mm=hub.left_flange_diameter_mm,
            left_flange_diameter_mm=hub.right_flange_diameter_mm,
            right_flange_offset_mm=hub.left_flange_offset_mm,
            left_flange_offset_mm=hub.right_flange_offset_mm,
        ),
        tension=Tension(right_n=tension.left_n, left_n=tension.right_n, limit_n=tension.limit_n),
    )
    here, there = influence(wheel), influence(mirrored)
    assert_allclose(there.lateral_mm, -here.lateral_mm, rtol=0, atol=ROUNDING)
    assert_allclose(there.radial_mm, here.radial_mm, rtol=0, atol=ROUNDING)


@pytest.mark.parametrize("crossings", [0, 3])
def test_one_side_all_round_shifts_the_rim(crossings: int) -> None:
    # The rim as a whole shifts by δ/(2 sin α), statics of two springs; between the pulls it ripples a little.
    wheel = nearly_slack(complete_wheel({"spokes": 36, "crossings": crossings}))
    answer = influence(wheel)
    expected = wheel.spoke.turn_mm / (2 * abs(spoke_lines(wheel).toward_hub[0, 0]))
    assert_allclose(answer.dish_mm[::2].sum(), expected, rtol=1e-6, atol=0)
    assert_allclose(answer.lateral_mm[:, ::2].sum(axis=1), expected, rtol=1e-3, atol=0)


def test_spoke_forces_keep_their_balance() -> None:
    # Nothing else holds the rim: the changes of the spokes' forces add up to nothing.
    wheel = nearly_slack(wheel_of(DISHED))
    lines, change = spoke_lines(wheel), influence(wheel).tension_n
    angle = np.radians(wheel.spoke_angles_deg)
    lateral, radial, tangential = lines.toward_hub.T
    up = radial * np.cos(angle) - tangential * np.sin(angle)
    across = radial * np.sin(angle) + tangential * np.cos(angle)
    for part in (lateral, up, across, tangential):
        assert_allclose(part @ change, 0, rtol=0, atol=1e-3)


@pytest.mark.parametrize("kind", READY_MADE)
def test_a_tightened_nipple_pulls_toward_its_flange_and_inward(kind: str) -> None:
    wheel = wheel_of(kind)
    answer = influence(wheel)
    toward = np.where(np.array(wheel.flanges) == "right", 1.0, -1.0)
    assert np.all(np.diag(answer.lateral_mm) * toward > 0)
    assert np.all(np.diag(answer.radial_mm) < 0)
    assert np.all(np.diag(answer.tension_n) > 0)
    assert np.all(answer.dish_mm * toward > 0)


def test_dish_is_the_mean_over_the_circle() -> None:
    wheel = complete_wheel(
        {"spokes": 28, "spoke_angles_deg": list(np.arange(28) * 360 / 28 + np.tile([4.0, 9.0], 14))}
    )
    answer = influence(wheel, np.arange(720) * 0.5)
    assert_allclose(answer.lateral_mm.mean(axis=0), answer.dish_mm, rtol=0, atol=ROUNDING)


@pytest.mark.parametrize("kind", READY_MADE)
@pytest.mark.parametrize("spokes", [20, 24, 28, 32, 36])
def test_a_quarter_turn_moves_a_plausible_wheel_by_tenths(kind: str, spokes: int) -> None:
    # Common practice: a quarter turn shows as one or two tenths of a millimetre, more on few thin spokes.
    wheel = wheel_of(kind, spokes)
    quarter = np.abs(np.diag(influence(wheel).lateral_mm)) / 4
    assert quarter.min() > 0.07
    assert quarter.max() < 0.5


def test_more_tension_makes_the_wheel_softer_sideways() -> None:
    wheel = complete_wheel({"spokes": 36})
    found = [
        point_stiffness_n_per_mm(replace(wheel, tension=Tension(right_n=n, left_n=n, limit_n=2e3)), "lateral")
        for n in (10.0, 500.0, 1000.0, 1500.0)
    ]
    assert np.all(np.diff(found) < 0)


def test_each_spoke_pulls_or_is_slack_and_never_both():
    """What defines the answer, for any positive definite wheel; of these 300 three must take a slack spoke back."""
    random = np.random.default_rng(1)
    for _ in range(300):
        half = random.normal(size=(8, 8))
        per_turn_n, tension_n = half @ half.T + 0.5 * np.eye(8), random.normal(0, 100, 8)
        slack = slack_turns(tension_n, per_turn_n)
        pull_n = tension_n + per_turn_n @ slack
        assert slack.min() >= 0
        assert pull_n.min() > -1e-6
        assert np.abs(slack * pull_n).max() < 1e-6
