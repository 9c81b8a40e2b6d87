"""What a second round could do if it knew more: the same states planned for as read, and told the truth, and print a table.

    python -m tests.benchmarks.second_round [wheels] [first seed] [readings of each]

Wheels of the closed loop (`true_wheel.py`) at a goal of 0.2 mm, turned exactly as planned in their first round and not
done by it, on which whole eighths reach the goal. Each is read anew several times, and a second round planned from
each reading: with what the program can know, and told the true tensions, the true runout, how the wheel truly answers,
or all of that. *Foretold* is what the plan takes for the chance that runout is within its tolerance and tension as even
as before, each end taken for itself.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import sys
from copy import deepcopy
from dataclasses import replace

import numpy as np
from scipy.stats import norm

from rimgauge.plan import Wishes
from rimgauge.plan.choosing import choose
from rimgauge.plan.prices import surely_even
from rimgauge.plan.problem import Line, Problem, SideTension
from rimgauge.plan.stating import state_problem
from rimgauge.records import FloatArray, IntArray, Round, record
from rimgauge.wheel import influence
from rimgauge.wheel.learning import believable, learn
from tests.benchmarks.closed_loop import EXACT_MM, GOALS_MM, NO_WORSE, by_plan, kept, least_lateral_mm, reach
from tests.benchmarks.true_wheel import TrueWheel, random_wheel

GOAL_MM = GOALS_MM[0]
TOLD = {
    "nothing": frozenset(),
    "tension": frozenset({"tension"}),
    "runout": frozenset({"runout"}),
    "answer": frozenset({"answer"}),
    "tension and runout": frozenset({"tension", "runout"}),
    "all": frozenset({"tension", "runout", "answer"}),
}
"""What a second round is told of the truth, by its name in the table."""


@record
class Begun:
    """A wheel before and after its first round, which did not finish it, and that round."""

    start: TrueWheel
    now: TrueWheel
    round: Round

    @classmethod
    def of(cls, seed: int) -> Begun | None:
        """Turn it as the first round plans; None where that finishes it, or turns nothing, or no turns of any size could."""
        start = random_wheel(seed, GOAL_MM)
        readings = start.read(np.random.default_rng(seed + 10_000))
        turns, _ = by_plan(readings, start.nominal, None)
        now = deepcopy(start)
        now.turn(turns)
        if not turns.any() or _done(now, start) or least_lateral_mm(start) > GOAL_MM:
            return None
        return cls(start=start, now=now, round=Round(readings=readings, turns=turns))


def _done(now: TrueWheel, start: TrueWheel) -> bool:
    return now.is_true(GOAL_MM) and kept(now, start.spreads())


def second_round(
    begun: Begun, random: np.random.Generator, told: frozenset[str]
) -> tuple[bool, float, float]:
    """Read the wheel and do a second round: whether it is done, foretold how likely, and its lateral runout [mm]."""
    readings, wheel = begun.now.read(random), begun.start.nominal
    answer, _ = learn(wheel, (begun.round,), readings)
    if "answer" in told:
        answer = influence(begun.start.true)
    earlier = believable(wheel, (begun.round,), readings)
    problem = _told(state_problem(readings, wheel, answer, Wishes(), earlier), begun, told)
    eighths = choose(problem, wheel, (), doubts=(), first=not earlier, unseen=()).eighths
    after = deepcopy(begun.now)
    after.turn(eighths / 8)
    return _done(after, begun.start), _chance(problem, eighths), float(np.ptp(after.lateral_mm))


def _told(problem: Problem, begun: Begun, told: frozenset[str]) -> Problem:
    """Put the truth in place of what the plan takes from its readings."""
    lateral, radial = problem.lateral, problem.radial
    if "runout" in told:
        lateral = replace(lateral, start_mm=_about_mean(begun.now.lateral_mm))
        radial = replace(radial, start_mm=_about_mean(begun.now.radial_mm))
    if told == TOLD["all"]:
        lateral, radial = _exact(lateral), _exact(radial)
    sides = problem.sides
    if "tension" in told:
        sides = tuple(_known(side, begun) for side in sides)
    return replace(problem, lateral=lateral, radial=radial, sides=sides)


def _exact(line: Line) -> Line:
    return replace(line, miss_mm=0.0, unsure_mm=EXACT_MM)


def _known(side: SideTension, begun: Begun) -> SideTension:
    """A side whose tensions are known, before the first round and now."""
    before, now = (_about_mean(state.tension_n[side.spokes]) for state in (begun.start, begun.now))
    before_n = float(np.sqrt(np.mean(before**2)))
    return replace(
        side,
        start_n=now,
        rms_end_n=before_n,
        doubt_start_n2=np.zeros_like(side.doubt_start_n2),
        doubt_step_n2=np.zeros_like(side.doubt_step_n2),
        largest_rms_n=max(float(np.sqrt(np.mean(now**2))), before_n + NO_WORSE * side.mean_n),
    )


def _chance(problem: Problem, eighths: IntArray) -> float:
    """How likely the plan takes all ends to be kept."""
    column = eighths.astype(float)[:, None]
    sure = [float(surely_even(side, column)[0]) for side in problem.sides]
    for line in (problem.lateral, problem.radial):
        sure.append((line.tolerance_mm - line.miss_mm - line.reading_after_mm(eighths)) / line.unsure_mm)
    return float(np.prod(norm.cdf(sure)))


def _about_mean(values: FloatArray) -> FloatArray:
    about: FloatArray = values - values.mean()
    return about


def trials(seed: int, readings: int) -> dict[str, list[tuple[bool, float, float]]] | None:
    """Do the second rounds of one wheel, by what they are told; None where there are none, or whole eighths don't get there."""
    begun = Begun.of(seed)
    if begun is None:
        return None
    found = {
        name: [second_round(begun, np.random.default_rng([seed, number]), told) for number in range(readings)]
        for name, told in TOLD.items()
    }
    can = any(done for tries in found.values() for done, _, _ in tries)
    return found if can or reach(seed, GOAL_MM)[1] else None


def main(wheels: str = "200", first_seed: str = "32000", readings: str = "3") -> None:
    """Print the table."""
    seeds = range(int(first_seed), int(first_seed) + int(wheels))
    found = [one for one in (trials(seed, int(readings)) for seed in seeds) if one is not None]
    print(f"{len(found)} wheels, each read {readings} times\n")
    print("| told | done | foretold | lateral left, median mm |\n|---|---|---|---|")
    for name in TOLD:
        done, foretold, left_mm = np.array([tried for one in found for tried in one[name]]).T
        print(
            f"| {name} | {done.mean() * len(found):.1f} | {foretold.mean() * len(found):.1f} | {np.median(left_mm):.2f} |"
        )


if __name__ == "__main__":
    main(*sys.argv[1:])
