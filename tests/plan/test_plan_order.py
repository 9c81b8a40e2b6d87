"""The order of a plan's steps: no state on the way is worse than the start, and radial runout comes in first."""

import re
from dataclasses import replace

import numpy as np
import pytest
from wheels import build, out_of_true, turns_of

from rimgauge.plan import Wishes, make_plan
from rimgauge.plan.order import _harm, _judged, _mended
from rimgauge.plan.stating import state_problem
from rimgauge.wheel import influence


@pytest.mark.parametrize("seed", range(12))
def test_no_step_on_the_way_is_worse_than_the_start(seed):
    """Wheels of all kinds; an indicator tells a hundredth of a millimetre, and a gauge no newton."""
    kinds = [
        {},
        {"spokes": 20, "crossings": 0, "kind": "deep alloy"},
        {"spokes": 32, "kind": "disc-brake alloy"},
    ]
    some = build(**kinds[seed % len(kinds)])
    answer = influence(some)
    readings = out_of_true(some, seed, lateral_mm=1.0 + seed / 6)
    plan = make_plan(readings, some, answer)
    now, dish = readings, 0.0
    for item in plan.corrections:
        column, turns = item.spoke - 1, item.turns
        dish += answer.dish_mm[column] * turns
        now = replace(
            now,
            lateral_mm=now.lateral_mm + answer.lateral_mm[:, column] * turns,
            radial_mm=now.radial_mm + answer.radial_mm[:, column] * turns,
            tension_n=now.tension_n + answer.tension_n[:, column] * turns,
        )
        assert np.ptp(now.lateral_mm) <= np.ptp(readings.lateral_mm) + 0.01
        assert np.ptp(now.radial_mm) <= max(np.ptp(readings.radial_mm), 0.8 * 0.5) + 0.01
        assert abs(dish) <= 0.1 + 0.01
        assert now.tension_n.max() <= max(some.tension.limit_n, readings.tension_n.max()) + 1.0


@pytest.mark.parametrize("most", [4, 6, 12])
def test_orders_are_judged_in_one_go_and_lap_by_lap(wheel, answer, most):
    problem = state_problem(out_of_true(wheel, 2, lateral_mm=1.0), wheel, answer, Wishes())
    random = np.random.default_rng(most)
    eighths = np.where(random.random(36) < 0.4, random.integers(-most, most + 1, 36), 0)
    eighths[0] = most
    orders = np.array([random.permutation(np.flatnonzero(eighths)) for _ in range(60)])
    for order, judged in zip(orders, _judged(problem, eighths, orders)[0], strict=True):
        states = []
        for way in (most, 4):
            left, now = eighths.astype(float), np.zeros(36)
            while left.any():
                for nipple in order:
                    step = np.clip(left[nipple], -way, way)
                    left[nipple] -= step
                    now[nipple] += step
                    states.append(now.copy())
        assert judged == pytest.approx(max(0.0, _harm(problem, np.array(states).T).max()), abs=1e-9)


@pytest.mark.parametrize("seed", [1, 2, 4])
def test_radial_runout_that_is_bad_comes_in_before_the_rest_is_turned(wheel, answer, seed):
    readings = out_of_true(wheel, seed, lateral_mm=2.0, tension=False)
    bad = readings.radial_mm + 0.3 * np.cos(np.radians(2 * wheel.spoke_angles_deg))
    plan = make_plan(replace(readings, radial_mm=bad), wheel, answer)
    said = re.match(r"Radial runout comes first: with steps 1 to (\d+) of", plan.notes[0])
    assert np.ptp(bad) > wheel.tolerance.radial_mm
    assert said
    assert int(said[1]) < len(plan.corrections)
    first = replace(plan, corrections=plan.corrections[: int(said[1])])
    assert np.ptp(bad + answer.radial_mm @ turns_of(first, 36)) <= wheel.tolerance.radial_mm


def test_an_order_that_is_worse_on_the_way_is_mended_by_moving_steps(wheel, answer):
    """Turns whose every second one undoes the one before: the worst order is all of one kind first."""
    problem = state_problem(out_of_true(wheel, 2, lateral_mm=1.0), wheel, answer, Wishes())
    eighths = np.zeros(36, dtype=np.int64)
    eighths[[0, 1, 2, 3, 4, 5, 6, 7]] = [3, 3, -3, -3, 3, 3, -3, -3]
    worst = np.array([0, 4, 2, 6, 1, 5, 3, 7])
    before, after_moves = (
        float(_judged(problem, eighths, order[None])[0][0])
        for order in (worst, _mended(problem, eighths, worst))
    )
    assert sorted(_mended(problem, eighths, worst)) == list(range(8))
    assert before > 0.04
    assert after_moves < 0.5 * before


def test_a_state_is_worse_where_a_spoke_is_over_its_limit_or_the_rim_leaves_the_centre(wheel, answer):
    problem = state_problem(out_of_true(wheel, 2, lateral_mm=1.0), wheel, answer, Wishes())
    right = np.array(wheel.flanges) == "right"
    shift, turn = np.where(right, 4.0, -4.0), np.where(np.arange(36) == 6, 1.0, 0.0)
    assert _harm(problem, np.zeros((36, 1)))[0] <= 0
    free = replace(problem, tension_rise_n=np.full(36, 1e9))
    moved_mm = abs(float(problem.dish_step_mm @ shift))
    assert moved_mm > 0.5
    # Half a turn at each nipple shifts the rim as a whole, and its shape hardly.
    assert _harm(free, shift[:, None])[0] == pytest.approx(moved_mm - 0.1, abs=1e-9)
    tight = replace(problem, tension_rise_n=np.zeros(36))
    over_n = float((problem.tension_step_n @ turn).max())
    assert _harm(tight, turn[:, None])[0] == pytest.approx(0.01 * over_n, abs=1e-9)
