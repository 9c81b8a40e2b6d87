"""A wheel that turns too fast for the frames can look like one that turns slowly, as in films: its own gap tells.

Spokes that pass by several between two frames look as if they went a part of the way. The gap comes back after a whole
turn and on no other path, so that a faster course on which it repeats better is the true one.
"""

from __future__ import annotations

import numpy as np

from rimgauge.records import FloatArray, IntArray
from rimgauge.signal.place import FASTEST_STEPS, STEPS

ORDERS, FINER_ORDERS, MOST_UNKNOWN_SHARE = 6, (6, 12, 20), 0.4
"""Of the waves round the rim; few frames tell no more unknowns. On a course twice as fast six waves are as fine as twelve,
so that in the end both courses may have finer ones where the frames tell them."""
LEAST_FRAMES, MOST_FRAMES, MOST_TURNS = 60, 600, 4.0
"""Looked at from the beginning: a beginning tells as well as the whole, and the work stays the same."""
LEAST_TIMES, LEAST_STEP_DEG, MOST_STEP_DEG = 1.15, 0.8 * FASTEST_STEPS * 360.0 / STEPS, 120.0
"""Slower courses would have been found themselves."""
FINENESS_DEG, NEARER = 15.0, 41
"""Of the whole way, from one course tried to the next: a fourth of the shortest wave; and how many are tried between the
best one's neighbours for the finest waves."""
UNTOLD = 0.2
"""Another course is believed that misses the gap by less than the one found, in mean square, and leaves so small a share of
its variance untold: the true one missed by a third or less in five drawn films; a gap that happens to come back nearly
alike in each half of a turn made one twice as fast miss by 1.8 times as much, and chance tells next to nothing."""


def times_too_slow(moment: IntArray, angle_deg: FloatArray, gaps_px: FloatArray) -> float | None:
    """Find how many times faster the wheel turned, where the gap repeats better so; None where it doesn't.

    Parameters
    ----------
    moment : (n,) of each frame on the camera's beat.
    angle_deg : (n,) by the path found, NaN where lost.
    gaps_px : (sides, n), NaN where unseen.
    """
    good = np.flatnonzero(np.isfinite(angle_deg) & np.isfinite(gaps_px).all(axis=0))
    good = good[np.abs(angle_deg[good] - angle_deg[good[0]]) <= 360.0 * MOST_TURNS] if len(good) else good
    good = good[:MOST_FRAMES]
    if len(good) < LEAST_FRAMES or float(np.ptp(angle_deg[good])) < 360.0:
        return None
    found, gaps = angle_deg[good], gaps_px[:, good].T
    way_deg = float(np.ptp(found))
    step_deg = max(float(np.quantile(np.abs(np.diff(found)) / np.diff(moment[good]), 0.9)), 1.0)
    times = np.arange(
        max(LEAST_TIMES, LEAST_STEP_DEG / step_deg), MOST_STEP_DEG / step_deg, FINENESS_DEG / way_deg
    )
    if not len(times):
        return None
    faster = float(times[np.argmin([_misfit(found * each, gaps) for each in times])])
    nearer = faster + np.linspace(-1.0, 1.0, NEARER) * FINENESS_DEG / way_deg
    untold = [_finest(found * each, gaps) for each in nearer]
    limit = min(_finest(found, gaps), UNTOLD * float(np.sum(np.var(gaps, axis=0))))
    return float(nearer[np.argmin(untold)]) if min(untold) < limit else None


def _finest(angle_deg: FloatArray, gaps: FloatArray) -> float:
    """Misfit with as many waves as tell most."""
    told = [n for n in FINER_ORDERS if n == ORDERS or 2 * n + 1 < MOST_UNKNOWN_SHARE * len(angle_deg)]
    return min(_misfit(angle_deg, gaps, orders) for orders in told)


def _misfit(angle_deg: FloatArray, gaps: FloatArray, orders: int = ORDERS) -> float:
    """Mean square by which gaps (n, sides) miss what the other frames foretell at that angle.

    Each frame left out in turn, by the hat matrix (Allen's PRESS, Technometrics 16 (1974) 125; from memory); the worst
    tenth, hands and knocks, is left aside.
    """
    phase = np.outer(np.radians(angle_deg), np.arange(1, orders + 1))
    basis = np.hstack([np.ones((len(phase), 1)), np.cos(phase), np.sin(phase)])
    inverse = np.linalg.pinv(basis.T @ basis)
    leverage = np.sum((basis @ inverse) * basis, axis=1)
    rest = gaps - basis @ (inverse @ (basis.T @ gaps))
    square = np.sum((rest / np.maximum(1.0 - leverage, 0.05)[:, None]) ** 2, axis=1)
    return float(np.sort(square)[: int(0.9 * len(square))].mean())
