"""What a long plan says of the steps that may be left out."""

import re

import numpy as np

from rimgauge.plan import Wishes, make_plan
from rimgauge.plan.prices import objective
from rimgauge.plan.stating import state_problem
from rimgauge.wheel import influence
from tests.benchmarks.true_wheel import random_wheel


def test_steps_that_do_least_may_be_left_out_of_a_long_plan_and_what_is_left_is_said_right():
    """A wheel of the closed loop, of 32 spokes, whose plan turns 24 nipples."""
    made = random_wheel(25102, 0.2)
    readings = made.read(np.random.default_rng(25102))
    answer = influence(made.nominal)
    plan = make_plan(readings, made.nominal, answer)
    (said,) = (note for note in plan.notes if note.startswith("Too many nipples?"))
    steps = {int(number) for number in re.search(r"Leave out steps ([\d, ]+):", said)[1].split(",")}
    assert 3 * len(steps) >= len(plan.corrections) > 16
    assert f"the other {len(plan.corrections) - len(steps)}" in said
    eighths = np.zeros(len(readings.lateral_mm))
    for item in plan.corrections:
        eighths[item.spoke - 1] = 0 if item.order in steps else 8 * item.turns
    problem = state_problem(readings, made.nominal, answer, Wishes())
    for line, name in ((problem.lateral, "lateral"), (problem.radial, "radial")):
        assert f"{line.reading_after_mm(eighths):.2f} mm of {name}" in said
    assert problem.radial.reading_after_mm(eighths) <= 0.5
    assert np.isfinite(objective(problem, eighths)), "no limit is broken"
