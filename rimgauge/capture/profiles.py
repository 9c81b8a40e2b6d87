"""Mean profiles of brightness across the edge, frame by frame: which of their pixels can be compared over a whole pass."""

from __future__ import annotations

import numpy as np

from rimgauge.capture.patch import GreyArray
from rimgauge.records import BoolArray

COMMON, LEAST_COLUMNS = 0.9, 5
"""A column counts where so many frames have it: near the pointer's tip the band is narrower. Fewer show no edge."""


def common_columns(profiles: GreyArray, good: BoolArray) -> tuple[BoolArray, BoolArray]:
    """Columns (pixels,) that nearly all good frames have, and the good frames (n,) that have them all; none by too few columns.

    Parameters
    ----------
    profiles : (n, pixels) grey levels, NaN where unknown.
    good : (n,) frames whose profile is believed.
    """
    known = np.isfinite(profiles)
    columns = known[good].mean(axis=0) >= COMMON if good.any() else np.zeros(profiles.shape[1], dtype=bool)
    enough = columns.sum() >= LEAST_COLUMNS
    return columns, good & known[:, columns].all(axis=1) & enough
