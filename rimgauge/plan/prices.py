"""What a plan is worth, and how far it is outside its limits.

Everywhere m plans stand side by side as columns.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rimgauge.plan.problem import (
    AIM_PRICE,
    LOOSEN_FACTOR,
    RISK_PRICE,
    SAME_SPREAD,
    TOUCH_TURNS,
    Line,
    Problem,
    SideTension,
)
from rimgauge.records import AT_ONCE_EIGHTHS, EIGHTH, FloatArray, IntArray

TOLERATED = 1e-6
"""Limits broken by less than this are rounding [mm, N]."""
GAIN = 1e-9
"""Prices nearer than this are equal [turns]."""
SURE = np.array([3.0, 2.0, 1.0, 0.0, -1.0, -1000.0])
"""By how many standard deviations an end is kept; beyond the last but one the price goes on straight."""
RISK = np.array([0.00135, 0.02301, 0.17275, 0.69315, 1.84102, 1148.55])
"""Negative logarithm of the normal probability to keep it then; straight between, so that a linear program
knows the same price."""


def turning_price(eighths: FloatArray) -> FloatArray:
    """Price of the turning at each nipple, an array of any shape [turns]."""
    turning = np.maximum(eighths, -LOOSEN_FACTOR * eighths) * EIGHTH
    price: FloatArray = turning + TOUCH_TURNS * np.ceil(np.abs(eighths) / AT_ONCE_EIGHTHS)
    return price


def line_price(line: Line, after: FloatArray) -> FloatArray:
    """Price of the runout at the places of a line (p, m), in (m,) [turns]."""
    reading = after.max(axis=0) - after.min(axis=0)
    past_aim = np.maximum(reading - line.aim_mm, 0.0)
    price: FloatArray = AIM_PRICE * past_aim + risk_price(
        (line.tolerance_mm - line.miss_mm - reading) / line.unsure_mm
    )
    return price


def risk_price(inside: FloatArray) -> FloatArray:
    """Price of the risk to miss an end that is foretold to be kept by so many standard deviations [turns]."""
    price: FloatArray = RISK_PRICE * np.interp(-inside, -SURE, RISK)
    return price


def dish_price(problem: Problem, dish: FloatArray) -> FloatArray:
    """Price of a rim off its centre by dish (m,) [mm], where the centre is known [turns]."""
    if problem.dish_aim_mm is None:
        return np.zeros_like(dish)
    return AIM_PRICE * np.maximum(np.abs(dish) - problem.dish_aim_mm, 0.0)


def outside_dish(problem: Problem, dish: FloatArray) -> FloatArray:
    """How far the rim's mean (m,) is outside its limits (m,) [mm]."""
    low, high = problem.dish_range_mm
    outside: FloatArray = np.maximum(dish - high, 0.0) + np.maximum(low - dish, 0.0)
    return outside


def uneven(deviation: FloatArray) -> FloatArray:
    """Root mean square of the deviations of a side from its mean (s, m), in (m,) [N]."""
    rms: FloatArray = np.sqrt(np.einsum("ij,ij->j", deviation, deviation) / len(deviation))
    return rms


def evenness(side: SideTension, mean_square: FloatArray, doubt: FloatArray) -> FloatArray:
    """Tell by how many standard deviations a side is as even as before (m,).

    mean_square: of its deviations (m,) [N²]. doubt: variance of that against before (m,) [N⁴].
    """
    same_n = SAME_SPREAD * side.mean_n
    sure: FloatArray = ((side.rms_end_n + same_n) ** 2 - mean_square) / np.sqrt(
        doubt + (same_n * side.rms_end_n) ** 2
    )
    return sure


def surely_even(side: SideTension, eighths: FloatArray) -> FloatArray:
    """Tell by how many standard deviations a side is as even as before (m,) after each of some plans (n, m)."""
    deviation = side.start_n[:, None] + side.step_n @ eighths
    doubt = side.doubt_start_n2[:, None] + side.doubt_step_n2 @ eighths
    return evenness(side, np.mean(deviation**2, axis=0), np.sum(doubt**2, axis=0))


def even_price(
    problem: Problem, mean_squares: Sequence[FloatArray], doubts: Sequence[FloatArray]
) -> FloatArray:
    """Price of the risk that tension becomes less even, from what `evenness` takes for each side [turns]."""
    price = np.zeros_like(mean_squares[0])
    for side, mean_square, doubt in zip(problem.sides, mean_squares, doubts, strict=True):
        price += risk_price(evenness(side, mean_square, doubt))
    return price


def outside_tension(
    problem: Problem,
    change: FloatArray,
    sides: Sequence[FloatArray],
    rms: Sequence[FloatArray],
    means: Sequence[FloatArray],
) -> FloatArray:
    """How far tension is outside its limits, summed over the limits (m,) [N].

    change (n, m): of each spoke's tension. sides: deviations from each side's mean (s, m). rms: their root
    mean square (m,). means: change of each side's mean (m,).
    """
    outside: FloatArray = np.maximum((change - problem.tension_rise_n[:, None]).max(axis=0), 0.0)
    outside += np.maximum((-change - problem.tension_fall_n[:, None]).max(axis=0), 0.0)
    for side, deviation, even, mean in zip(problem.sides, sides, rms, means, strict=True):
        outside += np.maximum(mean - side.largest_rise_n, 0.0) + np.maximum(-mean - side.largest_drop_n, 0.0)
        peak = np.maximum(deviation.max(axis=0), -deviation.min(axis=0))
        outside += np.maximum(peak - side.largest_peak_n, 0.0)
        outside += np.maximum(even - side.largest_rms_n, 0.0)
    return outside


def objective(problem: Problem, eighths: FloatArray | IntArray) -> float:
    """Objective of one plan (n,) [turns]; infinite outside the limits."""
    column = np.asarray(eighths, dtype=float)[:, None]
    dish = problem.dish_start_mm + problem.dish_step_mm @ column
    sides = [side.start_n[:, None] + side.step_n @ column for side in problem.sides]
    rms = [uneven(deviation) for deviation in sides]
    means = [side.mean_step_n @ column for side in problem.sides]
    outside = (
        outside_dish(problem, dish),
        outside_tension(problem, problem.tension_step_n @ column, sides, rms, means),
    )
    if max(part[0] for part in outside) > TOLERATED:
        return np.inf
    price = turning_price(column).sum() + dish_price(problem, dish)[0]
    price += sum(risk_price(surely_even(side, column))[0] for side in problem.sides)
    for line in (problem.lateral, problem.radial):
        price += line_price(line, line.start_mm[:, None] + line.step_mm @ column)[0]
    return float(price)
