"""The likeliest tensions behind what was read: gauges are coarse, but the rim's shape tells of tension too.

A gauge is wrong by some per cent at each spoke, and turns that even out what it got wrong make tension less
even. But what it read before the last rounds, brought forward by what was turned since, counts as a further
reading. And what tension does to the rim is seen sideways and radially, far more finely. So the wheel is
taken as one with an unknown turn at each nipple and a rim that is smoothly bent by itself, and the turns that
explain tension and both runouts best are looked for: the mean of a Gaussian posterior (linear regression with
priors). How uneven a wheel is and how far its rim is bent differs from wheel to wheel by more than one guess
can serve, so both are taken as what makes the readings likeliest (maximum of the marginal likelihood with
priors on the scales; C. E. Rasmussen, C. K. I. Williams, Gaussian Processes for Machine Learning, 2006, chapters 2
and 5, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.linalg import LinAlgError, block_diag, cholesky, solve_triangular
from scipy.optimize import minimize

from rimgauge.records import FloatArray, Influence, IntArray, Readings, Round, record

GAUGE_NOISE = 0.03
"""Standard deviation of one tension reading as a share of the tension; common practice for such gauges."""
MEDIAN_TO_DEVIATION = 1.4826
"""Standard deviation over the median of the absolute value, of a normal distribution."""
UNREAD_NOISE = 0.1
"""The same of a spoke that was not read and is taken at its side's mean; a judgement."""
TURNING_NOISE = 0.1
"""What earlier turns did is foretold no better than that, as a share of the change; a judgement."""
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


@record
class _Seen:
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
    about = _about_means(len(tension_n), sides)
    seen = _seen(readings, tension_n, influence, about, GAUGE_NOISE / np.sqrt(gauge_readings), steps_mm)
    scales = _likeliest_scales(seen)
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
    seen = _seen(readings, tension_n, influence, _about_means(len(tension_n), sides), GAUGE_NOISE, steps_mm)
    scales = _likeliest_scales(seen)
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
    seen = _seen(readings, tension_n, influence, _about_means(n, sides), GAUGE_NOISE, readings.steps_mm)
    covariance = seen.covariance(_likeliest_scales(seen))[n:, n:]
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
    about = _about_means(n, sides)

    def left_out(values_n: FloatArray, filled_n: FloatArray) -> tuple[FloatArray, FloatArray]:
        """What is expected of each, and its standard deviation with the noise that is taken for its reading (n,) [N]."""
        state = replace(readings, tension_n=values_n)
        seen = _seen(state, filled_n, influence, about, GAUGE_NOISE, readings.steps_mm)
        inverse = np.linalg.inv(seen.covariance(_likeliest_scales(seen)))
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


def _seen(
    readings: Readings,
    tension_n: FloatArray,
    influence: Influence,
    about: FloatArray,
    gauge_noise: float,
    steps_mm: tuple[float, float],
) -> _Seen:
    """Put tension and both runouts, as far as read, under one another.

    about (n, n): takes off each side's mean. gauge_noise: of a tension, as a share of it. steps_mm: in which lateral
    and radial runout were read, where they are coarse.
    """
    mean = tension_n - about @ tension_n
    uneven, answer = about @ tension_n, about @ influence.tension_n
    noise_n = np.where(np.isfinite(readings.tension_n), gauge_noise, UNREAD_NOISE) * mean
    least = LEAST_UNEVEN if np.isfinite(readings.tension_n).any() else USUAL_UNEVEN
    turn = _usual_turn(uneven / mean, answer / mean[:, None], least=least, noise=gauge_noise)
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
    return _Seen(
        values=np.concatenate([uneven, *(runout.values for runout in runouts)]),
        answer=np.vstack([answer, *(runout.answer for runout in runouts)]),
        noise=np.concatenate([noise_n**2, *(runout.noise for runout in runouts)]),
        bent=bent,
        tilted=block_diag(np.zeros((len(mean), len(mean))), *(runout.tilt for runout in runouts)),
        turn=turn,
    )


def _likeliest_scales(seen: _Seen) -> FloatArray:
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


def _about_means(n: int, sides: Sequence[IntArray]) -> FloatArray:
    """Matrix (n, n) that takes off the mean of each side."""
    about = np.eye(n)
    for spokes in sides:
        about[np.ix_(spokes, spokes)] -= 1 / len(spokes)
    return about
