"""The price of a truer rim: how uneven tension would have to become."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rimgauge.plan.problem import Problem
from rimgauge.plan.relaxed import relax

MOST_SPREAD = 0.15
"""Standard deviation over mean that is tried at most: more would be no wheel to ride (our choice)."""
PEAK_SHARE = 2.0
"""One spoke may be so many standard deviations from its side's mean."""
NEARLY_SURE_MM = 0.001
"""Doubt that is left of the runout while nothing but evenness is asked about: the price of risk needs some."""
MOST_EIGHTHS = 24
"""Turns of several rounds at one nipple."""
HALVINGS = 5
"""Bisections for the least spread that serves, which is then known to half a per cent."""


def unevenness_needed(problem: Problem) -> float | None:
    """Find out how uneven tension must be for the lateral runout to come within its tolerance in some rounds.

    Returns
    -------
    float or None
        Standard deviation over mean of the worse side, at least; zero where the limits of the plan will do,
        None where even MOST_SPREAD won't.

    """
    enough = _uneven(problem, MOST_SPREAD)
    if enough is None:
        return None
    if _uneven(problem, 0.0) is not None:
        return 0.0
    low, high = 0.0, MOST_SPREAD
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        found = _uneven(problem, middle)
        if found is None:
            low = middle
        else:
            high, enough = middle, found
    return enough


def _uneven(problem: Problem, spread: float) -> float | None:
    """How uneven the worse side is where limits of at least this spread bring the rim within; None where they don't."""
    line = problem.lateral
    sides = tuple(
        replace(
            side,
            largest_rms_n=max(side.largest_rms_n, spread * side.mean_n),
            largest_peak_n=max(side.largest_peak_n, PEAK_SHARE * spread * side.mean_n),
        )
        for side in problem.sides
    )
    wider = replace(
        problem,
        most_eighths=np.where(problem.most_eighths > 0, MOST_EIGHTHS, 0),
        sides=sides,
        lateral=replace(line, aim_mm=line.tolerance_mm, miss_mm=0.0, unsure_mm=NEARLY_SURE_MM),
    )
    found = relax(wider)
    if found is None or line.reading_after_mm(found.eighths) > line.tolerance_mm + 1e-6:
        return None
    after = [(side, side.start_n + side.step_n @ found.eighths) for side in sides]
    return max(float(np.sqrt(np.mean(deviation**2))) / side.mean_n for side, deviation in after)
