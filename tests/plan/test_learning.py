"""A round teaches how far this rim moves."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from wheels import after, build, out_of_true

from rimgauge.errors import BadInput
from rimgauge.plan import make_plan
from rimgauge.wheel.learning import learn


@pytest.fixture(scope="module")
def round_done(wheel, answer):
    before = out_of_true(wheel, 1, lateral_mm=2.5)
    return before, make_plan(before, wheel, answer)


@pytest.mark.parametrize("factor", [0.8, 1.2])
def test_a_rim_that_moves_more_or_less_is_learnt(answer, round_done, factor):
    before, plan = round_done
    true_answer = replace(answer, lateral_mm=answer.lateral_mm * factor)
    learnt, notes = learn(answer, plan, before, after(before, plan, true_answer))
    assert_allclose(learnt.lateral_mm, true_answer.lateral_mm, rtol=0.02, atol=0)
    assert_allclose(learnt.tension_n, answer.tension_n, rtol=0, atol=0)
    assert any(f"20% {'more' if factor > 1 else 'less'} sideways" in note for note in notes)


def test_a_wheel_as_predicted_teaches_nothing(answer, round_done):
    before, plan = round_done
    learnt, notes = learn(answer, plan, before, after(before, plan, answer))
    assert_allclose(learnt.lateral_mm, answer.lateral_mm, rtol=1e-9, atol=1e-12)
    assert notes == ()


def test_an_offset_between_two_measurements_is_no_movement(answer, round_done):
    before, plan = round_done
    shifted = after(before, plan, answer)
    learnt, _ = learn(answer, plan, before, replace(shifted, lateral_mm=shifted.lateral_mm + 3.0))
    assert_allclose(learnt.lateral_mm, answer.lateral_mm, rtol=1e-9, atol=1e-12)


def test_turns_that_were_not_done_are_asked_about(answer, round_done):
    before, plan = round_done
    _, notes = learn(answer, plan, before, before)
    assert any("were all turns" in note for note in notes)


def test_noise_without_turns_teaches_nothing(answer, round_done):
    before, plan = round_done
    noisy = replace(before, lateral_mm=before.lateral_mm + np.random.default_rng(0).normal(0, 0.05, 36))
    learnt, _ = learn(answer, replace(plan, corrections=()), before, noisy)
    assert_allclose(learnt.lateral_mm, answer.lateral_mm, rtol=1e-9, atol=0)


def test_readings_of_another_wheel(answer, round_done):
    before, plan = round_done
    with pytest.raises(BadInput, match="36 spokes"):
        learn(answer, plan, out_of_true(build(32), 0, lateral_mm=1.0), before)
