"""The order of work: round the wheel where that does no harm on the way, else the gentlest step first."""

from __future__ import annotations

import numpy as np

from rimgauge.plan.problem import Problem
from rimgauge.records import FloatArray, IntArray

TENSION_WEIGHT = 0.01
"""A newton over a tension limit on the way counts as a hundredth of a millimetre of runout."""
WALK_PRICE = 0.02
"""A walk round the wheel may be worse on the way than the gentlest order by this much [mm]."""


def order_of_work(problem: Problem, eighths: IntArray) -> list[int]:
    """Order the nipples to turn (indices) so that no state on the way is much worse than the start.

    One walk round the wheel, or two of which the first loosens, are tried from every nipple and compared with
    the order that takes the gentlest step each time; a walk wins where it does about as little harm, as it is
    easier to follow.
    """
    turned = np.flatnonzero(eighths)
    if len(turned) == 0:
        return []
    gentle = _gentlest(problem, eighths, turned)
    laps = [np.roll(turned, -shift) for shift in range(len(turned))]
    loosen_first = [np.concatenate([lap[eighths[lap] < 0], lap[eighths[lap] > 0]]) for lap in laps]
    walks = laps + loosen_first
    harms = [_worst_on_the_way(problem, eighths, walk) for walk in walks]
    best = int(np.argmin(harms))
    bearable = max(
        _worst_on_the_way(problem, eighths, gentle), _harm(problem, np.zeros((len(eighths), 1)))[0]
    )
    chosen = walks[best] if harms[best] <= bearable + WALK_PRICE else gentle
    return [int(nipple) for nipple in chosen]


def _gentlest(problem: Problem, eighths: IntArray, turned: IntArray) -> IntArray:
    done = np.zeros(len(eighths))
    left = list(turned)
    order = []
    while left:
        options = np.repeat(done[:, None], len(left), axis=1)
        options[left, np.arange(len(left))] = eighths[left]
        chosen = left.pop(int(np.argmin(_harm(problem, options))))
        done[chosen] = eighths[chosen]
        order.append(chosen)
    return np.array(order, dtype=np.int64)


def _worst_on_the_way(problem: Problem, eighths: IntArray, order: IntArray) -> float:
    steps = np.zeros((len(eighths), len(order)))
    steps[order, np.arange(len(order))] = eighths[order]
    return float(_harm(problem, np.cumsum(steps, axis=1)).max())


def _harm(problem: Problem, states: FloatArray) -> FloatArray:
    """Badness of states on the way (n, m): runout, rim off centre, tension over its limit (m,) [mm]."""
    lateral, radial = (
        np.ptp(line.start[:, None] + line.step @ states, axis=0) for line in (problem.lateral, problem.radial)
    )
    off_centre = np.abs(problem.dish_start + problem.dish_step @ states)
    over = np.maximum((problem.tension_step @ states - problem.tension_rise[:, None]).max(axis=0), 0.0)
    harm: FloatArray = lateral + radial + off_centre + TENSION_WEIGHT * over
    return harm
