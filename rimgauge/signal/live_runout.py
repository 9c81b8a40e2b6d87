"""How far the rim strays by what has been seen so far, quick enough to be asked every second."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rimgauge.records import FloatArray
from rimgauge.signal.harmonics import basis, fit_order

ORDER = 10
"""Enough for a rim's shape to a few hundredths of a millimetre; what is left counts as noise."""
PLACES = 72
LEAST_SEEN = 0.98


@dataclass(frozen=True, slots=True, eq=False)
class RunoutSoFar:
    """Total runout [mm], and the standard uncertainty [mm] that the scatter of the frames gives it."""

    total_mm: float
    standard_uncertainty_mm: float


def share_seen(angle_deg: FloatArray) -> float:
    """Share of the wheel, 0 to 1, that the angles (n,) [deg] cover, in steps of five degrees."""
    return len(np.unique(np.floor(angle_deg % 360.0 / (360.0 / PLACES)))) / PLACES


def runout_so_far(angle_deg: FloatArray, gap_mm: FloatArray) -> RunoutSoFar | None:
    """Fit the curve so far and read largest minus smallest; None until the whole wheel was seen.

    The uncertainty is that of the difference of the curve's two extremes, by the fit's covariance
    (law of propagation, GUM 5.2.2). Scale and view are not in it: more turning doesn't better them.

    Parameters
    ----------
    angle_deg, gap_mm : (n,) of the frames, NaN where either isn't known.
    """
    good = np.isfinite(angle_deg) & np.isfinite(gap_mm)
    if good.sum() < 4 * (2 * ORDER + 1) or share_seen(angle_deg[good]) < LEAST_SEEN:
        return None
    fit = fit_order(angle_deg[good], gap_mm[good], ORDER)
    grid: FloatArray = np.arange(0.0, 360.0, 1.0)
    curve = fit(grid)
    extremes = basis(grid[[int(curve.argmax()), int(curve.argmin())]], ORDER)
    across = extremes[0] - extremes[1]
    return RunoutSoFar(float(np.ptp(curve)), math.sqrt(max(float(across @ fit.covariance @ across), 0.0)))
