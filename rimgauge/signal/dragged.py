"""A tip that moves as the wheel turns: no fixed pointer, or one that the wheel touches.

A camera's shake and a hand's sway know nothing of the wheel's angle. What moves alike each time the same place of the
rim passes is moved by the wheel: a seam that was taken for the tip, or a pointer that rubs. Against it the gap would
hold still, however much the rim strays.
"""

from __future__ import annotations

import numpy as np

from rimgauge.errors import NotTrustworthy
from rimgauge.records import FloatArray, GapTrack, Turning
from rimgauge.signal.harmonics import basis, fit_columns

GRID_DEG = 2.0
LEAST_TWICE_DEG = 180.0
"""So much of the wheel must have passed twice; over less, a slow sway may repeat by chance."""
DEGREE, ORDER = 3, 6
"""What goes its way once, a camera that sags or a pointer that creeps, is a cubic of time, told from what repeats by
fitting waves of the angle beside it, and taken off."""
LEAST_SPREAD_PX, LEAST_ALIKE = 0.3, 0.92
"""0.3 px changes the total by about 0.1 mm at the usual scale. So alike, by places or by ranks, two turns of a hand's sway
look in under one of a hundred simulated runs, of a quarter to one second's correlation."""


def check_at_rest(seen: GapTrack, turning: Turning, positive: FloatArray) -> None:
    """Refuse a pass in which a tip moves as the wheel turns.

    Parameters
    ----------
    seen : of one pass.
    turning : angle (n,) [deg].
    positive : (2,) unit vector of positive runout in the picture.

    Raises
    ------
    NotTrustworthy
        A tip moves by more than a third of a pixel alike in two turns.
    """
    for side in seen.sides:
        first, second = _twice(side.tip_px @ positive, turning.angle_deg, seen.time_s)
        if len(first) * GRID_DEG < LEAST_TWICE_DEG or min(first.std(), second.std()) < LEAST_SPREAD_PX:
            continue
        # Loaded here, for it takes a third of a second and hardly any pass comes to this.
        from scipy.stats import pearsonr, spearmanr  # noqa: PLC0415

        # A rub shows at few places, which ranks don't see; a tip lost in some frames spoils the places, but no ranks.
        if max(pearsonr(first, second)[0], spearmanr(first, second)[0]) > LEAST_ALIKE:
            raise NotTrustworthy(
                f"what was taken for the {side.side} pointer's tip moves as the wheel turns: the wheel touches the "
                "pointer, or the tip is elsewhere; look at the picture that aim made, see that they don't touch, and "
                "aim again with --pointer-at X,Y on the very tip"
            )


def _twice(tip_px: FloatArray, angle_deg: FloatArray, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The tip's way (k,) where the wheel passed for the first time and again, at the same places; k may be 0."""
    good = np.isfinite(tip_px) & np.isfinite(angle_deg)
    tip_px, angle_deg, time_s = tip_px[good], angle_deg[good], time_s[good]
    if len(time_s) < 2 * (2 * ORDER + DEGREE + 1) or np.ptp(angle_deg) <= 360.0:
        return np.empty(0), np.empty(0)
    course = np.polynomial.polynomial.polyvander(2.0 * (time_s - time_s[0]) / np.ptp(time_s) - 1.0, DEGREE)
    fit = fit_columns(np.column_stack([basis(angle_deg, ORDER), course[:, 1:]]), tip_px)
    left_px = tip_px - course[:, 1:] @ fit.coefficients[-DEGREE:]
    order = np.argsort(angle_deg)
    places_deg = np.arange(angle_deg.min(), angle_deg.max(), GRID_DEG)
    way_px = np.interp(places_deg, angle_deg[order], left_px[order])
    turn = round(360.0 / GRID_DEG)
    return way_px[:-turn], way_px[turn:]
