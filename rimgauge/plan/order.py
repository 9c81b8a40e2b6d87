"""The order of work: round the wheel, and so that no state on the way is worse than the start.

A state is worse than the start where the rim strays farther, sideways or radially, than it did and than is
aimed at, where it leaves the centre, or where a spoke is over its limit of tension.
"""

from __future__ import annotations

import numpy as np

from rimgauge.plan.problem import Line, Problem
from rimgauge.records import AT_ONCE_EIGHTHS, BoolArray, FloatArray, IntArray

TENSION_WEIGHT = 0.01
"""A newton over a tension limit on the way counts as a hundredth of a millimetre of runout."""
RADIAL_FIRST = 4.0
"""Weight of radial beside lateral runout on the way where the radial one is out of tolerance."""
CENTRE_MM = 0.1
"""How far the rim's mean may leave the centre on the way: three quarters of a turn of one nipple moves it by
half of that, and a tenth of the usual tolerance is no harm."""
ON_THE_WAY_MM = 0.005
"""A walk round the wheel may be worse than the start by this, which no indicator tells [mm]."""


def order_of_work(problem: Problem, eighths: IntArray) -> list[int]:
    """Order the nipples to turn (indices).

    One walk round the wheel, or two of which the first loosens, tightens or mends what is radially out, are
    tried from every nipple, either way round. Of those that are nowhere worse than the start, the one that
    mends soonest is taken; radial runout counts most where it is out of tolerance. Where every walk is worse
    than the start somewhere, the step that does best is taken each time, if that does less harm.
    """
    turned = np.flatnonzero(eighths)
    if len(turned) == 0:
        return []
    walks = _walks(problem, eighths, turned)
    harm, burden = _judged(problem, eighths, walks)
    good = np.flatnonzero(harm <= ON_THE_WAY_MM)
    if len(good):
        chosen = walks[good[np.argmin(burden[good])]]
    else:
        orders = np.vstack([walks[np.argmin(harm)], *_stepwise(problem, eighths, turned)])
        chosen = orders[np.argmin(_judged(problem, eighths, orders)[0])]
    return [int(nipple) for nipple in chosen]


def _walks(problem: Problem, eighths: IntArray, turned: IntArray) -> IntArray:
    """Orders (w, t) that go round the wheel, in one lap or in two."""
    tightens = eighths > 0
    first_laps = [np.ones(len(eighths), dtype=bool), tightens, ~tightens, _mends_radially(problem, eighths)]
    laps = [np.roll(way, -shift) for way in (turned, turned[::-1]) for shift in range(len(turned))]
    return np.array([np.concatenate([lap[now[lap]], lap[~now[lap]]]) for now in first_laps for lap in laps])


def _mends_radially(problem: Problem, eighths: IntArray) -> BoolArray:
    """Which nipples (n,) lessen the squares of the radial runout when turned alone."""
    start = problem.radial.start - problem.radial.start.mean()
    moved = problem.radial.step * eighths
    moved = moved - moved.mean(axis=0)
    mends: BoolArray = 2 * start @ moved + (moved**2).sum(axis=0) < 0
    return mends


def _stepwise(problem: Problem, eighths: IntArray, turned: IntArray) -> list[IntArray]:
    """Orders (t,) that take the best step each time: the least harm, and the last step chosen first."""
    orders = []
    for start, sign in ((0 * eighths, 1), (eighths, -1)):
        now, left = start.astype(float), list(turned)
        order: list[int] = []
        while left:
            options = np.repeat(now[:, None], len(left), axis=1)
            options[left, np.arange(len(left))] += sign * eighths[left]
            harm, burden = _harm(problem, options), _burden(problem, options)
            chosen = left.pop(int(np.lexsort((burden, np.maximum(harm, 0.0)))[0]))
            now[chosen] += sign * eighths[chosen]
            order.append(int(chosen))
        orders.append(np.array(order[::sign], dtype=np.int64))
    return orders


def _judged(problem: Problem, eighths: IntArray, orders: IntArray) -> tuple[FloatArray, FloatArray]:
    """Judge orders (w, t): the worst harm on the way and the mean burden (w,).

    A nipple that is turned by more than is good at once may be turned in one go or on further laps in the
    same order: harm is that of the worse, burden that of the laps.
    """
    count = len(orders)
    most = AT_ONCE_EIGHTHS * np.arange(1 - int(-np.abs(eighths).max() // AT_ONCE_EIGHTHS))[:, None]
    done: IntArray = np.clip(eighths, -most, most)
    laps = done[1:] - done[:-1]
    ways = [laps] if len(laps) == 1 else [eighths[None], laps]
    harm = np.zeros(count)
    for way in ways:
        walk = np.concatenate([lap[orders] for lap in way], axis=1)
        states = np.zeros((*walk.shape, len(eighths)))
        rank, step = np.indices(walk.shape)
        states[rank, step, np.tile(orders, len(way))] = walk
        flat = states.cumsum(axis=1).reshape(-1, len(eighths)).T
        harm = np.maximum(harm, _harm(problem, flat).reshape(walk.shape).max(axis=1))
        burden = np.average(_burden(problem, flat).reshape(walk.shape), axis=1, weights=walk != 0)
    return harm, burden


def _harm(problem: Problem, states: FloatArray) -> FloatArray:
    """How much worse than the start states (n, m) are, at the worst of all counts (m,) [mm]."""
    lateral, radial = (
        _reading(line, states) - max(line.reading_before, line.aim)
        for line in (problem.lateral, problem.radial)
    )
    centre = max(abs(problem.dish_start), CENTRE_MM)
    off_centre = np.abs(problem.dish_start + problem.dish_step @ states) - centre
    over = (problem.tension_step @ states - problem.tension_rise[:, None]).max(axis=0)
    harm: FloatArray = np.max([lateral, radial, off_centre, TENSION_WEIGHT * over], axis=0)
    return harm


def _burden(problem: Problem, states: FloatArray) -> FloatArray:
    """Runout that is still to mend in states (n, m): standard deviation round the rim (m,) [mm]."""
    lateral, radial = (
        (line.start[:, None] + line.step @ states).std(axis=0) for line in (problem.lateral, problem.radial)
    )
    bad = problem.radial.known and problem.radial.reading_before > problem.radial.end
    burden: FloatArray = lateral + (RADIAL_FIRST if bad else 1.0) * radial
    return burden


def _reading(line: Line, states: FloatArray) -> FloatArray:
    reading: FloatArray = np.ptp(line.start[:, None] + line.step @ states, axis=0)
    return reading
