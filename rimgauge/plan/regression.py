"""Tension and runout as one regression: what a wheel with unknown turns and a rim bent by itself may read.

What tension does to the rim is seen sideways and radially, far more finely than by a gauge. So the wheel is
taken as one with an unknown turn at each nipple and a rim that is smoothly bent by itself, all of them Gaussian.
How uneven a wheel is and how far its rim is bent differs from wheel to wheel by more than one guess
can serve, so both are taken as what makes the readings likeliest (maximum of the marginal likelihood with
priors on the scales; C. E. Rasmussen, C. K. I. Williams, Gaussian Processes for Machine Learning, 2006, chapters 2
and 5, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.linalg import LinAlgError, block_diag, cholesky, solve_triangular
from scipy.optimize import minimize

from rimgauge.records import FloatArray, Influence, IntArray, Readings, record

UNREAD_NOISE = 0.1
"""Standard deviation, as a share, of the tension of a spoke that was not read and is taken at its side's mean; a judgement."""
READING_NOISE_MM = 0.015
"""Standard deviation of one runout reading; our choice, half as much again as the closed loop's readings are noisy."""
MODEL_NOISE = 0.05
"""What the model of the wheel gets wrong, as a share of the runout (standard deviations); our choice."""
BENT_MM = 0.4
"""How far a rim is usually bent by itself at two waves a turn (standard deviation); a quarter of it at four; our choice."""
TILTED_MM = 1.0
"""The same at one wave a turn, which a hub off the rim's middle, or its axle, makes as well; our choice."""
SCALE_SPREAD = (0.4, 1.0, 1.0)
"""How much a wheel may differ from the usual: standard deviation of the logarithm of how uneven its tension is,
and of how far its rim is bent sideways and radially; a judgement."""
SCALE_STEPS = 30
"""Steps of the search for these three; it takes about ten."""
FARTHEST_SCALE = 10.0
"""Logarithms beyond this count as this: no wheel is 20,000 times as uneven or as bent as usual."""
LEAST_UNEVEN = 0.03
"""Tension is never taken to be more even than this beforehand (standard deviation over mean)."""
USUAL_UNEVEN = 0.07
"""What it is taken to be where no spoke was read; common practice holds ±20 % for one spoke good."""


@record
class Seen:
    """What was read (r,), and what it follows from: answer (r, n) to one turn; noise (r,), the variance of a reading.

    bent (b, r, r): covariance of a rim bent by itself, sideways or radially, by BENT_MM; tilted (r, r): by TILTED_MM.
    turn: standard deviation of the turn at each nipple of a wheel as uneven as this one is read.
    """

    values: FloatArray
    answer: FloatArray
    noise: FloatArray
    bent: FloatArray
    tilted: FloatArray
    turn: float

    def of_wheel(self, scales: FloatArray) -> FloatArray:
        """Covariance of what the wheel does to the values (r, r) where turns and bends have these scales (1 + b,)."""
        turned = (scales[0] * self.turn) ** 2 * self.answer @ self.answer.T
        return np.asarray(turned + self.tilted + np.einsum("b,bij->ij", scales[1:] ** 2, self.bent))

    def covariance(self, scales: FloatArray) -> FloatArray:
        """Covariance of the values as read (r, r); usual scales are 1."""
        return self.of_wheel(scales) + np.diag(self.noise)


