"""Spokes as a lattice of known angles: where in their box something crosses tells the angle but for a spacing.

Nothing needs to be learnt for it, so it can begin where no angle is known yet; the looks then tell the spokes
of the two flanges apart.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d

from rimgauge.records import FloatArray, shortest_deg
from rimgauge.signal.place import GRID_DEG, STEPS
from rimgauge.signal.profile import learn_rest

SOFT_DEG = 0.4
STEP_DEG = 0.5
LEAST_STEPS = 3
WIDTH_DEG = 0.6
"""A spoke's own width, its slant, and what its flange shifts it by."""
UNSURE = 0.35
"""How far what a spoke stirs differs from one to the next, as a share."""
USUAL_LEVEL, HIGH_LEVEL = 50.0, 97.0
"""Percentiles of what is stirred: with no spoke there, and with one."""
UNLIKE = 0.02
LOUDEST = 20.0


def lattice_likelihood(
    profile: FloatArray, bin_deg: float, lead_deg: float, spoke_angles_deg: FloatArray
) -> FloatArray:
    """Likelihood (n, STEPS) of each angle by where along their box spokes stand.

    Parameters
    ----------
    profile : (n, m, a) brightness along the spokes' path, in strips side by side.
    bin_deg : how far the wheel turns while a spoke passes a bin.
    lead_deg : how far past the pointer the middle of the box lies.
    spoke_angles_deg : (s,) of each spoke from the mark.
    """
    stirred, place_deg = _stirred(profile.mean(axis=2, keepdims=True), bin_deg)
    low, high = np.percentile(stirred, [USUAL_LEVEL, HIGH_LEVEL])
    seen = np.clip((stirred - low) / max(float(high - low), 1e-9), 0.0, 1.2)
    expected = np.empty((STEPS, len(place_deg)))
    for column, place in enumerate(place_deg):
        off = shortest_deg(GRID_DEG[:, None] - spoke_angles_deg - (place + lead_deg))
        expected[:, column] = np.exp(-0.5 * (np.abs(off).min(axis=1) / WIDTH_DEG) ** 2)
    distance = np.sum(seen**2, axis=1)[:, None] - 2.0 * seen @ expected.T + np.sum(expected**2, axis=1)
    # Neighbouring steps share a spoke's width: their number counts by its root.
    distance *= 2.0 / (UNSURE**2 * np.sqrt(len(place_deg)))
    return np.asarray(np.exp(-0.5 * (distance - distance.min(axis=1, keepdims=True))) + UNLIKE)


def _stirred(profile: FloatArray, bin_deg: float) -> tuple[FloatArray, FloatArray]:
    """How much each step of the box is stirred (n, k), bright or dark, and where each lies (k,) from its middle."""
    bins = profile.shape[1]
    moving = np.clip(learn_rest(profile).moving(profile), -LOUDEST, LOUDEST)[:, :, 0]
    stirred = np.sqrt(gaussian_filter1d(moving**2, SOFT_DEG / bin_deg, axis=1))
    steps = min(max(LEAST_STEPS, round(bins * bin_deg / STEP_DEG)), bins)
    starts = np.linspace(0, bins, steps + 1).astype(np.intp)
    mean = np.add.reduceat(stirred, starts[:-1], axis=1) / np.diff(starts)
    middle = 0.5 * (starts[:-1] + starts[1:] - 1)
    return mean, (middle - 0.5 * (bins - 1)) * bin_deg
