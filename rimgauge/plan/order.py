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
"""A way may be worse than the start by this, which no indicator tells [mm]."""
JUDGED = 40
"""So many orders are judged in full at a time."""
MOVES = 12
"""Most steps that are moved, one after the other, to mend an order that is worse than the start somewhere."""


def order_of_work(problem: Problem, eighths: IntArray) -> IntArray:
    """Order the nipples to turn (indices).

    Where radial runout is out of tolerance, those come first that bring it in, and the rest after them; each
    of the two is a walk round the wheel. Otherwise one walk, or two of which the first loosens, tightens or
    mends what is radially out, is tried from every nipple, either way round. Of those that are nowhere worse
    than the start, the one that mends soonest is taken, radial runout counting most where it is out. Where
    every walk is worse than the start somewhere, the step that does best is taken each time, and steps are
    moved until none is worse, or no move helps.
    """
    turned = np.flatnonzero(eighths)
    if len(turned) == 0:
        return turned
    first = _radial_first(problem, eighths, turned)
    walks = _walks(problem, eighths, turned)
    for tried in (_two_laps(turned, first), walks) if first.any() else (walks,):
        harm, burden = _judged(problem, eighths, tried)
        good = np.flatnonzero(harm <= ON_THE_WAY_MM)
        if len(good):
            chosen: IntArray = tried[good[np.argmin(burden[good])]]
            return chosen
    orders = np.vstack([walks[np.argmin(harm)], *_stepwise(problem, eighths, turned)])
    return _mended(problem, eighths, orders[np.argmin(_judged(problem, eighths, orders)[0])])


def no_worse_on_the_way(problem: Problem, eighths: IntArray, order: IntArray) -> bool:
    """Tell whether no state on the way of an order is worse than the start."""
    return bool(_judged(problem, eighths, order[None])[0][0] <= ON_THE_WAY_MM)


def radial_in_after(problem: Problem, eighths: IntArray, order: IntArray) -> int | None:
    """With so many steps of an order (t,) done in full, radial runout stays within its tolerance.

    None where it is within at the start, or out at the end.
    """
    line = problem.radial
    states = np.zeros((len(eighths), len(order) + 1))
    for step, nipple in enumerate(order, start=1):
        states[nipple, step:] = eighths[nipple]
    out = np.flatnonzero(_reading(line, states) > line.tolerance_mm)
    if not line.known or line.reading_before_mm <= line.tolerance_mm or out[-1] == len(order):
        return None
    return int(out[-1]) + 1


def _radial_first(problem: Problem, eighths: IntArray, turned: IntArray) -> BoolArray:
    """Choose a few nipples (n,), each the best next one, that bring radial runout in; none where that is no use."""
    line = problem.radial
    now, left = np.zeros(len(eighths)), list(turned)
    while line.known and left and _reading(line, now[:, None])[0] > line.tolerance_mm:
        options = np.repeat(now[:, None], len(left), axis=1)
        options[left, np.arange(len(left))] = eighths[left]
        chosen = left.pop(int(np.argmin(_reading(line, options))))
        now[chosen] = eighths[chosen]
    first: BoolArray = (now != 0) & bool(left)
    return first


def _mended(problem: Problem, eighths: IntArray, order: IntArray) -> IntArray:
    """Move one step at a time to where that does the least harm, until there is none."""
    harm = float(_judged(problem, eighths, order[None])[0][0])
    for _ in range(MOVES):
        if harm <= ON_THE_WAY_MM:
            break
        moved = _likely_moves(problem, eighths, order)
        harms, burden = _judged(problem, eighths, moved)
        best = int(np.lexsort((burden, np.maximum(harms, ON_THE_WAY_MM)))[0])
        if harms[best] >= harm:
            break
        order, harm = moved[best], float(harms[best])
    return order


def _likely_moves(problem: Problem, eighths: IntArray, order: IntArray) -> IntArray:
    """The orders (JUDGED, t) with one step moved that do least harm if each nipple is turned in one go.

    A step moved later is missing from the states it is moved past, one moved earlier is added to them; all
    others stay as they are.
    """
    count = len(order)
    alone = np.zeros((len(eighths), count))
    alone[order, np.arange(count)] = eighths[order]
    states = np.concatenate([alone[:, :1] * 0, alone.cumsum(axis=1)], axis=1)
    still = _harm(problem, states)
    before, behind = np.maximum.accumulate(still), np.maximum.accumulate(still[::-1])[::-1]
    moves = []
    for taken in range(count):
        step = alone[:, taken : taken + 1]
        later = np.maximum.accumulate(_harm(problem, states[:, taken + 1 :] - step))
        sooner = np.maximum.accumulate(_harm(problem, states[:, : taken + 1] + step)[::-1])
        for place in range(count):
            if place > taken:
                worst = max(before[taken], later[place - taken], behind[place + 1])
            else:
                worst = max(before[place], sooner[taken - place], behind[taken + 1])
            if place != taken:
                moves.append((worst, taken, place))
    moves.sort()
    return np.array(
        [np.insert(np.delete(order, taken), place, order[taken]) for _, taken, place in moves[:JUDGED]]
    ).reshape(-1, count)


