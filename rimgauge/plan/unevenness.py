"""The price of a truer rim: how uneven tension would have to become."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rimgauge.plan.problem import Problem
from rimgauge.plan.relaxed import relax

MOST_FACTOR = 3.0
"""The limit on unevenness is widened by this at most: more would be no wheel to ride."""
NEARLY_SURE_MM = 0.001
"""Doubt that is left of the runout while nothing but evenness is asked about: the price of risk needs some."""
HALVINGS = 5
"""Bisections for the least factor that serves, which is then known to a sixteenth."""


def unevenness_needed(problem: Problem) -> float | None:
    """Find out how uneven tension must be for the lateral runout to come within its tolerance.

    The limits of both sides are widened by the same factor, with turns of any size.

    Returns
    -------
    float or None
        Standard deviation over mean of the worse side, at least; zero where the limits need no widening,
        None where even thrice the limit won't do.

    """
    enough = _uneven(problem, MOST_FACTOR)
    if enough is None:
        return None
    if _uneven(problem, 1.0) is not None:
        return 0.0
    low, high = 1.0, MOST_FACTOR
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        found = _uneven(problem, middle)
        if found is None:
            low = middle
        else:
            high, enough = middle, found
    return enough


def _uneven(problem: Problem, factor: float) -> float | None:
    """How uneven the worse side is where limits so much wider bring the rim within; None where they don't."""
    line = problem.lateral
    sides = tuple(
        replace(side, largest_rms_n=side.largest_rms_n * factor, largest_peak_n=side.largest_peak_n * factor)
        for side in problem.sides
    )
    wider = replace(
        problem,
        sides=sides,
        lateral=replace(line, aim_mm=line.tolerance_mm, miss_mm=0.0, unsure_mm=NEARLY_SURE_MM),
    )
    found = relax(wider)
    if found is None or line.reading_after_mm(found.eighths) > line.tolerance_mm + 1e-6:
        return None
    after = [(side, side.start_n + side.step_n @ found.eighths) for side in sides]
    return max(float(np.sqrt(np.mean(deviation**2))) / side.mean_n for side, deviation in after)
