"""The plan with turns of any size: a linear program whose optimum no plan in whole eighths can beat.

The limit on the root mean square of a side's tension is round, not flat. Each spoke's square gets an unknown of
its own that lies above a few tangents of the parabola, and only their sum is limited: that follows the round
limit within a hundredth from outside, where planes against the whole side would need hundreds (J. P. Vielma,
I. Dunning, J. Huchette, M. Lubin, Mathematical Programming Computation 9, 2017, from memory). So the value
is a lower bound.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import csr_array, eye_array, hstack, vstack

from rimgauge.plan.prices import RISK, SURE
from rimgauge.plan.problem import (
    AIM_PRICE,
    LOOSEN_FACTOR,
    RISK_PRICE,
    TOUCH_TURNS,
    Line,
    Problem,
)
from rimgauge.records import AT_ONCE_EIGHTHS, EIGHTH, FloatArray, record

TANGENTS = np.linspace(-3.0, 3.0, 25)
"""Where the parabola of a spoke's square has its tangents, in root mean squares at the limit of its side."""
LATERAL, RADIAL, DISH, EXTRA = range(4), range(4, 8), 8, 9
"""Unknowns besides turns and tensions: top, bottom, excess and risk of each line, and the dish past its aim; so many."""


@record
class Relaxed:
    """Optimum of the relaxed program: eighths (n,), not whole; bound: its objective [turns]."""

    eighths: FloatArray
    bound: float


class _Rows:
    """Rows of `matrix · x <= limit` over x = (tightening n, loosening n, EXTRA, deviation n, square n).

    Deviation and square are those of each spoke's tension from its side's mean, the right side first, in
    root mean squares at the side's limit.
    """

    def __init__(self, nipples: int) -> None:
        self._nipples = nipples
        self._matrices: list[csr_array] = []
        self._limits: list[FloatArray] = []

    def add(self, step: FloatArray, limit: FloatArray, extra: dict[int, float] | None = None) -> None:
        """Add `step · (tightening − loosening) + sum extra <= limit`, step (r, n) and limit (r,)."""
        more = np.zeros((len(limit), EXTRA))
        for column, factor in (extra or {}).items():
            more[:, column] = factor
        tension = csr_array((len(limit), 2 * self._nipples))
        self._put([csr_array(step), csr_array(-step), csr_array(more), tension], limit)

    def add_tension(self, deviation: csr_array, square: csr_array, limit: FloatArray) -> None:
        """Add `deviation · (deviations) + square · (squares) <= limit`, each (r, n)."""
        self._put([csr_array((len(limit), 2 * self._nipples + EXTRA)), deviation, square], limit)

    def stacked(self) -> tuple[csr_array, FloatArray]:
        return vstack(self._matrices, format="csr"), np.concatenate(self._limits)

    def _put(self, parts: list[csr_array], limit: FloatArray) -> None:
        self._matrices.append(hstack(parts, format="csr"))
        self._limits.append(limit)


def relax(problem: Problem) -> Relaxed | None:
    """Solve the relaxed program; None if the solver gives up (the search then starts without it)."""
    rows = _Rows(problem.nipples)
    _line_rows(rows, problem.lateral, LATERAL)
    _line_rows(rows, problem.radial, RADIAL)
    _dish_rows(rows, problem)
    _tension_rows(rows, problem)
    _square_rows(rows, problem)
    return _solve(rows, problem)


def _line_rows(rows: _Rows, line: Line, columns: range) -> None:
    top, bottom, past_aim, risk = columns
    rows.add(line.step_mm, -line.start_mm, {top: -1.0})
    rows.add(-line.step_mm, line.start_mm, {bottom: 1.0})
    nothing = np.zeros((1, line.step_mm.shape[1]))
    rows.add(nothing, np.array([line.aim_mm]), {top: 1.0, bottom: -1.0, past_aim: -1.0})
    for slope, sure, least in zip(-np.diff(RISK) / np.diff(SURE), SURE[:-1], RISK[:-1], strict=True):
        # least + slope·(sure − inside) <= risk, inside = (end − miss − (top − bottom))/unsure
        steep = slope / line.unsure_mm
        limit = steep * (line.tolerance_mm - line.miss_mm) - slope * sure - least
        rows.add(nothing, np.array([limit]), {top: steep, bottom: -steep, risk: -1.0})


