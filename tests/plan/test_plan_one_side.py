"""Tension read on one side alone, or at a few spokes: what was read counts, and what is unsafe in it stops a plan."""

import re
from dataclasses import replace

import numpy as np
import pytest
from wheels import LIMIT_N, as_done, out_of_true, turns_of

from rimgauge.plan import Wishes, make_plan
from rimgauge.plan.patterns import misread
from rimgauge.plan.stating import state_problem
from rimgauge.plan.to_know import may_pass_limit, over_limit
from rimgauge.wheel import influence
from tests.benchmarks.true_wheel import KINDS, random_wheel

LEFT, SOUND_N = np.arange(36) % 2 == 1, 1000.0
AXLE_SEEN = Wishes(checked=frozenset({"axle"}))


def _one_side(wheel, times=1.0):
    readings = out_of_true(wheel, 0, lateral_mm=1.5)
    return replace(readings, tension_n=np.where(LEFT, times * readings.tension_n, np.nan))


def _few(wheel, **read_n):
    readings = out_of_true(wheel, 0, lateral_mm=1.5)
    tension_n = np.full(36, np.nan)
    tension_n[[3, 9, 15]] = SOUND_N
    for spoke, value in read_n.items():
        tension_n[int(spoke.removeprefix("spoke_")) - 1] = value
    return replace(readings, tension_n=tension_n)


def test_a_side_read_over_the_limit_stops_a_plan_though_the_other_was_not_read(wheel, answer):
    """1000 N and 1300 N at most: read 1.4 times as tight."""
    plan = make_plan(_one_side(wheel, 1.4), wheel, answer)
    assert "the mean tension read for the left side" in (plan.refused or "")
    assert plan.corrections == ()


def test_a_side_that_must_be_over_the_limit_where_the_other_pulls_so_stops_a_plan():
    """A dished wheel whose right side is twice as tight as its left: 700 N on the left are 1400 N on the right."""
    dished = random_wheel(
        27801, 0.5, {"rear": {"spokes": 32, "crossings": 3, "kind": "box-section alloy, dished rear"}}
    )
    build = dished.nominal
    left = np.array([flange == "left" for flange in build.flanges])
    share = 1.1 * build.tension.limit_n / build.tension.right_n
    readings = dished.read(np.random.default_rng(1))
    tension_n = np.where(left, share * readings.tension_n, np.nan)
    plan = make_plan(replace(readings, tension_n=tension_n), build, influence(build))
    assert "worked out from the left one's, as read, for the right side" in (plan.refused or "")
    assert "Read the right side too, and plan again; if it is so, tension must come down" in (
        plan.refused or ""
    )


def test_a_slack_spoke_on_the_side_that_was_read_stops_a_plan(wheel, answer):
    readings = _one_side(wheel)
    tension_n = readings.tension_n.copy()
    tension_n[7] = 60.0
    plan = make_plan(replace(readings, tension_n=tension_n), wheel, answer)
    assert "spoke 8 on the left side is slack or broken" in (plan.refused or "")


@pytest.mark.parametrize(
    ("read_n", "said"),
    [
        (
            {"spoke_6": 1400.0},
            "spoke 6 on the left side is over the limit of 1300 N as read, and only 4 of the 18",
        ),
        ({"spoke_6": 90.0, "spoke_12": 80.0}, "spokes 6 and 12 on the left side are slack or broken as read"),
        ({}, None),
    ],
)
def test_what_is_wrong_with_a_few_spokes_stops_a_plan(wheel, answer, read_n, said):
    plan = make_plan(_few(wheel, **read_n), wheel, answer)
    if said is not None:
        assert said in (plan.refused or "")
        return
    assert plan.corrections
    assert any("read at only 3 of the 18 spokes of the left side, too few" in note for note in plan.notes)


