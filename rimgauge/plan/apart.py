"""What doesn't fit the rest: a nipple that stands apart from the others, a tension that the rim says is another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rimgauge.plan.gauge import GAUGE_NOISE
from rimgauge.plan.regression import UNREAD_NOISE, about_means, likeliest_scales, put_together
from rimgauge.records import FloatArray, Influence, IntArray, Readings, record

MEDIAN_TO_DEVIATION = 1.4826
"""Standard deviation over the median of the absolute value, of a normal distribution."""


@record
class Apart:
    """A nipple that stands apart from the others: its turns (n,) that explain the runout best, nipple by nipple.

    likelier (n,): by how much likelier the runout is with them (natural logarithm).
    """

    turns: FloatArray
    likelier: FloatArray


def turned_apart(
    readings: Readings, tension_n: FloatArray, influence: Influence, sides: Sequence[IntArray]
) -> Apart:
    """Tell for each spoke how much better the runout is explained where its nipple stands apart from the others.

    By generalised least squares on the runout as read, whose covariance is that of a usual wheel with its rim
    smoothly bent. tension_n (n,): at every spoke, as far as it is known [N]; what was read of it is not looked at.
    """
    n = len(tension_n)
    seen = put_together(readings, tension_n, influence, about_means(n, sides), GAUGE_NOISE, readings.steps_mm)
    covariance = seen.covariance(likeliest_scales(seen))[n:, n:]
    answer, values = seen.answer[n:], seen.values[n:]
    weighed = np.linalg.solve(covariance, answer)
    square = (answer * weighed).sum(axis=0)
    pull = weighed.T @ values
    return Apart(turns=pull / square, likelier=pull**2 / square / 2)


@record
class Misfit:
    """The spoke (from 0) whose tension as read fits all other readings least: expected_n, what they make one expect of it.

    off: how far from that it was read, in standard deviations; where the gauge scatters more than usual, in those of
    its own scatter.
    """

    spoke: int
    expected_n: float
    off: float


def worst_misfit(
    readings: Readings, tension_n: FloatArray, influence: Influence, sides: Sequence[IntArray]
) -> Misfit:
    """Find the tension, of those that were read, that the runout and the other tensions agree with least.

    Each is left out in turn, then the worst for good, as it makes the wheel seem more uneven than it is. Parameters
    are those of `likely_deviations`; at least one tension is read.
    """
    n, read = len(tension_n), np.isfinite(readings.tension_n)
    about = about_means(n, sides)

    def left_out(values_n: FloatArray, filled_n: FloatArray) -> tuple[FloatArray, FloatArray]:
        """What is expected of each, and its standard deviation with the noise that is taken for its reading (n,) [N]."""
        state = replace(readings, tension_n=values_n)
        seen = put_together(state, filled_n, influence, about, GAUGE_NOISE, readings.steps_mm)
        inverse = np.linalg.inv(seen.covariance(likeliest_scales(seen)))
        # Of a Gaussian of covariance K, value i given the others is y_i − (K⁻¹y)_i/(K⁻¹)_ii, its variance 1/(K⁻¹)_ii
        # (Rasmussen and Williams, chapter 5, from memory).
        weight = np.diag(inverse)[:n]
        return filled_n - (inverse @ seen.values)[:n] / weight, 1 / np.sqrt(weight)

    expected_n, spread_n = left_out(readings.tension_n, tension_n)
    spoke = int(np.argmax(np.where(read, np.abs(tension_n - expected_n) / spread_n, 0.0)))
    this = np.arange(n) == spoke
    expected_n, spread_n = left_out(
        np.where(this, np.nan, readings.tension_n), np.where(this, expected_n, tension_n)
    )
    others = read & ~this
    scatter = MEDIAN_TO_DEVIATION * np.median(np.abs(tension_n - expected_n)[others] / spread_n[others])
    noise_n2 = (GAUGE_NOISE**2 - UNREAD_NOISE**2) * float(tension_n[others].mean()) ** 2
    own_n = np.sqrt(max(spread_n[spoke] ** 2 + noise_n2, (GAUGE_NOISE * expected_n[spoke]) ** 2))
    off = abs(tension_n[spoke] - expected_n[spoke]) / own_n / max(scatter, 1.0)
    return Misfit(spoke=spoke, expected_n=float(expected_n[spoke]), off=float(off))
