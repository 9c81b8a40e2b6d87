"""Whether the rim's edge has two looks, as where a decal comes and goes: told by the mean profiles of a whole pass.

Across the edge each frame gives a profile of brightness. Where decals pass, profiles fall into two heaps along what they
differ by most; a plain rim's spread evenly about one middle. What was fitted in the frames of one heap need not be what was
fitted in those of the other (`signal/read_aside` says by the gaps how far apart they lie).
"""

from __future__ import annotations

import numpy as np

from rimgauge.capture.patch import GreyArray
from rimgauge.capture.profiles import common_columns
from rimgauge.records import BoolArray, FloatArray

ROUNDS = 20
LEAST_APART = 6.0
"""So many standard deviations within the heaps their middles must lie apart: an even spread gives 3.5, a bell curve 2.7; of
drawn wheels those with a decal near the edge reach 8 and more, and those without one 4.3 at most."""
LEAST_SHARE = 0.1
"""A heap of fewer frames is a valve, a joint or a hand."""
NEAR_ONE = 0.2
"""Frames whose share of a look is so near 0 or 1 have none of it or all."""
LEAST_FRAMES = 40
"""Fewer tell no look."""
COMPONENTS = 3
"""What lies behind may differ by more than the looks do."""


def two_looks(profiles: GreyArray, good: BoolArray) -> FloatArray:
    """How much of the second look each frame shows (n,), 0 to 1; NaN where a frame doesn't tell, or there is but one look.

    Parameters
    ----------
    profiles : (n, pixels) mean brightness across the fitted edge, NaN where unknown.
    good : (n,) frames whose profile is believed.
    """
    share = np.full(len(good), np.nan)
    columns, usable = common_columns(profiles, good)
    if usable.sum() < LEAST_FRAMES:
        return share
    seen = profiles[usable][:, columns]
    # The light, and how bright what lies behind is, change brightness and contrast.
    usual = np.stack([np.ones(seen.shape[1], dtype=seen.dtype), np.median(seen, axis=0)])
    seen -= (seen @ np.linalg.pinv(usual)) @ usual
    along = seen @ np.linalg.eigh(seen.T @ seen)[1][:, -COMPONENTS:]
    found = [each for each in map(heaps, along.T.astype(np.float64)) if each is not None]
    if found:
        share[usable] = max(found, key=lambda each: each[0])[1]
    return share


def heaps(along: FloatArray) -> tuple[float, FloatArray] | None:
    """How far apart the two heaps of values (m,) lie, and each value's share of the upper one; None where there is one heap."""
    low, high = np.quantile(along, (LEAST_SHARE, 1.0 - LEAST_SHARE))
    for _ in range(ROUNDS):
        upper = along > 0.5 * (low + high)
        if not LEAST_SHARE <= upper.mean() <= 1.0 - LEAST_SHARE:
            return None
        low, high = along[~upper].mean(), along[upper].mean()
    within = np.sqrt(np.mean((along - np.where(upper, high, low)) ** 2))
    if high - low < LEAST_APART * within:
        return None
    low, high = np.median(along[~upper]), np.median(along[upper])
    share = (along - low) / (high - low)
    share = np.where(share < NEAR_ONE, 0.0, np.where(share > 1.0 - NEAR_ONE, 1.0, share))
    return float((high - low) / max(within, 1e-9)), np.asarray(share)
