"""Dish of a wheel turned round or between two pointers, on simulated measurements of known truth."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from rimgauge.errors import BadInput
from rimgauge.records import Lens
from rimgauge.signal.bending import LENS_LINE, lens_share
from rimgauge.signal.centre import SEATED_MM, dish_between, dish_turned
from tests.laws.simulated import bent, simulated_pass, turned_round, wave

SLACK_MM = 0.01
"""A tenth of a pixel here; the noise of a mean gap is far under it."""


@pytest.mark.parametrize("second", ["right", "left"])
@pytest.mark.parametrize("shape", [bent, wave(2, 0.2, 30.0)])
def test_a_wheel_that_was_never_turned_round_gives_no_dish(shape, second):
    # What the pointer sees stays; a pass named after the other side only counts it with the other sign.
    sign = 1.0 if second == "right" else -1.0
    again = simulated_pass(lambda degrees: sign * shape(degrees), gaps_mm=((second, 3.5),), seed=1)
    with pytest.raises(BadInput, match="same side of the wheel"):
        dish_turned(simulated_pass(shape, gaps_mm=(("right", 2.0),)), again)


@pytest.mark.parametrize("mark_deg", [0.0, 6.0])
@pytest.mark.parametrize("forward", [1.0, -1.0])
def test_a_wheel_turned_round_is_taken_for_one(forward, mark_deg):
    def seen(degrees):
        return turned_round(bent)(forward * np.asarray(degrees) + mark_deg)

    first, second = (
        simulated_pass(bent, gaps_mm=(("right", 2.2),)),
        simulated_pass(seen, gaps_mm=(("right", 3.8),), seed=1),
    )
    assert_allclose(dish_turned(first, second).offset_mm, 0.8, rtol=0, atol=SLACK_MM)


def test_a_wheel_too_true_to_tell_which_side_is_seen_gives_a_dish():
    first, second = (
        simulated_pass(wave(2, 0.002), gaps_mm=(("right", gap),), seed=seed)
        for seed, gap in ((0, 2.2), (1, 3.8))
    )
    assert_allclose(dish_turned(first, second).offset_mm, 0.8, rtol=0, atol=SLACK_MM)


def test_dish_is_half_the_difference_of_the_mean_gaps():
    # Rim 0.8 mm to the right: its right side is 0.8 mm nearer to the pointer, turned round 0.8 mm farther.
    found = dish_turned(
        simulated_pass(wave(2, 0.2), gaps_mm=(("right", 3.0 - 0.8),)),
        simulated_pass(turned_round(wave(2, 0.2)), gaps_mm=(("right", 3.0 + 0.8),), seed=1),
    )
    assert_allclose(found.offset_mm, 0.8, rtol=0, atol=SLACK_MM)
    assert 0.8 - found.expanded_uncertainty_mm < found.offset_mm < 0.8 + found.expanded_uncertainty_mm
    assert found.expanded_uncertainty_mm < 0.15


def test_dish_comes_out_the_same_from_the_other_side():
    found = dish_turned(
        simulated_pass(wave(2, 0.2), gaps_mm=(("left", 3.0 + 0.8),)),
        simulated_pass(turned_round(wave(2, 0.2)), gaps_mm=(("left", 3.0 - 0.8),), seed=1),
    )
    assert_allclose(found.offset_mm, 0.8, rtol=0, atol=SLACK_MM)


def test_a_dish_scatters_as_its_line_for_the_seat_says():
    def standing(measured, mm):
        side = measured.sides[0]
        return replace(measured, sides=(replace(side, mean_gap_mm=side.mean_gap_mm + mm),))

    first = simulated_pass(wave(2, 0.2), gaps_mm=(("right", 2.2),))
    second = simulated_pass(turned_round(wave(2, 0.2)), gaps_mm=(("right", 3.8),), seed=1)
    seats_mm = np.random.default_rng(7).normal(0.0, SEATED_MM, (400, 2))
    found = [dish_turned(standing(first, one), standing(second, two)) for one, two in seats_mm]
    line = next(line for line in found[0].budget if line.source == "seat of the axle in the stand")
    # A standard deviation of 400 is itself known to 4 %.
    assert_allclose(
        np.std([each.offset_mm for each in found]), line.standard_uncertainty_mm, rtol=0.12, atol=0
    )


def test_a_lens_that_was_not_calibrated_makes_a_dish_less_sure_by_its_share():
    def through(measured, lens):
        return replace(measured, basis=replace(measured.basis, view=replace(measured.basis.view, lens=lens)))

    first = simulated_pass(wave(2, 0.2), gaps_mm=(("right", 2.2),))
    second = simulated_pass(turned_round(wave(2, 0.2)), gaps_mm=(("right", 3.8),), seed=1)
    plain = Lens(camera_matrix=np.diag([800.0, 800.0, 1.0]), distortion=np.zeros(5), rms_px=0.1)
    lines = [
        {line.source: line.standard_uncertainty_mm for line in dish.budget}[LENS_LINE]
        for dish in (
            dish_turned(first, second),
            dish_turned(*(through(each, plain) for each in (first, second))),
        )
    ]
    view = first.basis.view
    assert_allclose(lines[0], 0.8 * lens_share(view, view.edges[0]), rtol=0.02, atol=0)
    assert lines[0] > lines[1] == 0.0


def test_play_in_the_bearings_makes_a_dish_less_sure():
    def loose(measured, mm):
        return replace(measured, sides=(replace(measured.sides[0], non_repeatable_mm=mm),))

    first = simulated_pass(wave(2, 0.2), gaps_mm=(("right", 2.2),))
    second = simulated_pass(turned_round(wave(2, 0.2)), gaps_mm=(("right", 3.8),), seed=1)
    firm, slack = (dish_turned(loose(first, mm), second).budget[0] for mm in (0.0, 0.3))
    added = slack.standard_uncertainty_mm**2 - firm.standard_uncertainty_mm**2
    # Anywhere alike within its play (JCGM 100:2008, 4.3.7), and half of it in half the difference of two gaps.
    assert_allclose(added, 0.3**2 / 12.0 / 4.0, rtol=1e-9, atol=0)


def test_two_pointers_of_known_distance_give_offset_and_width():
    both = simulated_pass(wave(2, 0.2), gaps_mm=(("right", 2.0), ("left", 3.0)))
    found = dish_between(both, 25.0)
    assert_allclose(found.offset_mm, 0.5, rtol=0, atol=SLACK_MM)
    assert_allclose(found.width.value, 20.0, rtol=0, atol=SLACK_MM)


def test_dish_refuses_what_cannot_give_it():
    one = simulated_pass(wave(2, 0.2))
    with pytest.raises(BadInput, match="either side"):
        dish_between(one, 25.0)
    with pytest.raises(BadInput, match="tip to tip"):
        dish_between(simulated_pass(wave(2, 0.2), gaps_mm=(("right", 2.0), ("left", 3.0))), 4.0)
    with pytest.raises(BadInput, match="radial"):
        dish_turned(one, simulated_pass(wave(2, 0.2), gaps_mm=(("outer", 2.0),), direction="radial"))