def _walks(problem: Problem, eighths: IntArray, turned: IntArray) -> IntArray:
    """Orders (w, t) that go round the wheel, in one lap or in two."""
    tightens = eighths > 0
    first_laps = [np.ones(len(eighths), dtype=bool), tightens, ~tightens, _mends_radially(problem, eighths)]
    return np.vstack([_two_laps(turned, now) for now in first_laps])


def _two_laps(turned: IntArray, first: BoolArray) -> IntArray:
    """Orders (w, t) of two laps, from every nipple and either way: those that come first (n,), then the rest."""
    laps = [np.roll(way, -shift) for way in (turned, turned[::-1]) for shift in range(len(turned))]
    return np.array([np.concatenate([lap[first[lap]], lap[~first[lap]]]) for lap in laps])


def _mends_radially(problem: Problem, eighths: IntArray) -> BoolArray:
    """Which nipples (n,) lessen the squares of the radial runout when turned alone."""
    start = problem.radial.start_mm - problem.radial.start_mm.mean()
    moved = problem.radial.step_mm * eighths
    moved = moved - moved.mean(axis=0)
    mends: BoolArray = 2 * start @ moved + (moved**2).sum(axis=0) < 0
    return mends


def _stepwise(problem: Problem, eighths: IntArray, turned: IntArray) -> list[IntArray]:
    """Two orders (t,) that take the best step each time: one made from the first step on, one from the last back."""
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
    """Judge orders (w, t): the worst harm on the way and the mean burden (w,)."""
    parts = [
        _judged_together(problem, eighths, orders[first : first + JUDGED])
        for first in range(0, len(orders), JUDGED)
    ]
    harm, burden = (np.concatenate(values) for values in zip(*parts, strict=True))
    return harm, burden


def _judged_together(problem: Problem, eighths: IntArray, orders: IntArray) -> tuple[FloatArray, FloatArray]:
    """Judge a few orders.

    A nipple that is turned by more than is good at once may be turned in one go or on further laps in the
    same order: harm is that of the worse, burden that of the laps.
    """
    laps = _laps(eighths)
    ways = [laps] if len(laps) == 1 else [eighths[None], laps]
    harm = np.zeros(len(orders))
    for way in ways:
        walk = np.concatenate([lap[orders] for lap in way], axis=1)
        states = np.zeros((*walk.shape, len(eighths)))
        rank, step = np.indices(walk.shape)
        states[rank, step, np.tile(orders, len(way))] = walk
        flat = states.cumsum(axis=1).reshape(-1, len(eighths)).T
        harm = np.maximum(harm, _harm(problem, flat).reshape(walk.shape).max(axis=1))
        burden = np.average(_burden(problem, flat).reshape(walk.shape), axis=1, weights=walk != 0)
    return harm, burden


def _laps(eighths: IntArray) -> IntArray:
    """What is turned of each nipple on each lap round the wheel (laps, n), no more than is good at once."""
    count = -(-int(np.abs(eighths).max()) // AT_ONCE_EIGHTHS)
    most = AT_ONCE_EIGHTHS * np.arange(count + 1)[:, None]
    done: IntArray = np.clip(eighths, -most, most)
    return done[1:] - done[:-1]


def _harm(problem: Problem, states: FloatArray) -> FloatArray:
    """How much worse than the start states (n, m) are, at the worst of all counts (m,) [mm]."""
    lateral, radial = (
        _reading(line, states) - max(line.reading_before_mm, line.aim_mm)
        for line in (problem.lateral, problem.radial)
    )
    centre = max(abs(problem.dish_start_mm), CENTRE_MM)
    off_centre = np.abs(problem.dish_start_mm + problem.dish_step_mm @ states) - centre
    over = (problem.tension_step_n @ states - problem.tension_rise_n[:, None]).max(axis=0)
    harm: FloatArray = np.max([lateral, radial, off_centre, TENSION_WEIGHT * over], axis=0)
    return harm


def _burden(problem: Problem, states: FloatArray) -> FloatArray:
    """Runout that is still to mend in states (n, m): standard deviation round the rim (m,) [mm]."""
    lateral, radial = (
        (line.start_mm[:, None] + line.step_mm @ states).std(axis=0)
        for line in (problem.lateral, problem.radial)
    )
    bad = problem.radial.known and problem.radial.reading_before_mm > problem.radial.tolerance_mm
    burden: FloatArray = lateral + (RADIAL_FIRST if bad else 1.0) * radial
    return burden


def _reading(line: Line, states: FloatArray) -> FloatArray:
    seen = np.ptp(line.start_mm[:, None] + line.step_mm @ states, axis=0)
    reading: FloatArray = np.hypot(seen, line.hidden_mm)
    return reading
