"""What a gauge read of the spokes' tension, now and before the last rounds."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rimgauge.records import FloatArray, Round, record

GAUGE_NOISE = 0.03
"""Standard deviation of one tension reading as a share of the tension; common practice for such gauges."""
TURNING_NOISE = 0.1
"""What earlier turns did is foretold no better than that, as a share of the change; a judgement."""


@record
class GaugeReading:
    """Tension of each spoke (n,), NaN where not read, as the mean of so many readings of the gauge (count)."""

    mean_n: FloatArray
    count: float


def turned_since(earlier: Sequence[Round], spokes: int) -> list[FloatArray]:
    """Add up what was turned (n,) since before each round, up to now."""
    since = np.zeros(spokes)
    sums = []
    for done in reversed(earlier):
        since = since + done.turns
        sums.append(since)
    return sums[::-1]


def read_again(
    now_n: FloatArray, before_n: Sequence[FloatArray], moved_n: Sequence[FloatArray]
) -> GaugeReading:
    """Take the mean of what the gauge reads now (n,), and of what it read before with the change since.

    A reading of before counts for as much as it agrees: by the variance of its distance from the one of now,
    less the noise of that, and at most for one. Where nothing is read now it counts by what the turning since
    makes unsure.
    """
    total, weights = np.where(np.isfinite(now_n), now_n, 0.0), np.isfinite(now_n).astype(float)
    for values, change in zip(before_n, moved_n, strict=True):
        brought = values + change
        known = np.isfinite(brought)
        if known.any():
            weight = _share(now_n[known], brought[known], change[known])
            total[known] += weight * brought[known]
            weights[known] += weight
    read = weights > 0
    mean_n = np.where(read, total / np.where(read, weights, 1.0), np.nan)
    return GaugeReading(mean_n=mean_n, count=float(weights[read].mean()) if read.any() else 1.0)


def _share(now_n: FloatArray, brought_n: FloatArray, change_n: FloatArray) -> FloatArray:
    """For how many readings of now each one of before (s,) counts."""
    both = np.isfinite(now_n)
    if both.any():
        noise = (GAUGE_NOISE * now_n[both].mean()) ** 2
        variance = max(float(np.mean((brought_n - now_n)[both] ** 2)) - noise, noise)
        return np.full(len(now_n), noise / variance)
    noise = (GAUGE_NOISE * brought_n.mean()) ** 2
    return np.asarray(noise / (noise + (TURNING_NOISE * change_n) ** 2))
