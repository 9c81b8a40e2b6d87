"""The plan with turns of any size: a linear program whose optimum no plan in whole eighths can beat.

The root-mean-square limit on tension is round, not flat; it is approached from outside by tangent planes,
so that the value stays a lower bound however many of them there are.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import csr_array, hstack, vstack

from rimgauge.plan.problem import AIM_PRICE, END_PRICE, LOOSEN_FACTOR, TOUCH_TURNS, Line, Problem
from rimgauge.plan.wishes import EIGHTH
from rimgauge.records import FloatArray, record

TANGENT_ROUNDS = 2
"""Rounds of tangent planes; the third moves the optimum of most random wheels by under 1 %."""
EXTRA = 9
"""Unknowns besides the turns: top, bottom and two excesses of each line, and the dish past its aim."""


@record
class Relaxed:
    """Optimum of the relaxed program: eighths (n,), not whole; bound: its objective [turns]."""

    eighths: FloatArray
    bound: float


class _Rows:
    """Rows of `matrix · x <= limit` over x = (tightening n, loosening n, EXTRA)."""

    def __init__(self, nipples: int) -> None:
        self._nipples = nipples
        self._matrices: list[csr_array] = []
        self._limits: list[FloatArray] = []

    def add(self, step: FloatArray, limit: FloatArray, extra: dict[int, float] | None = None) -> None:
        """Add `step · (tightening − loosening) + sum extra <= limit`, step (r, n) and limit (r,)."""
        more = np.zeros((len(limit), EXTRA))
        for column, factor in (extra or {}).items():
            more[:, column] = factor
        self._matrices.append(hstack([csr_array(step), csr_array(-step), csr_array(more)], format="csr"))
        self._limits.append(limit)

    def stacked(self) -> tuple[csr_array, FloatArray]:
        return vstack(self._matrices, format="csr"), np.concatenate(self._limits)


def relax(problem: Problem, rounds: int = TANGENT_ROUNDS) -> Relaxed | None:
    """Solve the relaxed program; None if the solver gives up (the search then starts without it)."""
    rows = _Rows(problem.nipples)
    for line, first in ((problem.lateral, 0), (problem.radial, 4)):
        _line_rows(rows, line, first)
    _dish_rows(rows, problem)
    _tension_rows(rows, problem)
    cost = _costs(problem)
    best: Relaxed | None = None
    for _ in range(rounds):
        found = _solve(rows, cost, problem)
        if found is None:
            break
        best = found
        if not _add_tangents(rows, problem, found.eighths):
            break
    return best


def _line_rows(rows: _Rows, line: Line, first: int) -> None:
    top, bottom, past_aim, past_end = range(first, first + 4)
    rows.add(line.step, -line.start, {top: -1.0})
    rows.add(-line.step, line.start, {bottom: 1.0})
    nothing = np.zeros((1, line.step.shape[1]))
    rows.add(nothing, np.array([line.aim]), {top: 1.0, bottom: -1.0, past_aim: -1.0})
    rows.add(nothing, np.array([line.end]), {top: 1.0, bottom: -1.0, past_end: -1.0})


def _dish_rows(rows: _Rows, problem: Problem) -> None:
    step = problem.dish_step[None, :]
    low, high = problem.dish_range
    rows.add(step, np.array([high - problem.dish_start]))
    rows.add(-step, np.array([problem.dish_start - low]))
    if problem.dish_aim is not None:
        rows.add(step, np.array([problem.dish_aim - problem.dish_start]), {8: -1.0})
        rows.add(-step, np.array([problem.dish_aim + problem.dish_start]), {8: -1.0})


def _tension_rows(rows: _Rows, problem: Problem) -> None:
    rows.add(problem.tension_step, problem.tension_rise)
    rows.add(-problem.tension_step, problem.tension_fall)
    for side in problem.sides:
        rows.add(side.mean_step[None, :], np.array([side.largest_rise_n]))
        rows.add(-side.mean_step[None, :], np.array([side.largest_drop_n]))
        rows.add(side.step, side.largest_peak_n - side.start)
        rows.add(-side.step, side.largest_peak_n + side.start)


def _add_tangents(rows: _Rows, problem: Problem, eighths: FloatArray) -> bool:
    """Cut off a point that breaks the round limit of a side; False if there is none to cut."""
    cut = False
    for side in problem.sides:
        after = side.start + side.step @ eighths
        length = float(np.linalg.norm(after))
        longest = side.largest_rms_n * np.sqrt(len(side.start))
        if length > longest * 1.002:
            normal = after / length
            rows.add((normal @ side.step)[None, :], np.array([longest - normal @ side.start]))
            cut = True
    return cut


def _costs(problem: Problem) -> FloatArray:
    touch = TOUCH_TURNS / problem.most
    n = problem.nipples
    line = [0.0, 0.0, AIM_PRICE, END_PRICE]
    return np.concatenate(
        [np.full(n, EIGHTH + touch), np.full(n, LOOSEN_FACTOR * EIGHTH + touch), line, line, [AIM_PRICE]]
    )


def _solve(rows: _Rows, cost: FloatArray, problem: Problem) -> Relaxed | None:
    matrix, limit = rows.stacked()
    free, positive = (None, None), (0.0, None)
    bounds = (
        [(0.0, float(problem.most))] * (2 * problem.nipples)
        + [free, free, positive, positive] * 2
        + [positive]
    )
    answer = linprog(cost, A_ub=matrix, b_ub=limit, bounds=bounds, method="highs-ds")
    if answer.status != 0:
        return None
    n = problem.nipples
    return Relaxed(eighths=answer.x[:n] - answer.x[n : 2 * n], bound=float(answer.fun))
