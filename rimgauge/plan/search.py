"""Search over whole eighths: start somewhere sensible, take the best small change, shake, repeat.

A small change is an eighth at one nipple, an eighth at each of two, or the whole turn of one nipple dropped
or handed to another. All of them are judged at once, as columns of matrices. While searching, a broken limit
costs a high price, so that the way may lead through the forbidden; the answer never lies there.

The search is deterministic: its shakes come from a fixed seed, and it stops after a fixed number of them
that brought nothing; the time limit is a brake for slow machines.
"""

from __future__ import annotations

import time
from collections.abc import Iterable

import numpy as np

from rimgauge.plan.problem import AIM_PRICE, END_PRICE, LOOSEN_FACTOR, TOUCH_TURNS, Line, Problem
from rimgauge.plan.wishes import EIGHTH
from rimgauge.records import FloatArray, IntArray, record

LIMIT_PRICE_MM = 400.0
"""While searching: price of a millimetre outside the limits on dish [turns/mm]."""
LIMIT_PRICE_N = 0.5
"""While searching: price of a newton outside the limits on tension [turns/N]."""
TOLERATED = 1e-6
"""Limits broken by less than this are rounding [mm, N]."""
GUIDE_PRICE = 0.02
"""Weight of the summed squares of the runout [turns/mm²]: tells apart plans with equal worst spokes."""
PATIENCE = 32
"""Shakes without gain after which the search ends."""


@record
class Found:
    """The best plan found: eighths (n,), whole; objective [turns]."""

    eighths: IntArray
    objective: float


def search(problem: Problem, starts: Iterable[FloatArray], *, time_limit_s: float) -> Found:
    """Find whole eighths of low objective inside every limit.

    Parameters
    ----------
    problem : Problem
        What is wanted and what is forbidden.
    starts : arrays (n,)
        Turns in eighths to start from, rounded here; doing nothing is always a start too.
    time_limit_s : float
        Brake [s]; the shakes stop after it, and the best plan so far is the answer.

    """
    deadline = time.perf_counter() + time_limit_s
    moves = _Moves(problem)
    random = np.random.default_rng(20)
    nothing = np.zeros(problem.nipples, dtype=np.int64)
    best = Found(eighths=nothing, objective=objective(problem, nothing))
    current, current_guided = nothing, np.inf
    for start in (nothing, *starts):
        whole = np.clip(np.round(start), -problem.most, problem.most).astype(np.int64)
        whole, guided = moves.descend(whole, deadline)
        best = _better(problem, best, whole)
        if guided < current_guided:
            current, current_guided = whole, guided
    idle = 0
    while idle < PATIENCE and time.perf_counter() < deadline:
        whole, guided = moves.descend(_shake(problem, current, random), deadline)
        idle = 0 if guided < current_guided - 1e-9 else idle + 1
        if guided < current_guided:
            current, current_guided = whole, guided
        best = _better(problem, best, whole)
    return best


def objective(problem: Problem, eighths: FloatArray | IntArray) -> float:
    """Objective of one plan (n,) [turns]; infinite outside the limits."""
    return float(_score(problem, np.asarray(eighths, dtype=float)[:, None])[0])


def _better(problem: Problem, best: Found, whole: IntArray) -> Found:
    value = objective(problem, whole)
    return Found(eighths=whole, objective=value) if value < best.objective - 1e-9 else best


