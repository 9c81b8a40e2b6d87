"""The price of a truer rim: how uneven tension would have to become."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rimgauge.plan.problem import Problem
from rimgauge.plan.relaxed import relax

FACTORS = (1.1, 1.25, 1.5, 2.0, 3.0)
"""By how much the limit on unevenness is widened, one after the other."""


def unevenness_needed(problem: Problem) -> float | None:
    """Find out how uneven tension must be for the lateral runout to come within its tolerance.

    Returns
    -------
    float or None
        Standard deviation over mean of the worse side, at least; None where even thrice the limit won't do.

    """
    line = problem.lateral
    for factor in FACTORS:
        sides = tuple(
            replace(
                side,
                largest_rms_n=side.largest_rms_n * factor,
                largest_peak_n=side.largest_peak_n * factor,
            )
            for side in problem.sides
        )
        wider = replace(problem, sides=sides, lateral=replace(line, aim=line.end, guard=line.end))
        found = relax(wider)
        if found is not None and np.ptp(line.start + line.step @ found.eighths) <= line.end + 1e-6:
            after = [(side, side.start + side.step @ found.eighths) for side in sides]
            return max(float(np.sqrt(np.mean(deviation**2))) / side.mean_n for side, deviation in after)
    return None