def _dish_rows(rows: _Rows, problem: Problem) -> None:
    step = problem.dish_step_mm[None, :]
    low, high = problem.dish_range_mm
    rows.add(step, np.array([high - problem.dish_start_mm]))
    rows.add(-step, np.array([problem.dish_start_mm - low]))
    if problem.dish_aim_mm is not None:
        rows.add(step, np.array([problem.dish_aim_mm - problem.dish_start_mm]), {DISH: -1.0})
        rows.add(-step, np.array([problem.dish_aim_mm + problem.dish_start_mm]), {DISH: -1.0})


def _tension_rows(rows: _Rows, problem: Problem) -> None:
    rows.add(problem.tension_step_n, problem.tension_rise_n)
    rows.add(-problem.tension_step_n, problem.tension_fall_n)
    for side in problem.sides:
        rows.add(side.mean_step_n[None, :], np.array([side.largest_rise_n]))
        rows.add(-side.mean_step_n[None, :], np.array([side.largest_drop_n]))


def _square_rows(rows: _Rows, problem: Problem) -> None:
    """Keep each square above its tangents, 2·t·d − d² <= t², and their sum under the number of spokes."""
    one = eye_array(problem.nipples, format="csr")
    for at in TANGENTS:
        rows.add_tension(2 * at * one, -one, np.full(problem.nipples, at**2))
    spokes = [len(side.spokes) for side in problem.sides]
    member = np.repeat(np.eye(len(spokes)), spokes, axis=1)
    rows.add_tension(csr_array(member.shape), csr_array(member), np.array(spokes, dtype=float))


def _deviations(problem: Problem) -> tuple[csr_array, FloatArray]:
    """Rows of `matrix · x = value` that tie the deviations to the turns."""
    n = problem.nipples
    step = np.vstack([side.step_n / side.largest_rms_n for side in problem.sides])
    start = np.concatenate([side.start_n / side.largest_rms_n for side in problem.sides])
    parts = [csr_array(step), csr_array(-step), csr_array((n, EXTRA)), -eye_array(n), csr_array((n, n))]
    return hstack(parts, format="csr"), -start


def _costs(problem: Problem) -> FloatArray:
    touch = TOUCH_TURNS / np.clip(problem.most_eighths, 1, AT_ONCE_EIGHTHS)
    line = [0.0, 0.0, AIM_PRICE, RISK_PRICE]
    turning = [EIGHTH + touch, LOOSEN_FACTOR * EIGHTH + touch]
    return np.concatenate([*turning, line, line, [AIM_PRICE], np.zeros(2 * problem.nipples)])


def _solve(rows: _Rows, problem: Problem) -> Relaxed | None:
    matrix, limit = rows.stacked()
    tied, value = _deviations(problem)
    n = problem.nipples
    free: tuple[float | None, float | None] = (None, None)
    positive: tuple[float | None, float | None] = (0.0, None)
    peaks = np.concatenate(
        [np.full(len(side.spokes), side.largest_peak_n / side.largest_rms_n) for side in problem.sides]
    )
    turns: list[tuple[float | None, float | None]] = [(0.0, float(most)) for most in problem.most_eighths]
    lines = [free, free, positive, positive] * 2
    bounds = turns * 2 + [*lines, positive, *((-peak, peak) for peak in peaks)] + [positive] * n
    answer = linprog(
        _costs(problem), A_ub=matrix, b_ub=limit, A_eq=tied, b_eq=value, bounds=bounds, method="highs-ds"
    )
    if answer.status != 0:
        return None
    return Relaxed(eighths=answer.x[:n] - answer.x[n : 2 * n], bound=float(answer.fun))
