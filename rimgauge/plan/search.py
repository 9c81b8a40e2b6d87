"""Search over whole eighths: walk from the relaxed answer, take the best small change, shake, repeat.

The search is deterministic: its shakes come from a fixed seed, and it stops after a fixed number of them
that brought nothing. The time limit is a brake for slow machines; it never stops the descents before one has
led to a plan inside the limits, so that there is a sound answer on every machine.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from rimgauge.plan.changes import Answers, cheapest, handovers, pairs, searching_price, singles, stack
from rimgauge.plan.prices import GAIN, objective
from rimgauge.plan.problem import Problem
from rimgauge.plan.walk import walk
from rimgauge.records import FloatArray, IntArray, record

PATIENCE = 30
"""Shakes without gain after which the search ends; with ten times as many plans get better by a hundredth."""
SEVERE = 100.0
"""How many times dearer a broken limit gets where a descent ended outside one."""
Descent = Callable[[FloatArray], tuple[FloatArray, float]]


@record
class Found:
    """The best plan found: eighths (n,), whole; objective [turns]."""

    eighths: IntArray
    objective: float


def search(problem: Problem, starts: Sequence[FloatArray], *, time_limit_s: float) -> Found:
    """Find whole eighths of low objective inside every limit.

    Parameters
    ----------
    problem : Problem
        What is wanted and what is forbidden.
    starts : arrays (n,)
        Turns in eighths to walk from, rounded here; doing nothing is always a start too.
    time_limit_s : float
        Brake [s]; the best plan so far is the answer then.

    """
    deadline = time.perf_counter() + time_limit_s
    answers = stack(problem)
    descend, descend_inside = _descent(answers), _descent(replace(answers, severity=SEVERE))
    random = np.random.default_rng(20)
    nothing = np.zeros(problem.nipples)
    best = Found(eighths=nothing.astype(np.int64), objective=objective(problem, nothing))
    current, current_price = nothing, np.inf
    tried = [*(plan for start in starts for plan in walk(answers, start)), nothing]
    for start in tried:
        plan, price = descend(np.clip(np.round(start), -problem.most, problem.most))
        best = _better(problem, best, plan, descend_inside)
        if price < current_price:
            current, current_price = plan, price
        if best.eighths.any() and time.perf_counter() > deadline:
            break
    if not np.isfinite(objective(problem, current)):  # the way through the forbidden leads nowhere here
        descend = descend_inside
        current, current_price = descend(best.eighths.astype(float))
        best = _better(problem, best, current, descend_inside)
    idle = 0
    while idle < PATIENCE and time.perf_counter() < deadline:
        plan, price = descend(_shaken(problem, current, random))
        idle = 0 if price < current_price - GAIN else idle + 1
        if price < current_price:
            current, current_price = plan, price
            best = _better(problem, best, plan, descend_inside)
    return best


def _better(problem: Problem, best: Found, plan: FloatArray, descend_inside: Descent) -> Found:
    """The better of the best plan and another; one outside the limits is first brought inside."""
    value = objective(problem, plan)
    if not np.isfinite(value):
        plan, _ = descend_inside(plan)
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
    return np.clip(shaken, -problem.most, problem.most)


def _descent(answers: Answers) -> Descent:
    """Make the function that takes the best change until none helps, and gives the plan and its price."""
    one, two = singles(answers), pairs(answers)

    def descend(plan: FloatArray) -> tuple[FloatArray, float]:
        price = searching_price(answers, plan)
        while True:
            found = (
                cheapest(answers, one, plan, price - GAIN)
                or cheapest(answers, handovers(answers, plan), plan, price - GAIN)
                or cheapest(answers, two, plan, price - GAIN)
            )
            if found is None:
                return plan, price
            price, plan = found

    return descend