@pytest.mark.parametrize("seed", [28101, 28102, 28103])
def test_no_spoke_is_tightened_past_the_limit_by_its_own_reading_where_too_few_were_read(wheel, answer, seed):
    """A tight wheel, 1250 N in the mean, of which 11 of 18 spokes a side were read."""
    readings = out_of_true(wheel, seed, lateral_mm=1.2)
    tension_n = np.where(np.arange(36) < 22, np.minimum(1.25 * readings.tension_n, LIMIT_N - 1.0), np.nan)
    plan = make_plan(replace(readings, tension_n=tension_n), wheel, answer, wishes=AXLE_SEEN)
    assert plan.corrections
    turns = turns_of(plan, 36)
    tightened = np.isfinite(tension_n) & (turns > 0.0)
    assert tightened.any()
    assert (tension_n + answer.tension_n @ turns)[tightened].max() <= LIMIT_N + 1e-6


@pytest.mark.parametrize(("times", "told"), [(1.25, True), (1.0, False)])
def test_unread_spokes_of_a_side_whose_few_readings_are_high_are_to_be_plucked_first(
    wheel, answer, times, told
):
    readings = out_of_true(wheel, 28101, lateral_mm=1.2)
    tension_n = np.where(np.arange(36) < 22, np.minimum(times * readings.tension_n, LIMIT_N - 1.0), np.nan)
    plan = make_plan(replace(readings, tension_n=tension_n), wheel, answer, wishes=AXLE_SEEN)
    said = [words for words in plan.see_to_first if "may be brought over the limit" in words]
    assert len(said) == told
    tightened = np.flatnonzero((turns_of(plan, 36) > 0.0) & np.isnan(tension_n)) + 1
    assert len(tightened)
    if told:
        named = re.findall(r"\d+", re.search(r"N: spokes? ([^.]*)\.", said[0])[1])
        assert [int(number) for number in named] == tightened.tolist()


def test_no_spoke_of_a_side_that_was_read_is_said_to_be_unread(wheel, answer):
    """A blank among the readings of a side is taken at its mean, and all are near the limit."""
    readings = out_of_true(wheel, 0, lateral_mm=1.5)
    near = replace(wheel, tension=replace(wheel.tension, limit_n=1080.0))
    tension_n = np.where(np.arange(36) == 1, np.nan, readings.tension_n)
    for read_n, named in ((tension_n, False), (np.full(36, np.nan), True)):
        now = replace(readings, tension_n=read_n)
        problem = state_problem(now, near, answer, Wishes())
        said = may_pass_limit(now, near, problem, np.ones(36, dtype=int))
        assert bool(said) == named


def test_a_side_that_was_not_read_has_no_spoke_over_the_limit_as_read(wheel, answer):
    """The right side, unread, is taken as tight as the wheel file has it, over a limit that no spoke read is over."""
    dished = replace(wheel, tension=replace(wheel.tension, right_n=1400.0))
    problem = state_problem(_one_side(wheel), dished, answer, Wishes())
    assert problem.tension_n[~LEFT].min() > LIMIT_N
    assert over_limit(dished, problem) == ()


@pytest.mark.parametrize("step_mm", [0.01, 0.5])
def test_too_few_readings_of_a_side_tell_nothing_of_its_tensions_nor_of_the_rim(step_mm):
    """Eleven of 18 on the right, one read at half of what it was: the plan says that it doesn't count them, and so it must be."""
    true = random_wheel(28104, 0.2, {"front": KINDS["front"]})
    answer, readings = influence(true.nominal), true.read(np.random.default_rng(28104))
    left_n = np.where(LEFT, readings.tension_n, np.nan)
    left_n[5] *= 1.6
    few_n = np.where(np.arange(36) < 22, np.where(LEFT, left_n, readings.tension_n), left_n)
    few_n[4] *= 0.5
    problems, said = [], []
    for tension_n in (left_n, few_n):
        read = replace(
            readings, lateral_mm=step_mm * np.round(readings.lateral_mm / step_mm), tension_n=tension_n
        )
        problems.append(state_problem(read, true.nominal, answer, Wishes()))
        said.append(misread(read, true.nominal, answer, problems[-1], frozenset()))
    for side, other in zip(problems[0].sides, problems[1].sides, strict=True):
        assert side.start_n == pytest.approx(other.start_n)
    assert problems[0].lateral.start_mm == pytest.approx(problems[1].lateral.start_mm)
    assert (problems[0].lateral.hidden_mm > 0.0) == (step_mm > 0.1)
    assert "read at spoke 6 (left side)" in (said[0] or "")
    assert said[0] == said[1]


