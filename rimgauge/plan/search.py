"""Search over whole eighths: walk from the relaxed answer or shake, take the best small change, repeat.

The same problem always gets the same plan, however busy the machine: walks and shakes come from a fixed seed, and no clock
is looked at. Where the ends are reached the search stops after so many tries that brought nothing; where they are
not, every hundredth of a millimetre counts, and it goes on until it has judged so many changes that a common
machine has worked for nearly a second.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rimgauge.plan.changes import (
    Answers,
    Changes,
    cheapest,
    handovers,
    pairs,
    searching_price,
    singles,
    stack,
)
from rimgauge.plan.prices import GAIN, objective
from rimgauge.plan.problem import Problem
from rimgauge.plan.walk import walk
from rimgauge.records import FloatArray, IntArray, record

PATIENCE = 30
"""Tries without gain after which the search ends, if the plan then reaches what is aimed at."""
MOST_WORK = 3_000_000
"""Changes judged after which no further try begins: under a second on a common machine."""
LOOK_WORK = 1000
"""Each look for the cheapest change takes as long as judging so many changes more."""
WALK_WORK = 2500
"""The same for a walk, for each nipple."""
FIRST_WALKS = 12
"""Walks from each start before anything is shaken."""
WALK_SHARE = 0.5
"""Share of the tries after those that are walks too."""
SEVERE = 100.0
"""How many times dearer a broken limit gets where a descent ended outside one."""


@record
class Found:
    """The best plan found: eighths (n,), whole; objective [turns]."""

    eighths: IntArray
    objective: float


class _Descents:
    """Takes the best change from a plan until none helps; work: how many changes were judged for it so far."""

    def __init__(self, answers: Answers) -> None:
        self._answers = {False: answers, True: replace(answers, severity=SEVERE)}
        self._one, self._two = singles(answers), pairs(answers)
        self.work = 0

    def descend(self, plan: FloatArray, *, inside: bool) -> tuple[FloatArray, float]:
        """Give the plan (n,) at the end and its price; inside: no way through the forbidden is taken."""
        answers = self._answers[inside]
        price = searching_price(answers, plan)
        while True:
            found = (
                self._cheapest(answers, self._one, plan, price)
                or self._cheapest(answers, handovers(answers, plan), plan, price)
                or self._cheapest(answers, self._two, plan, price)
            )
            if found is None:
                return plan, price
            price, plan = found

    def walk(self, start: FloatArray, random: np.random.Generator) -> list[FloatArray]:
        """Give good plans (n,) near a start (n,)."""
        self.work += WALK_WORK * len(start)
        return walk(self._answers[False], start, random)

    def _cheapest(
        self, answers: Answers, changes: Changes, plan: FloatArray, price: float
    ) -> tuple[float, FloatArray] | None:
        self.work += len(changes.first) + LOOK_WORK
        return cheapest(answers, changes, plan, price - GAIN)


def search(problem: Problem, starts: Sequence[FloatArray], *, most_work: float = MOST_WORK) -> Found:
    """Find whole eighths of low objective inside every limit.

    Parameters
    ----------
    problem : what is wanted and what is forbidden.
    starts : (n,) each, turns in eighths to walk from, the relaxed answer first; doing nothing is always a start too.
    most_work : changes judged after which no further try begins; the best plan so far is the answer then.

    """
    answers = stack(problem)
    descents = _Descents(answers)
    random = np.random.default_rng(20)
    nothing = np.zeros(problem.nipples)
    best = Found(eighths=nothing.astype(np.int64), objective=objective(problem, nothing))
    current, current_price = nothing, np.inf
    walked = [plan for start in starts for _ in range(FIRST_WALKS) for plan in descents.walk(start, random)]
    for begin in (*walked, nothing):
        plan, price = descents.descend(begin, inside=False)
        best = _better(problem, best, plan, descents)
        if price < current_price:
            current, current_price = plan, price
    inside = not np.isfinite(objective(problem, current))
    if inside:  # the way through the forbidden leads nowhere here
        current, current_price = descents.descend(best.eighths.astype(float), inside=True)
        best = _better(problem, best, current, descents)
    idle = 0
    while descents.work < most_work and (idle < PATIENCE or not _reached(problem, best)):
        idle += 1
        begins = [_shaken(problem, current, random)]
        if starts and random.random() < WALK_SHARE:
            begins = descents.walk(starts[0], random)
        for begin in begins:
            plan, price = descents.descend(begin, inside=inside)
            if price < current_price - GAIN:
                idle = 0
            if price < current_price:
                current, current_price = plan, price
                best = _better(problem, best, plan, descents)
    return best


def _reached(problem: Problem, best: Found) -> bool:
    """Tell whether a plan brings both runouts inside their tolerances, rather surely."""
    return all(
        line.seen_after_mm(best.eighths) <= line.surely_within_mm + GAIN
        for line in (problem.lateral, problem.radial)
    )


def _better(problem: Problem, best: Found, plan: FloatArray, descents: _Descents) -> Found:
    """The better of the best plan and another; one outside the limits is first brought inside."""
    value = objective(problem, plan)
    if not np.isfinite(value):
        plan, _ = descents.descend(plan, inside=True)
        value = objective(problem, plan)
    if value >= best.objective - GAIN:
        return best
    return Found(eighths=np.round(plan).astype(np.int64), objective=value)


def _shaken(problem: Problem, plan: FloatArray, random: np.random.Generator) -> FloatArray:
    """Undo a stretch of the rim, or disturb a few nipples."""
    shaken = plan.copy()
    n = problem.nipples
    if random.random() < 0.5:
        length = int(random.integers(2, max(3, n // 4)))
        shaken[(int(random.integers(n)) + np.arange(length)) % n] = 0
    else:
        chosen = random.choice(n, size=min(5, n), replace=False)
        shaken[chosen] += random.integers(-2, 3, size=len(chosen))
    return np.clip(shaken, -problem.most_eighths, problem.most_eighths)
