"""What doesn't fit the rest: a nipple that stands apart from the others, a tension that the rim says is another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rimgauge.plan.gauge import GAUGE_NOISE
from rimgauge.plan.regression import UNREAD_NOISE, Seen, about_means, likeliest_scales, put_together
from rimgauge.records import BoolArray, FloatArray, Influence, IntArray, Readings, record

HIDDEN = 2
"""So many that don't stand out are left out before the search for more ends."""
FEW_READ = 2
"""So few readings say nothing of how a gauge scatters."""
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
    """A spoke (from 0) whose tension as read doesn't fit all other readings: expected_n, what they make one expect of it.

    off: how far from that it was read, in standard deviations; where the gauge scatters more than usual, in those of
    its own scatter.
    """

    spoke: int
    expected_n: float
    off: float


def misfits(
    readings: Readings,
    tension_n: FloatArray,
    influence: Influence,
    sides: Sequence[IntArray],
    *,
    least_off: float,
    most: int,
) -> tuple[Misfit, ...]:
    """Find the tensions, of those that were read, that the runout and the other tensions don't agree with.

    Each is left out in turn, then the worst for good, as it makes the wheel seem more uneven than it is; then the next, at
    most so many (most). One that is off by less than least_off may hide behind a second one, so that the search ends
    only after two such; what is found is judged once more with all of it left out. The other parameters are those of
    `likely_deviations`.
    """
    read, filled_n = np.isfinite(readings.tension_n), tension_n.copy()
    out, kept = np.zeros(len(tension_n), dtype=bool), np.zeros(len(tension_n), dtype=bool)
    if read.sum() <= FEW_READ:
        return ()
    expected_n, off = _judged(readings, tension_n, filled_n, out, influence, sides)
    while out.sum() < most and out.sum() - kept.sum() < HIDDEN and (read & ~out).sum() > FEW_READ:
        spoke = int(np.argmax(np.where(read & ~out, off, -1.0)))
        out[spoke], filled_n[spoke] = True, expected_n[spoke]
        expected_n, off = _judged(readings, tension_n, filled_n, out, influence, sides)
        kept = out.copy() if off[spoke] >= least_off else kept
    if not kept.any():
        return ()
    filled_n = np.where(kept, filled_n, tension_n)
    expected_n, off = _judged(readings, tension_n, filled_n, kept, influence, sides)
    return tuple(
        Misfit(spoke=int(spoke), expected_n=float(expected_n[spoke]), off=float(off[spoke]))
        for spoke in np.flatnonzero(kept & (off >= least_off))
    )


def _judged(
    readings: Readings,
    tension_n: FloatArray,
    filled_n: FloatArray,
    out: BoolArray,
    influence: Influence,
    sides: Sequence[IntArray],
) -> tuple[FloatArray, FloatArray]:
    """What all else makes one expect of each tension (n,) [N], and how far off it was read (n,), some being left out (n,)."""
    state = replace(readings, tension_n=np.where(out, np.nan, readings.tension_n))
    expected_n, spread_n = _left_out(state, filled_n, influence, sides)
    others = np.isfinite(state.tension_n)
    off_n = np.abs(tension_n - expected_n)
    scatter = MEDIAN_TO_DEVIATION * np.median(off_n[others] / spread_n[others])
    unread_n2 = np.where(out, GAUGE_NOISE**2 - UNREAD_NOISE**2, 0.0) * float(filled_n[others].mean()) ** 2
    own_n = np.sqrt(np.maximum(spread_n**2 + unread_n2, (GAUGE_NOISE * expected_n) ** 2))
    return expected_n, off_n / own_n / max(scatter, 1.0)


def scatter(
    readings: Readings,
    tension_n: FloatArray,
    influence: Influence,
    sides: Sequence[IntArray],
    without: Sequence[Misfit],
) -> float:
    """How far all tensions together lie from what the rim says of them, over what a usual gauge's noise does: about 1.

    Of readings y of covariance K the likeliest noise is ê = N·K⁻¹y, of covariance N·K⁻¹·N (derived), N being diagonal: Σê²/N
    over the trace of N·K⁻¹ is nearly a chi-square over its degrees of freedom; this is its root. without: those left out.
    The other parameters are those of `misfits`.
    """
    out, filled_n = np.zeros(len(tension_n), dtype=bool), tension_n.copy()
    for one in without:
        out[one.spoke], filled_n[one.spoke] = True, one.expected_n
    state = replace(readings, tension_n=np.where(out, np.nan, readings.tension_n))
    seen, inverse = _seen(state, filled_n, influence, sides)
    read = np.flatnonzero(np.isfinite(state.tension_n))
    if len(read) <= FEW_READ:
        return 0.0
    noise, weight = seen.noise[read], np.diag(inverse)[read]
    return float(np.sqrt(np.sum(noise * (inverse @ seen.values)[read] ** 2) / np.sum(noise * weight)))


def _left_out(
    readings: Readings, filled_n: FloatArray, influence: Influence, sides: Sequence[IntArray]
) -> tuple[FloatArray, FloatArray]:
    """What all else makes one expect of each tension, and its standard deviation with its reading's noise (n,) [N].

    filled_n (n,): tension at every spoke, what was not read being filled in [N].
    """
    n = len(filled_n)
    seen, inverse = _seen(readings, filled_n, influence, sides)
    # Of a Gaussian of covariance K, value i given the others is y_i − (K⁻¹y)_i/(K⁻¹)_ii, its variance 1/(K⁻¹)_ii
    # (Rasmussen and Williams, chapter 5, from memory).
    weight = np.diag(inverse)[:n]
    return filled_n - (inverse @ seen.values)[:n] / weight, 1 / np.sqrt(weight)


def _seen(
    readings: Readings, filled_n: FloatArray, influence: Influence, sides: Sequence[IntArray]
) -> tuple[Seen, FloatArray]:
    """All that was read, put together, and the inverse (r, r) of its likeliest covariance."""
    about = about_means(len(filled_n), sides)
    seen = put_together(readings, filled_n, influence, about, GAUGE_NOISE, readings.steps_mm)
    return seen, np.asarray(np.linalg.inv(seen.covariance(likeliest_scales(seen))))
