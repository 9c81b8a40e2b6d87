"""Whether a wheel has another number of spokes than was said.

A path by a wrong lattice fits nearly everywhere: it goes a little too fast or slow from spoke to spoke, and jumps back
or ahead somewhere in each turn so that the marks fit. The right number explains all that is seen far better.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from rimgauge.records import FloatArray
from rimgauge.signal.evidence import Layout, look_period_deg
from rimgauge.signal.follow import Evidence, settled_along, settled_by_mark

USUAL_COUNTS = (12, 16, 18, 20, 24, 28, 32, 36, 40, 48)
FARTHEST = 8
"""So many spokes more or fewer are tried: who counts wrongly is off by a few."""
PACE_FRAMES, STEADY = 9, (0.65, 1.55)
"""A path whose pace over so many moments stays between these shares of its median has jumped nowhere."""
LIKELIER, SMOOTHER, FAR_LIKELIER = 30.0, 0.92, 90.0
"""Logarithms, and a share. On drawn and ray-traced films the right number was 47 to 796 ahead of wrong ones but for two;
of wrong ones one was ahead of the right one, by 48, on a path no smoother."""


def fits(evidence: Evidence, angle_deg: FloatArray, layout: Layout, *, alone: bool) -> bool:
    """Tell whether no other usual number of spokes explains a run far better, on a path that jumps less.

    angle_deg (n,): the path that was found at all moments. alone: no other was looked for.
    """
    if len(angle_deg) < 3 * PACE_FRAMES or (alone and _steady(angle_deg)):
        return True
    said = len(layout.spoke_angles_deg)
    likelihood = settled_along(angle_deg, evidence).likelihood
    for count in USUAL_COUNTS:
        period_deg = look_period_deg((np.arange(count) + 0.5) * 360.0 / count, ())
        if abs(count - said) > FARTHEST or math.isclose(period_deg, layout.look_period_deg):
            continue
        looks = tuple(
            replace(look, period_deg=period_deg) if look.components.shape[1] > 1 else look
            for look in evidence.looks
        )
        other = settled_by_mark(replace(evidence, looks=looks))
        gain = other.likelihood - likelihood
        smoother = _jumps(other.angle_deg) < SMOOTHER * _jumps(angle_deg)
        if gain > FAR_LIKELIER or (gain > LIKELIER and smoother):
            return False
    return True


def _pace(angle_deg: FloatArray) -> FloatArray:
    """Speed over some moments as a share of the usual."""
    speed = angle_deg[PACE_FRAMES:] - angle_deg[:-PACE_FRAMES]
    return np.asarray(speed / np.median(np.abs(speed)))


def _steady(angle_deg: FloatArray) -> bool:
    """Tell whether the wheel goes on at an even pace, as a turn of it does that nothing was made to fit."""
    pace = np.abs(_pace(angle_deg))
    return bool(pace.min() > STEADY[0] and pace.max() < STEADY[1])


def _jumps(angle_deg: FloatArray) -> float:
    """How much the pace changes, root mean square."""
    pace = _pace(angle_deg)
    return float(np.sqrt(np.mean((pace[PACE_FRAMES:] - pace[:-PACE_FRAMES]) ** 2)))
