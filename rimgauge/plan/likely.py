"""The likeliest tensions behind what was read: gauges are coarse, but the rim's shape tells of tension too.

A gauge is wrong by some per cent at each spoke, and turns that even out what it got wrong make tension less
even. But what it read before the last rounds, brought forward by what was turned since, counts as a further
reading, and the turns that explain tension and both runouts best are looked for: the mean of a Gaussian
posterior (linear regression with priors, `regression`).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rimgauge.plan.gauge import GAUGE_NOISE
from rimgauge.plan.regression import about_means, likeliest_scales, put_together
from rimgauge.records import FloatArray, Influence, IntArray, Readings, record


@record
class Likely:
    """Likeliest deviation of each spoke's tension from its side's mean (n,) [N], and its covariance (n, n)."""

    deviation_n: FloatArray
    covariance: FloatArray


@record
class Behind:
    """Runout behind coarse readings: (p,) about its mean at the places that were read [mm], and its covariance (p, p)."""

    runout_mm: FloatArray
    covariance: FloatArray


def likely_deviations(
    readings: Readings,
    tension_n: FloatArray,
    influence: Influence,
    sides: Sequence[IntArray],
    *,
    steps_mm: tuple[float, float] = (0.0, 0.0),
    gauge_readings: float = 1.0,
) -> Likely:
    """Work out the likeliest deviation of each spoke's tension from its side's mean, and how sure it is.

    Parameters
    ----------
    readings : runout [mm] and tension [N] as read; NaN where not.
    tension_n : (n,), tension at every spoke, what was not read being filled in [N].
    influence : of one turn, at the spokes.
    sides : indices of the spokes of each flange.
    steps_mm : in which lateral and radial runout were read, where they are coarse; else 0 [mm].
    gauge_readings : of so many readings of the gauge each tension is the mean.

    Returns
    -------
    Likely
        The deviations have a mean of zero on each side.

    """
    about = about_means(len(tension_n), sides)
    seen = put_together(
        readings, tension_n, influence, about, GAUGE_NOISE / np.sqrt(gauge_readings), steps_mm
    )
    scales = likeliest_scales(seen)
    answer, variance = about @ influence.tension_n, (scales[0] * seen.turn) ** 2
    weight = variance * np.linalg.solve(seen.covariance(scales), seen.answer).T
    unsure = variance * (np.eye(len(tension_n)) - weight @ seen.answer)
    return Likely(deviation_n=answer @ weight @ seen.values, covariance=answer @ unsure @ answer.T)


def runout_behind(
    readings: Readings,
    tension_n: FloatArray,
    influence: Influence,
    sides: Sequence[IntArray],
    *,
    steps_mm: tuple[float, float],
) -> tuple[Behind | None, Behind | None]:
    """Work out the likeliest lateral and radial runout behind coarse readings, and how sure it is; None where not coarse.

    A wheel's runout is smooth, and rounding to a step is noise of a twelfth of its square: all readings together tell
    more of the rim at a spoke than the one there. Parameters are those of `likely_deviations`.
    """
    if not any(steps_mm):
        return None, None
    seen = put_together(
        readings, tension_n, influence, about_means(len(tension_n), sides), GAUGE_NOISE, steps_mm
    )
    scales = likeliest_scales(seen)
    wheel = seen.of_wheel(scales)
    weight = np.linalg.solve(seen.covariance(scales), wheel)
    runout, covariance = weight.T @ seen.values, wheel - weight.T @ wheel
    found: list[Behind | None] = []
    first = len(tension_n)
    for values, step_mm in zip((readings.lateral_mm, readings.radial_mm), steps_mm, strict=True):
        part = slice(first, first + int(np.isfinite(values).sum()))
        coarse = step_mm > 0 and part.stop > part.start
        found.append(Behind(runout_mm=runout[part], covariance=covariance[part, part]) if coarse else None)
        first = part.stop
    return found[0], found[1]
