"""Small changes to a plan, all judged at once.

A change touches one or two nipples. While searching, a broken limit costs a high price, so that the way may
lead through the forbidden; and the sum of squares of the runout costs a little, to tell apart plans whose
worst spokes are equal. All parts of the price are positive, so that a change whose first parts already
cost too much need not be judged in full: few are.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from rimgauge.plan.prices import dish_price, line_price, outside_dish, outside_tension, turning_price
from rimgauge.plan.problem import Line, Problem
from rimgauge.records import FloatArray, IntArray, record

LIMIT_PRICE_MM = 400.0
"""Price of a millimetre outside the limits on dish [turns/mm]."""
LIMIT_PRICE_N = 0.5
"""Price of a newton outside the limits on tension [turns/N]."""
GUIDE_PRICE = 0.02
"""Price of the summed squares of the runout [turns/mm²]."""


@record
class Answers:
    """Everything the price depends on, as one affine map of the eighths: start (r,), step (r, n).

    The rows are lateral, radial, dish, change of tension, deviations of the two sides and their means.
    """

    problem: Problem
    start: FloatArray
    step: FloatArray
    rows: tuple[slice, ...]


def stack(problem: Problem) -> Answers:
    """Put all answers of a problem under one another."""
    sides = problem.sides
    none = np.zeros(1)
    parts = [
        (problem.lateral.start, problem.lateral.step),
        (problem.radial.start, problem.radial.step),
        (np.array([problem.dish_start]), problem.dish_step[None, :]),
        (np.zeros(problem.nipples), problem.tension_step),
        *((side.start, side.step) for side in sides),
        *((none, side.mean_step[None, :]) for side in sides),
    ]
    ends = np.cumsum([0, *(len(start) for start, _ in parts)])
    return Answers(
        problem=problem,
        start=np.concatenate([start for start, _ in parts]),
        step=np.vstack([step for _, step in parts]),
        rows=tuple(slice(int(first), int(end)) for first, end in pairwise(ends)),
    )


@record
class Changes:
    """m changes: eighths added at `first` and at `second` (m,), and what each does to the answers (r, m)."""

    first: IntArray
    second: IntArray
    by_first: FloatArray
    by_second: FloatArray
    effect: FloatArray


def _changes(
    answers: Answers, first: IntArray, by_first: FloatArray, second: IntArray, by_second: FloatArray
) -> Changes:
    effect = answers.step[:, first] * by_first + answers.step[:, second] * by_second
    return Changes(first=first, second=second, by_first=by_first, by_second=by_second, effect=effect)


def singles(answers: Answers) -> Changes:
    """Change one nipple by an eighth, either way."""
    every = np.arange(answers.problem.nipples)
    first, by = np.tile(every, 2), np.repeat([1.0, -1.0], len(every))
    return _changes(answers, first, by, first, np.zeros(len(first)))


def pairs(answers: Answers) -> Changes:
    """Change each of two nipples by an eighth, in all four ways."""
    one, other = np.triu_indices(answers.problem.nipples, 1)
    by_first, by_second = np.repeat([1.0, 1.0, -1.0, -1.0], len(one)), np.repeat([1.0, -1.0] * 2, len(one))
    return _changes(answers, np.tile(one, 4), by_first, np.tile(other, 4), by_second)


def handovers(answers: Answers, eighths: FloatArray) -> Changes:
    """Drop the whole turn of a nipple, or hand it to another."""
    n = len(eighths)
    turned = np.flatnonzero(eighths)
    giver, taker = np.repeat(turned, n), np.tile(np.arange(n), len(turned))
    given = eighths[giver]
    return _changes(answers, giver, -given, taker, np.where(taker == giver, 0.0, given))


def searching_price(answers: Answers, eighths: FloatArray) -> float:
    """Price of one plan (n,) while searching [turns]."""
    first = np.zeros(1, dtype=np.int64)
    still = _changes(answers, first, np.zeros(1), first, np.zeros(1))
    found = cheapest(answers, still, eighths, np.inf)
    assert found is not None
    return found[0]


def cheapest(
    answers: Answers, changes: Changes, eighths: FloatArray, price: float
) -> tuple[float, FloatArray] | None:
    """Find the change that leads to the lowest price below `price`: that price and the plan, or None."""
    problem = answers.problem
    now = answers.start + answers.step @ eighths
    columns, prices = _cheap_enough(np.arange(len(changes.first)), _turning(changes, eighths, problem), price)
    for line, rows in zip((problem.lateral, problem.radial), answers.rows[:2], strict=True):
        after = now[rows, None] + _picked(changes.effect[rows], columns)
        columns, prices = _cheap_enough(columns, prices + _guided(line, after), price)
    dish, tension, right, left, *means = (
        now[rows, None] + _picked(changes.effect[rows], columns) for rows in answers.rows[2:]
    )
    prices = prices + dish_price(problem, dish[0]) + LIMIT_PRICE_MM * outside_dish(problem, dish[0])
    outside = outside_tension(problem, tension, [right, left], [mean[0] for mean in means])
    columns, prices = _cheap_enough(columns, prices + LIMIT_PRICE_N * outside, price)
    if len(columns) == 0:
        return None
    chosen = columns[np.argmin(prices)]
    after_change = eighths.copy()
    after_change[changes.first[chosen]] += changes.by_first[chosen]
    after_change[changes.second[chosen]] += changes.by_second[chosen]
    return float(prices.min()), after_change


def _picked(effect: FloatArray, columns: IntArray) -> FloatArray:
    """Pick columns; all of them without a copy."""
    return effect if len(columns) == effect.shape[1] else effect.take(columns, axis=1)


def _turning(changes: Changes, eighths: FloatArray, problem: Problem) -> FloatArray:
    """Price of the turning after each change (m,) [turns]; infinite where a turn gets too large."""
    now = turning_price(eighths)
    price = np.full(len(changes.first), now.sum())
    for nipple, by in ((changes.first, changes.by_first), (changes.second, changes.by_second)):
        after = eighths[nipple] + by
        price += turning_price(after) - now[nipple]
        price[np.abs(after) > problem.most] = np.inf
    return price


def _guided(line: Line, after: FloatArray) -> FloatArray:
    price: FloatArray = line_price(line, after) + GUIDE_PRICE * np.einsum("ij,ij->j", after, after)
    return price


def _cheap_enough(columns: IntArray, prices: FloatArray, limit: float) -> tuple[IntArray, FloatArray]:
    """Keep the columns whose price so far is below the limit."""
    keep = prices < limit
    return columns[keep], prices[keep]
