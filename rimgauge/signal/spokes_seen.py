"""Whether it is spokes that the wheel's course was told by."""

from __future__ import annotations

import math

import numpy as np

from rimgauge.records import FloatArray
from rimgauge.signal.course import Course
from rimgauge.signal.evidence import Layout
from rimgauge.signal.series import foretold, share_foretold, waves

LEAST_FORETOLD, WORST_SHARE = 0.5, 0.1
LEAST_SHORT, SHORT_SPOKES = 0.06, 2
"""Share of what the box shows that must return as spokes do in waves of two spokes and less: 0.12 and more where spokes were seen
(about a hundred simulated runs, six films), 0.02 where streaks of a rim that runs out of round were taken for them."""
WHOLE_TURN_DEG = 360.0


def spokes_seen(components: FloatArray, course: Course, layout: Layout) -> bool:
    """Tell whether it is spokes that the course (n frames) was told by, and not something else that turns with the wheel.

    components (n, k): what the spokes' box shows. Where only a whole turn brings the spokes back, their waves aren't looked at.
    """
    if share_foretold(course.missed, course.whole, WORST_SHARE) < LEAST_FORETOLD:
        return False
    period_deg = layout.look_period_deg
    return (
        period_deg >= WHOLE_TURN_DEG
        or share_of_short(components, course.angle_deg, period_deg, SHORT_SPOKES * layout.spacing_deg)
        >= LEAST_SHORT
    )


def share_of_short(
    components: FloatArray, angle_deg: FloatArray, period_deg: float, longest_deg: float
) -> float:
    """Share of the variance (n, k) that is in waves of some length and less, and returns after a period, 1 all to 0 none.

    Longer waves round the wheel are taken off first, by least squares: a shadow makes them, or a rim that goes up and down,
    and a path can be bent until they return with any period.
    """
    longer = max(math.ceil(WHOLE_TURN_DEG / longest_deg - 0.01) - 1, 1)
    basis, _ = waves(angle_deg, WHOLE_TURN_DEG, WHOLE_TURN_DEG / longer)
    short = components - basis @ np.linalg.lstsq(basis, components)[0]
    returns = share_foretold(*foretold(short, angle_deg, period_deg), WORST_SHARE)
    return max(returns, 0.0) * float(short.var() / max(components.var(), 1e-12))