@record
class _Runout:
    """One runout: values (p,) about their mean, answer (p, n) to one turn, covariances (p, p) of tilt and bend."""

    values: FloatArray
    answer: FloatArray
    tilt: FloatArray
    bend: FloatArray
    read_in_mm: float

    @classmethod
    def of(cls, values: FloatArray, step: FloatArray, angle_deg: FloatArray, read_in_mm: float) -> _Runout:
        """Take the places that were read, in steps of read_in_mm."""
        read = np.isfinite(values)
        order = np.arange(2, max(int(read.sum()) // 2, 2) + 1)
        apart = np.radians(angle_deg[read, None] - angle_deg[read])
        size = BENT_MM * (2 / order) ** 2
        return cls(
            values=values[read] - values[read].mean(),
            answer=step[read] - step[read].mean(axis=0),
            tilt=TILTED_MM**2 * np.cos(apart),
            bend=np.einsum("k,kij->ij", size**2, np.cos(order[:, None, None] * apart)),
            read_in_mm=read_in_mm,
        )

    @property
    def noise(self) -> FloatArray:
        """Variance (p,) of what neither turns nor a bent rim explain; of rounding to a step, a twelfth of its square."""
        square = READING_NOISE_MM**2 + self.read_in_mm**2 / 12 + (MODEL_NOISE * self.values.std()) ** 2
        return np.full(len(self.values), square)


def put_together(
    readings: Readings,
    tension_n: FloatArray,
    influence: Influence,
    about: FloatArray,
    gauge_noise: float,
    steps_mm: tuple[float, float],
) -> Seen:
    """Put tension and both runouts, as far as read, under one another.

    about (n, n): takes off each side's mean. gauge_noise: of a tension, as a share of it. steps_mm: in which lateral
    and radial runout were read, where they are coarse.
    """
    mean = tension_n - about @ tension_n
    uneven, answer = about @ tension_n, about @ influence.tension_n
    known = np.isfinite(readings.tension_n)
    noise_n = np.where(known, gauge_noise, UNREAD_NOISE) * mean
    least = LEAST_UNEVEN if known.any() else USUAL_UNEVEN
    told = known if known.any() else ~known
    turn = _usual_turn((uneven / mean)[told], (answer / mean[:, None])[told], least=least, noise=gauge_noise)
    runouts = [
        _Runout.of(values, step, influence.angle_deg, read_in_mm)
        for values, step, read_in_mm in zip(
            (readings.lateral_mm, readings.radial_mm),
            (influence.lateral_mm, influence.radial_mm),
            steps_mm,
            strict=True,
        )
        if np.isfinite(values).any()
    ]
    ends = np.cumsum([len(mean), *(len(runout.values) for runout in runouts)])
    bent = np.zeros((len(runouts), ends[-1], ends[-1]))
    for one, runout in enumerate(runouts):
        bent[one, ends[one] : ends[one + 1], ends[one] : ends[one + 1]] = runout.bend
    return Seen(
        values=np.concatenate([uneven, *(runout.values for runout in runouts)]),
        answer=np.vstack([answer, *(runout.answer for runout in runouts)]),
        noise=np.concatenate([noise_n**2, *(runout.noise for runout in runouts)]),
        bent=bent,
        tilted=block_diag(np.zeros((len(mean), len(mean))), *(runout.tilt for runout in runouts)),
        turn=turn,
    )


def likeliest_scales(seen: Seen) -> FloatArray:
    """How uneven tension is and how far the rim is bent against the usual (1 + b,), judged by all readings."""
    spread = np.array(SCALE_SPREAD[: 1 + len(seen.bent)])

    def scales_of(logarithm: FloatArray) -> FloatArray:
        return np.exp(np.clip(logarithm, -FARTHEST_SCALE, FARTHEST_SCALE))

    def unlikely(logarithm: FloatArray) -> float:
        try:
            root = cholesky(seen.covariance(scales_of(logarithm)), lower=True)
        except LinAlgError:
            return np.inf
        apart = solve_triangular(root, seen.values, lower=True)
        return float(np.log(np.diag(root)).sum() + (apart @ apart + np.sum((logarithm / spread) ** 2)) / 2)

    found = minimize(unlikely, np.zeros(len(spread)), method="L-BFGS-B", options={"maxiter": SCALE_STEPS})
    return scales_of(found.x)


def _usual_turn(uneven: FloatArray, answer: FloatArray, *, least: float, noise: float) -> float:
    """Turn (standard deviation) at each nipple that makes tension as uneven as it is read, its noise taken off.

    uneven (n,): deviations as shares of the mean. answer (n, n): of them to a turn of each nipple. least: as uneven
    as tension is at least taken to be.
    """
    square = max(float(np.mean(uneven**2)) - noise**2, least**2)
    return float(np.sqrt(square / np.mean((answer**2).sum(axis=1))))


def about_means(n: int, sides: Sequence[IntArray]) -> FloatArray:
    """Matrix (n, n) that takes off the mean of each side."""
    about = np.eye(n)
    for spokes in sides:
        about[np.ix_(spokes, spokes)] -= 1 / len(spokes)
    return about
