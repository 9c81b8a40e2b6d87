"""Stretches of a run that nothing ties to the mark: across a stretch in which the angle is lost nobody counted the spokes.

Spokes look alike after a few of them, so that a course that came back elsewhere looks right from there on. A sighting of the
mark ties the stretch in which it falls; the gap, which comes back after a whole turn and not before, ties others to those.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import label

from rimgauge.records import BoolArray, FloatArray, IntArray

ORDERS = 12
"""Waves round the rim, of variances that fall with the square of the order, as those of what spokes pull do (a judgement)."""
MEAN_SD = 3.0
"""Of the mean gap, in those of the first wave."""
LEAST_NOISE, ALIKE_FRAMES = 0.1, 3.0
"""As a share of how much the gap varies: bearings have play, and a pointer creeps. Neighbouring frames count as one of so many."""
USUAL_PUSH_DEG_S2, PUSH_LASTS_S = 1000.0, 0.1
"""How hard a hand pushes and brakes, standard deviation, and for how long alike: more than usually, for then angles are lost."""
SPEED_FRAMES = 8
"""Over which a stretch tells how fast the wheel went at its end."""
LEAST_NATS = 3.0
"""By which (a logarithm) a stretch must be likelier as it was counted than at any other spoke."""


def but_for_uncounted(
    gaps_px: FloatArray,
    angle_deg: FloatArray,
    time_s: FloatArray,
    usable: BoolArray,
    at_mark: BoolArray,
    spacing_deg: float,
) -> BoolArray:
    """Usable frames (n,) but for stretches of them that neither the mark nor the gap ties to the rest.

    gaps_px (sides, n), of which the one that was seen most tells; angle_deg (n,): by the course. at_mark (n,): where the mark
    was seen, and where the course says.
    """
    gaps_px = gaps_px[[np.argmax(np.isfinite(gaps_px).sum(axis=1))]]
    labels, count = label(usable)
    stretch: IntArray = np.asarray(labels, dtype=np.intp)
    if count < 2 or not np.isfinite(gaps_px).all(axis=0).any():
        return usable
    stretches = [np.flatnonzero(stretch == number) for number in range(1, count + 1)]
    tied = np.array([bool(at_mark[frames].any()) for frames in stretches])
    if not tied.any():
        tied[np.argmax([len(frames) for frames in stretches])] = True
    off_deg = spacing_deg * np.arange(round(360.0 / spacing_deg), dtype=np.float64)
    while not tied.all():
        there = [frames for frames, known in zip(stretches, tied, strict=True) if known]
        gap = _Gap.learnt(gaps_px, angle_deg, np.concatenate(there))
        clear = np.full(count, -math.inf)
        for k in np.flatnonzero(~tied):
            nats = gap.nats(stretches[k], off_deg)
            for before in [frames for frames in there if frames[0] < stretches[k][0]][-1:]:
                nats += _by_hand(time_s, angle_deg, before, stretches[k], off_deg)
            for after in [frames for frames in there if frames[0] > stretches[k][0]][:1]:
                nats += _by_hand(time_s, angle_deg, stretches[k], after, -off_deg)
            clear[k] = nats[0] - nats[1:].max()
        if clear.max() < LEAST_NATS:
            break
        tied[np.argmax(clear)] = True
    return np.asarray(usable & np.isin(stretch, 1 + np.flatnonzero(tied)))


def _by_hand(
    time_s: FloatArray, angle_deg: FloatArray, before: IntArray, after: IntArray, off_deg: FloatArray
) -> FloatArray:
    """Logarithm of how likely it is (k,) that the wheel went farther by so much (k,), or a turn less, between two stretches.

    The course of least acceleration from one place and speed to another, a cubic, that comes out by d farther in a time t
    than the mean of the speeds takes it has the square of its acceleration, 12 d²/t³, above the least there can be (derived).
    """
    lasts_s = float(time_s[after[0]] - time_s[before[-1]])
    speeds = [_speed(time_s, angle_deg, frames) for frames in (before[-SPEED_FRAMES:], after[:SPEED_FRAMES])]
    known = [speed for speed in speeds if speed is not None]
    even_deg = lasts_s * float(np.mean(known)) if known else 0.0
    farther_deg = float(angle_deg[after[0]] - angle_deg[before[-1]]) - even_deg + off_deg
    shortest = np.minimum(np.abs(farther_deg), np.abs(farther_deg - 360.0 * np.sign(off_deg)))
    return np.asarray(-6.0 * shortest**2 / (lasts_s**3 * USUAL_PUSH_DEG_S2**2 * PUSH_LASTS_S))


def _speed(time_s: FloatArray, angle_deg: FloatArray, frames: IntArray) -> float | None:
    """Mean speed [deg/s] over frames (k,), None of a single one."""
    if len(frames) < 2:
        return None
    return float((angle_deg[frames[-1]] - angle_deg[frames[0]]) / (time_s[frames[-1]] - time_s[frames[0]]))


@dataclass(frozen=True, slots=True, eq=False)
class _Gap:
    """What some frames tell of the gap round the rim: its waves' coefficients are Gaussian (Bayesian linear regression).

    gaps (n, sides): of all frames less their mean, in their standard deviations; NaN where one is unseen. angle_deg (n,).
    mean (u, sides), precision (u, u): of the coefficients. noise: variance of a gap round them.
    """

    gaps: FloatArray
    angle_deg: FloatArray
    mean: FloatArray
    precision: FloatArray
    noise: float

    @staticmethod
    def learnt(gaps_px: FloatArray, angle_deg: FloatArray, tells: IntArray) -> _Gap:
        """Learn from the frames (k,) that tell."""
        seen = np.isfinite(gaps_px).all(axis=0)
        tells = tells[np.isin(tells, np.flatnonzero(seen))]
        gaps = (gaps_px.T - gaps_px[:, seen].mean(axis=1)) / np.maximum(gaps_px[:, seen].std(axis=1), 1e-9)
        told, waves = gaps[tells], _waves(angle_deg[tells])
        own, toward, prior = waves.T @ waves, waves.T @ told, np.eye(waves.shape[1])
        rest = told - waves @ np.linalg.solve(own + LEAST_NOISE**2 * prior, toward)
        noise = ALIKE_FRAMES * max(float(np.mean(rest**2)) if rest.size else 0.0, LEAST_NOISE**2)
        precision = own / noise + prior
        return _Gap(gaps, angle_deg, np.linalg.solve(precision, toward / noise), precision, noise)

    def nats(self, frames: IntArray, off_deg: FloatArray) -> FloatArray:
        """Logarithm of how likely the gaps of frames (k,) are at angles that are off by so much (m,), but for a constant."""
        at = frames[np.isfinite(self.gaps[frames]).all(axis=1)]
        return np.array([self._nats(self.gaps[at], _waves(self.angle_deg[at] + off)) for off in off_deg])

    def _nats(self, gaps: FloatArray, waves: FloatArray) -> float:
        """Logarithm of the likelihood of gaps (k, sides) at waves (k, u), but for what does not hang on the waves."""
        off = gaps - waves @ self.mean
        both = self.precision + waves.T @ waves / self.noise
        toward = waves.T @ off / self.noise
        misfit = float(np.sum(off**2)) / self.noise - float(np.sum(toward * np.linalg.solve(both, toward)))
        return float(-0.5 * (misfit + gaps.shape[1] * np.linalg.slogdet(both)[1]))


def _waves(angle_deg: FloatArray) -> FloatArray:
    """Constant, cosines and sines (n, 1 + 2·ORDERS) of angles (n,), each as large as its coefficient is likely to be."""
    orders = np.arange(1, ORDERS + 1)
    phase = np.radians(angle_deg)[:, None] * orders
    first = math.sqrt(1.0 / np.sum(1.0 / orders**2))
    return np.hstack(
        [
            np.full((len(phase), 1), MEAN_SD * first),
            np.cos(phase) * first / orders,
            np.sin(phase) * first / orders,
        ]
    )
