"""Small changes to a plan, all judged at once.

A change touches one or two nipples. While searching, a broken limit costs a high price, so that the way may
lead through the forbidden; and the sum of squares of the runout costs a little, to tell apart plans whose
worst spokes are equal.

Squares and linear answers after a change follow from a few numbers a nipple, and the runout at the places
that are worst now is a lower bound of the runout: so nearly all changes are told to be no gain without
working out what they do at every spoke.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from rimgauge.plan.prices import (
    TOLERATED,
    dish_price,
    even_price,
    line_price,
    outside_dish,
    outside_tension,
    turning_price,
    uneven,
)
from rimgauge.plan.problem import Line, Problem
from rimgauge.records import FloatArray, IntArray, record

LIMIT_PRICE_MM = 400.0
"""Price of a millimetre outside the limits on dish [turns/mm]."""
LIMIT_PRICE_N = 0.5
"""Price of a newton outside the limits on tension [turns/N]."""
LIMIT_PRICE = 10.0
"""Price of breaking a limit at all, so that a plan just outside one is not the end of a descent [turns]."""
GUIDE_PRICE = 0.02
"""Price of the summed squares of the runout [turns/mm²]."""
AT_ONCE = 96
"""So many changes are judged in full at a time, the most promising first."""
WORST_PLACES = 2
"""Places on top and as many at the bottom whose runout bounds that of the whole rim."""


class Rows(NamedTuple):
    """Which rows of `Answers` are which, in the order in which they stand.

    right, left: deviations of a side's spokes from their mean, the change of that mean, and the doubt about both.
    """

    lateral: slice
    radial: slice
    dish: slice
    tension: slice
    right: slice
    left: slice
    right_mean: slice
    left_mean: slice
    right_doubt: slice
    left_doubt: slice

    @property
    def known(self) -> slice:
        """All but the doubts, of which the sums of squares are enough."""
        return slice(0, self.left_mean.stop)


class Squares(NamedTuple):
    """What is asked for as a sum of squares: a value of each, such as the rows of `Answers` that are summed."""

    runout: slice
    right: slice
    left: slice
    right_doubt: slice
    left_doubt: slice


DOUBTS = slice(Squares._fields.index("right_doubt"), None)
"""Those of the sums of squares that are doubts."""


@record
class Answers:
    """Everything the price depends on, as one affine map of the eighths: start (r,), step (r, n).

    severity: how many times dearer than usual a broken limit is.
    products (q, n, n): step[rows]ᵀ·step[rows] of the rows of each of the q sums of squares.
    """

    problem: Problem
    start: FloatArray
    step: FloatArray
    rows: Rows
    squares: Squares
    products: FloatArray
    severity: float = 1.0


def stack(problem: Problem) -> Answers:
    """Put all answers of a problem under one another."""
    sides = problem.sides
    none = np.zeros(1)
    parts = [
        (problem.lateral.start_mm, problem.lateral.step_mm),
        (problem.radial.start_mm, problem.radial.step_mm),
        (np.array([problem.dish_start_mm]), problem.dish_step_mm[None, :]),
        (np.zeros(problem.nipples), problem.tension_step_n),
        *((side.start_n, side.step_n) for side in sides),
        *((none, side.mean_step_n[None, :]) for side in sides),
        *((side.doubt_start_n2, side.doubt_step_n2) for side in sides),
    ]
    ends = np.cumsum([0, *(len(start) for start, _ in parts)])
    rows = Rows(*(slice(int(first), int(end)) for first, end in pairwise(ends)))
    step = np.vstack([step for _, step in parts])
    both = slice(rows.lateral.start, rows.radial.stop)
    squares = Squares(both, rows.right, rows.left, rows.right_doubt, rows.left_doubt)
    return Answers(
        problem=problem,
        start=np.concatenate([start for start, _ in parts]),
        step=step,
        rows=rows,
        squares=squares,
        products=np.stack([step[part].T @ step[part] for part in squares]),
    )


@record
class Changes:
    """m changes: eighths added at `first` and at `second` (m,), and what the change alone squares to (q, m)."""

    first: IntArray
    second: IntArray
    by_first: FloatArray
    by_second: FloatArray
    own_squares: FloatArray


def _changes(
    answers: Answers, first: IntArray, by_first: FloatArray, second: IntArray, by_second: FloatArray
) -> Changes:
    n = answers.problem.nipples
    flat = answers.products.reshape(len(answers.products), n * n)
    own = flat.take(first * (n + 1), axis=1) * by_first**2
    own += flat.take(second * (n + 1), axis=1) * by_second**2
    own += flat.take(first * n + second, axis=1) * (2 * by_first * by_second)
    return Changes(first=first, second=second, by_first=by_first, by_second=by_second, own_squares=own)


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
    now = answers.start + answers.step @ eighths
    turning = _turning(changes, eighths, answers.problem)
    columns = np.flatnonzero(turning < price)
    least = turning
    if len(columns) > AT_ONCE:
        least = np.full(len(turning), np.inf)
        least[columns] = turning[columns] + _least(answers, _kept(changes, columns), now)
        columns = np.flatnonzero(least < price)
        columns = columns[np.argsort(least[columns])]
    chosen = -1
    for start in range(0, len(columns), AT_ONCE):
        likely = columns[start : start + AT_ONCE]
        if len(columns) > AT_ONCE and least[likely[0]] >= price:
            break
        prices = turning[likely] + _price(answers, _kept(changes, likely), now)
        best = int(np.argmin(prices))
        if prices[best] < price:
            price, chosen = float(prices[best]), int(likely[best])
    if chosen < 0:
        return None
    after_change = eighths.copy()
    after_change[changes.first[chosen]] += changes.by_first[chosen]
    after_change[changes.second[chosen]] += changes.by_second[chosen]
    return price, after_change


def _kept(changes: Changes, columns: IntArray) -> Changes:
    """Keep some of the changes."""
    if len(columns) == len(changes.first):
        return changes
    return Changes(
        first=changes.first[columns],
        second=changes.second[columns],
        by_first=changes.by_first[columns],
        by_second=changes.by_second[columns],
        own_squares=changes.own_squares[:, columns],
    )


def _after(changes: Changes, now: FloatArray, step: FloatArray) -> FloatArray:
    """Answers after each change, (r, m), from those now (r,)."""
    after = step.take(changes.first, axis=1)
    after *= changes.by_first
    other = step.take(changes.second, axis=1)
    other *= changes.by_second
    after += other
    after += now[:, None]
    return after


def _turning(changes: Changes, eighths: FloatArray, problem: Problem) -> FloatArray:
    """Price of the turning after each change (m,) [turns]; infinite where a turn gets too large."""
    now = turning_price(eighths)
    price = np.full(len(changes.first), now.sum())
    for nipple, by in ((changes.first, changes.by_first), (changes.second, changes.by_second)):
        after = eighths[nipple] + by
        price += turning_price(after) - now[nipple]
        price[np.abs(after) > problem.most_eighths[nipple]] = np.inf
    return price


def _least(answers: Answers, changes: Changes, now: FloatArray) -> FloatArray:
    """Lower bound of what is paid beside the turning (m,) [turns]."""
    problem, rows = answers.problem, answers.rows
    places = [_worst(now[line]) + line.start for line in (rows.lateral, rows.radial)]
    picked = np.concatenate([*places, [rows.dish.start, rows.right_mean.start, rows.left_mean.start]])
    after = _after(changes, now[picked], answers.step[picked])
    first, second = len(places[0]), len(places[0]) + len(places[1])
    least = line_price(problem.lateral, after[:first]) + line_price(problem.radial, after[first:second])
    least += _dish(answers, after[second])
    runout, right, left, *doubts = _squares(answers, changes, now, slice(None))
    least += GUIDE_PRICE * runout
    even = [
        np.maximum(square, 0.0) / len(side.start_n)
        for side, square in zip(problem.sides, (right, left), strict=True)
    ]
    least += even_price(problem, even, [np.maximum(doubt, 0.0) for doubt in doubts])
    for side, mean, rms in zip(problem.sides, after[second + 1 :], np.sqrt(even), strict=True):
        outside = np.maximum(rms - side.largest_rms_n, 0.0)
        outside += np.maximum(mean - side.largest_rise_n, 0.0) + np.maximum(-mean - side.largest_drop_n, 0.0)
        least += answers.severity * LIMIT_PRICE_N * outside
    return least


def _worst(values: FloatArray) -> IntArray:
    """Places of the highest and the lowest values."""
    if len(values) <= 2 * WORST_PLACES:
        return np.arange(len(values))
    order = np.argsort(values)
    return np.concatenate([order[:WORST_PLACES], order[-WORST_PLACES:]])


def _squares(answers: Answers, changes: Changes, now: FloatArray, which: slice) -> FloatArray:
    """Some of the sums of squares after each change (q, m), by the binomial formula."""
    parts = tuple(answers.squares)[which]
    slope = np.stack([now[part] @ answers.step[part] for part in parts])
    still = np.array([now[part] @ now[part] for part in parts])
    cross = slope.take(changes.first, axis=1) * changes.by_first
    cross += slope.take(changes.second, axis=1) * changes.by_second
    squares: FloatArray = still[:, None] + 2 * cross + changes.own_squares[which]
    return squares


def _price(answers: Answers, changes: Changes, now: FloatArray) -> FloatArray:
    """What is paid beside the turning (m,) [turns], in full."""
    problem, rows = answers.problem, answers.rows
    after = _after(changes, now[rows.known], answers.step[rows.known])
    price = _guided(problem.lateral, after[rows.lateral]) + _guided(problem.radial, after[rows.radial])
    price += _dish(answers, after[rows.dish.start])
    sides = after[rows.right], after[rows.left]
    rms = [uneven(deviation) for deviation in sides]
    means = after[rows.right_mean.start], after[rows.left_mean.start]
    outside = outside_tension(problem, after[rows.tension], sides, rms, means)
    broken = LIMIT_PRICE_N * outside + LIMIT_PRICE * (outside > TOLERATED)
    doubts = np.maximum(_squares(answers, changes, now, DOUBTS), 0.0)
    price += even_price(problem, [of**2 for of in rms], list(doubts))
    price += answers.severity * broken
    return price


def _dish(answers: Answers, dish: FloatArray) -> FloatArray:
    outside = answers.severity * LIMIT_PRICE_MM * outside_dish(answers.problem, dish)
    price: FloatArray = dish_price(answers.problem, dish) + outside
    return price


def _guided(line: Line, after: FloatArray) -> FloatArray:
    price: FloatArray = line_price(line, after) + GUIDE_PRICE * np.einsum("ij,ij->j", after, after)
    return price