def _shake(problem: Problem, eighths: IntArray, random: np.random.Generator) -> IntArray:
    """Undo a stretch of the rim, or disturb a few nipples."""
    shaken = eighths.copy()
    n = problem.nipples
    if random.random() < 0.5:
        length = int(random.integers(2, max(3, n // 4)))
        shaken[(int(random.integers(n)) + np.arange(length)) % n] = 0
    else:
        chosen = random.choice(n, size=min(5, n), replace=False)
        shaken[chosen] += random.integers(-2, 3, size=len(chosen))
    return np.clip(shaken, -problem.most, problem.most)


# --- what plans are worth ----------------------------------------------------------------------------------


def _effort(eighths: FloatArray) -> FloatArray:
    """Price of the turning of plans (n, m) in columns: (m,) [turns]."""
    turning = np.where(eighths > 0, eighths, -LOOSEN_FACTOR * eighths) * EIGHTH
    price: FloatArray = (turning + TOUCH_TURNS * (eighths != 0)).sum(axis=0)
    return price


def _line_price(line: Line, after: FloatArray) -> FloatArray:
    reading = after.max(axis=0) - after.min(axis=0)
    price: FloatArray = AIM_PRICE * np.maximum(reading - line.aim, 0.0) + END_PRICE * np.maximum(
        reading - line.end, 0.0
    )
    return price


def _dish_price(problem: Problem, dish: FloatArray) -> FloatArray:
    if problem.dish_aim is None:
        return np.zeros_like(dish)
    return AIM_PRICE * np.maximum(np.abs(dish) - problem.dish_aim, 0.0)


def _broken(problem: Problem, eighths: FloatArray) -> tuple[FloatArray, FloatArray]:
    """How far plans (n, m) are outside the limits on dish [mm] and on tension [N], summed over the limits."""
    low, high = problem.dish_range
    dish = problem.dish_start + problem.dish_step @ eighths
    outside_mm = np.maximum(dish - high, 0.0) + np.maximum(low - dish, 0.0)
    change = problem.tension_step @ eighths
    outside_n = np.maximum((change - problem.tension_rise[:, None]).max(axis=0), 0.0)
    outside_n += np.maximum((-change - problem.tension_fall[:, None]).max(axis=0), 0.0)
    for side in problem.sides:
        mean = side.mean_step @ eighths
        after = side.start[:, None] + side.step @ eighths
        outside_n += np.maximum(mean - side.largest_rise_n, 0.0) + np.maximum(
            -mean - side.largest_drop_n, 0.0
        )
        outside_n += np.maximum(np.abs(after).max(axis=0) - side.largest_peak_n, 0.0)
        outside_n += np.maximum(np.sqrt(np.mean(after**2, axis=0)) - side.largest_rms_n, 0.0)
    return outside_mm, outside_n


def _score(problem: Problem, eighths: FloatArray) -> FloatArray:
    price = _effort(eighths) + _dish_price(problem, problem.dish_start + problem.dish_step @ eighths)
    for line in (problem.lateral, problem.radial):
        price = price + _line_price(line, line.start[:, None] + line.step @ eighths)
    outside_mm, outside_n = _broken(problem, eighths)
    return np.where((outside_mm > TOLERATED) | (outside_n > TOLERATED), np.inf, price)


# --- small changes -----------------------------------------------------------------------------------------


class _Moves:
    """All changes of an eighth at one or two nipples, and what each moves, worked out once.

    Columns are changes. Sums of squares come from products worked out beforehand, so that judging some
    thousands of changes is a handful of array operations.
    """

    def __init__(self, problem: Problem) -> None:
        self._problem = problem
        n = problem.nipples
        first, second = np.triu_indices(n, 1)
        singles = np.hstack([np.eye(n), -np.eye(n)])
        pairs = []
        for sign_first, sign_second in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
            pair = np.zeros((n, len(first)))
            pair[first, np.arange(len(first))] = sign_first
            pair[second, np.arange(len(first))] = sign_second
            pairs.append(pair)
        self._singles = _Effects(problem, singles)
        self._pairs = _Effects(problem, np.hstack(pairs))

    def descend(self, whole: IntArray, deadline: float) -> tuple[IntArray, float]:
        """Take the best change until none helps; the plan and its guided price."""
        eighths = whole.astype(float)
        price = float(_Effects(self._problem, np.zeros((len(whole), 1))).guided(eighths)[0])
        while time.perf_counter() < deadline:
            handovers = [_Effects(self._problem, _handovers(eighths))] if eighths.any() else []
            for effects in (self._singles, *handovers, self._pairs):
                prices = effects.guided(eighths)
                chosen = int(np.argmin(prices))
                if prices[chosen] < price - 1e-9:
                    price = float(prices[chosen])
                    eighths = eighths + effects.changes[:, chosen]
                    break
            else:
                break
        return np.round(eighths).astype(np.int64), price


def _handovers(eighths: FloatArray) -> FloatArray:
    """Columns that drop the turn of a nipple, or hand it to another one."""
    n = len(eighths)
    turned = np.flatnonzero(eighths)
    changes = np.zeros((n, len(turned), n))
    place = np.arange(len(turned))
    changes[:, place, :] += np.eye(n)[:, None, :] * eighths[turned][None, :, None]
    changes[turned, place, :] -= eighths[turned][:, None]
    return changes.reshape(n, -1)


class _Effects:
    """What a set of changes (n, m) does to everything the price depends on."""

    def __init__(self, problem: Problem, changes: FloatArray) -> None:
        self._problem = problem
        self.changes = changes
        self._lines = [line.step @ changes for line in (problem.lateral, problem.radial)]
        self._line_squares = [np.einsum("ij,ij->j", moved, moved) for moved in self._lines]
        self._dish = problem.dish_step @ changes
        self._tension = problem.tension_step @ changes
        self._sides = [side.step @ changes for side in problem.sides]
        self._side_squares = [np.einsum("ij,ij->j", moved, moved) for moved in self._sides]
        self._side_means = [side.mean_step @ changes for side in problem.sides]

    def guided(self, eighths: FloatArray) -> FloatArray:
        """Price of the plan (n,) after each of the changes, with limits priced and a guide (m,) [turns]."""
        problem = self._problem
        after = eighths[:, None] + self.changes
        price = _effort(after)
        price[np.abs(after).max(axis=0) > problem.most + 0.5] = np.inf
        dish = problem.dish_start + float(problem.dish_step @ eighths) + self._dish
        low, high = problem.dish_range
        price += LIMIT_PRICE_MM * (np.maximum(dish - high, 0.0) + np.maximum(low - dish, 0.0))
        price += _dish_price(problem, dish)
        for line, moved, squares in zip(
            (problem.lateral, problem.radial), self._lines, self._line_squares, strict=True
        ):
            now = line.start + line.step @ eighths
            price += _line_price(line, now[:, None] + moved)
            price += GUIDE_PRICE * (now @ now + 2.0 * (now @ moved) + squares)
        price += LIMIT_PRICE_N * self._outside_n(eighths)
        return price

    def _outside_n(self, eighths: FloatArray) -> FloatArray:
        """How far each plan is outside the limits on tension (m,) [N]."""
        problem = self._problem
        now = problem.tension_step @ eighths
        outside: FloatArray = np.maximum(
            ((now - problem.tension_rise)[:, None] + self._tension).max(axis=0), 0.0
        )
        outside += np.maximum(-((now + problem.tension_fall)[:, None] + self._tension).min(axis=0), 0.0)
        for side, moved, squares, mean in zip(
            problem.sides, self._sides, self._side_squares, self._side_means, strict=True
        ):
            deviation = side.start + side.step @ eighths
            mean_now = float(side.mean_step @ eighths) + mean
            outside += np.maximum(mean_now - side.largest_rise_n, 0.0)
            outside += np.maximum(-mean_now - side.largest_drop_n, 0.0)
            total = np.maximum(deviation @ deviation + 2.0 * (deviation @ moved) + squares, 0.0)
            outside += np.maximum(np.sqrt(total / len(deviation)) - side.largest_rms_n, 0.0)
            peak = deviation[:, None] + moved
            outside += np.maximum(np.maximum(peak.max(axis=0), -peak.min(axis=0)) - side.largest_peak_n, 0.0)
        return outside
