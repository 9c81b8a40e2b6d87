"""The likeliest tensions behind what was read: gauges are coarse, but the rim's shape tells of tension too.

A gauge is wrong by some per cent at each spoke, and turns that even out what it got wrong make tension less
even. But what it read before the last rounds, brought forward by what was turned since, counts as a further
reading. And what tension does to the rim is seen sideways and radially, far more finely. So the wheel is
taken as one with an unknown turn at each nipple and a rim that is smoothly bent by itself, and the turns that
explain tension and both runouts best are looked for: the mean of a Gaussian posterior (linear regression with
priors; C. E. Rasmussen, C. K. I. Williams, Gaussian Processes for Machine Learning, 2006, chapter 2, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rimgauge.records import FloatArray, Influence, IntArray, Readings, Round, record

GAUGE_NOISE = 0.03
"""Standard deviation of one tension reading as a share of the tension; common practice for such gauges."""
TURNING_NOISE = 0.1
"""What earlier turns did is foretold no better than that, as a share of the change; a judgement."""
UNREAD = 0.1
"""The same of a spoke that was not read and is taken at its side's mean."""
READING_NOISE_MM = 0.015
"""Standard deviation of one runout reading."""
MODEL_NOISE = 0.05
"""What the model of the wheel gets wrong, as a share of the runout (standard deviations)."""
BENT_LATERAL_MM, BENT_RADIAL_MM = 0.6, 0.4
"""How far a rim is bent by itself at two waves a turn (standard deviation); a quarter of it at four."""
TILTED_MM = 1.0
"""The same for one wave a turn, which a hub off the rim's middle, or its axle, makes as well."""
LEAST_UNEVEN = 0.03
"""Tension is never taken to be more even than this beforehand (standard deviation over mean)."""
USUAL_UNEVEN = 0.07
"""What it is taken to be where no spoke was read; common practice holds ±20 % for one spoke good."""


@record
class GaugeReading:
    """Tension of each spoke (n,) [N], NaN where not read, as the mean of so many readings of the gauge."""

    mean_n: FloatArray
    readings: float


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
    return GaugeReading(mean_n=mean_n, readings=float(weights[read].mean()) if read.any() else 1.0)


def _share(now_n: FloatArray, brought_n: FloatArray, change_n: FloatArray) -> FloatArray:
    """For how many readings of now each one of before (s,) counts."""
    both = np.isfinite(now_n)
    if both.any():
        noise = (GAUGE_NOISE * now_n[both].mean()) ** 2
        variance = max(float(np.mean((brought_n - now_n)[both] ** 2)) - noise, noise)
        return np.full(len(now_n), noise / variance)
    noise = (GAUGE_NOISE * brought_n.mean()) ** 2
    return np.asarray(noise / (noise + (TURNING_NOISE * change_n) ** 2))


def likely_deviations(
    readings: Readings,
    tension_n: FloatArray,
    influence: Influence,
    sides: Sequence[IntArray],
    *,
    taken: float = 1.0,
) -> FloatArray:
    """Work out the likeliest deviation of each spoke's tension from its side's mean.

    Parameters
    ----------
    readings : Readings
        Runout [mm] and tension [N] as read; NaN where not.
    tension_n : (n,) array
        Tension at every spoke, what was not read being filled in [N].
    influence : Influence
        Of one turn, at the spokes.
    sides : sequence of arrays
        Indices of the spokes of each flange.
    taken : float
        So many readings of the gauge each tension is the mean of.

    Returns
    -------
    (n,) array
        Deviations [N], their mean zero on each side.

    """
    n = len(tension_n)
    about = _about_means(n, sides)
    mean = tension_n - about @ tension_n
    answer = about @ influence.tension_n
    noise_n = np.where(np.isfinite(readings.tension_n), GAUGE_NOISE / np.sqrt(taken), UNREAD) * mean
    parts = [(answer, about @ tension_n, np.diag(noise_n**2))]
    for values, step, bent_mm in (
        (readings.lateral_mm, influence.lateral_mm, BENT_LATERAL_MM),
        (readings.radial_mm, influence.radial_mm, BENT_RADIAL_MM),
    ):
        read = np.isfinite(values)
        if read.any():
            parts.append(_runout(values[read], step[read], influence.angle_deg[read], bent_mm))
    least = LEAST_UNEVEN if np.isfinite(readings.tension_n).any() else USUAL_UNEVEN
    turned = _usual_turn(parts[0][1] / mean, answer / mean[:, None], (least, GAUGE_NOISE / np.sqrt(taken)))
    noise_free = sum((step.T @ np.linalg.solve(noise, step) for step, _, noise in parts), np.zeros((n, n)))
    seen = sum((step.T @ np.linalg.solve(noise, values) for step, values, noise in parts), np.zeros(n))
    turns = np.linalg.solve(noise_free + np.eye(n) / turned**2, seen)
    likely: FloatArray = answer @ turns
    return likely


def _runout(
    values: FloatArray, step: FloatArray, angle_deg: FloatArray, bent_mm: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Answer, values and covariance (p, p) of what the turns don't explain of a runout (p,)."""
    values = values - values.mean()
    order = np.arange(2, max(len(values) // 2, 2) + 1)
    size = np.concatenate([[TILTED_MM], bent_mm * (2 / order) ** 2])
    apart = np.radians(angle_deg[:, None] - angle_deg)
    bent = np.einsum("k,kij->ij", size**2, np.cos(np.arange(1, len(size) + 1)[:, None, None] * apart))
    noise = READING_NOISE_MM**2 + (MODEL_NOISE * values.std()) ** 2
    return step - step.mean(axis=0), values, bent + noise * np.eye(len(values))


def _usual_turn(uneven: FloatArray, answer: FloatArray, least_noise: tuple[float, float]) -> float:
    """Turn (standard deviation) at each nipple that makes tension as uneven as it is read, with that noise."""
    least, noise = least_noise
    square = max(float(np.mean(uneven**2)) - noise**2, least**2)
    return float(np.sqrt(square / np.mean((answer**2).sum(axis=1))))


def _about_means(n: int, sides: Sequence[IntArray]) -> FloatArray:
    """Matrix (n, n) that takes off the mean of each side."""
    about = np.eye(n)
    for spokes in sides:
        about[np.ix_(spokes, spokes)] -= 1 / len(spokes)
    return about