def test_what_is_read_now_caps_a_spoke_though_it_was_read_lower_before(wheel, answer):
    readings = out_of_true(wheel, 28104, lateral_mm=1.5)
    plan = make_plan(readings, wheel, answer)
    done = replace(as_done(plan, readings), turns=np.zeros(36))
    tension_n = readings.tension_n.copy()
    tension_n[7] = LIMIT_N - 10.0
    now = replace(readings, tension_n=tension_n)
    problem = state_problem(now, wheel, answer, Wishes(), (done,))
    assert problem.tension_n[7] < LIMIT_N - 20.0
    assert problem.tension_rise_n[7] == pytest.approx(10.0)


def test_a_spoke_over_the_limit_on_the_side_that_was_read_is_named_and_not_tightened(wheel, answer):
    readings = _one_side(wheel)
    tension_n = readings.tension_n.copy()
    tension_n[7] = 1320.0
    plan = make_plan(replace(readings, tension_n=tension_n), wheel, answer)
    assert any("Over the tension limit of 1300 N" in note and "spoke 8" in note for note in plan.notes)
    assert any("counts as read on the left side alone" in note for note in plan.notes)
    assert plan.before.tension_spread_left == pytest.approx(np.std(tension_n[LEFT]) / tension_n[LEFT].mean())
    assert plan.before.tension_spread_right is None
    turns = np.zeros(36)
    for item in plan.corrections:
        turns[item.spoke - 1] = item.turns
    assert plan.corrections
    assert answer.tension_n[7] @ turns <= 1e-6


@pytest.mark.parametrize("seed", [27992, 27994])
def test_a_misread_tension_is_named_where_the_other_side_was_not_read(seed):
    true = random_wheel(seed, 0.2)
    answer, readings = influence(true.nominal), true.read(np.random.default_rng(seed))
    left = np.array([flange == "left" for flange in true.nominal.flanges])
    spoke = int(np.flatnonzero(left)[4])
    for times in (1.0, 1.6):
        tension_n = np.where(left, readings.tension_n, np.nan)
        tension_n[spoke] *= times
        said = make_plan(replace(readings, tension_n=tension_n), true.nominal, answer).see_to_first
        named = [words for words in said if "doesn't fit" in words]
        assert [f"read at spoke {spoke + 1} (left side)" in words for words in named] == (
            [True] if times > 1.0 else []
        )


@pytest.mark.parametrize("seed", [27811, 27812, 27813])
def test_the_side_that_was_read_is_known_better_than_from_the_runout_alone(seed):
    true = random_wheel(seed, 0.2)
    answer, readings = influence(true.nominal), true.read(np.random.default_rng(seed))
    left = np.array([flange == "left" for flange in true.nominal.flanges])
    off = []
    for tension_n in (np.where(left, readings.tension_n, np.nan), np.full(len(left), np.nan)):
        problem = state_problem(replace(readings, tension_n=tension_n), true.nominal, answer, Wishes())
        wanted = true.tension_n[left] - true.tension_n[left].mean()
        off.append(np.std(problem.sides[1].start_n - wanted))
    assert off[0] < 0.75 * off[1]


def test_a_rim_is_not_called_bent_for_nipples_that_are_seized(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=2.0)
    plan = make_plan(readings, wheel, answer, wishes=Wishes(seized=tuple(range(1, 35))))
    assert "Free the others or replace them first" in (plan.refused or "")
    assert "bent" not in (plan.refused or "")
