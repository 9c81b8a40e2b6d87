"""Where the wheel is in every frame, coarsely but never lost: a hidden Markov model on a circle.

State: angle on a grid of the full circle, and speed in grid steps a frame, forward or backward.
Evidence: the mark where it is seen (and that it isn't seen elsewhere), and the look of the spokes, which
repeats every two spokes. That look isn't known beforehand: expectation and maximisation learn it, starting
from the frames near the mark's passes, whose angle is known, and spreading outward from there.
Forward–backward smoothing and its use for learning: Rabiner, Proc. IEEE 77 (1989) 257 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rimgauge.records import FloatArray

STEPS = 720
FASTEST_STEPS = 26
"""Fastest turning followed, in steps of half a degree a frame: 13° a frame, over one turn a second at 30 frames/s."""
ROUNDS = 8
HARMONICS = 6
SPEED_CHANGE = (0.02, 0.22, 0.52, 0.22, 0.02)
"""Chance that the speed changes by −2 … 2 steps from one frame to the next (a hand's push is a few frames long)."""

Grid = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """What each of n evenly spaced moments shows.

    mark_deg, mark_sd_deg (n,): angle by the mark and its standard deviation, NaN where it isn't seen.
    hidden_deg: half-width round 0 in which the mark would have been seen.
    spokes (n, k): components of the spokes' look, NaN where there is no frame. period_deg: repeats after so much.
    """

    mark_deg: FloatArray
    mark_sd_deg: FloatArray
    hidden_deg: float
    spokes: FloatArray
    period_deg: float


def follow(evidence: Evidence) -> tuple[FloatArray, FloatArray]:
    """Angle (n,) unwrapped [deg] and its standard deviation (n,), both to grid accuracy."""
    by_mark = _mark_likelihood(evidence)
    chance, speed = _smooth(by_mark)
    basis = _phase_basis(evidence.period_deg, HARMONICS)
    if evidence.spokes.shape[1]:
        for _ in range(ROUNDS):
            look, noise = _learn_look(chance, evidence, basis)
            if look is None:
                break
            chance, speed = _smooth(by_mark * _spoke_likelihood(evidence.spokes, basis @ look, noise))
    return _path(chance, speed)


def _phase_basis(period_deg: float, harmonics: int) -> FloatArray:
    """Constant, cosines and sines (STEPS, 1 + 2·harmonics) of the phase within a period."""
    phase = 2.0 * np.pi * np.arange(STEPS) * (360.0 / STEPS) / period_deg
    orders = np.arange(1, harmonics + 1)
    return np.hstack([np.ones((STEPS, 1)), np.cos(np.outer(phase, orders)), np.sin(np.outer(phase, orders))])


def _mark_likelihood(evidence: Evidence) -> FloatArray:
    angle = np.arange(STEPS) * (360.0 / STEPS)
    seen = np.isfinite(evidence.mark_deg)
    result = np.ones((len(seen), STEPS))
    beside = np.abs((angle + 180.0) % 360.0 - 180.0) < evidence.hidden_deg
    has_frame = np.isfinite(evidence.spokes).all(axis=1)
    result[np.ix_(~seen & has_frame, beside)] = 0.05
    off = (angle - evidence.mark_deg[seen, None] + 180.0) % 360.0 - 180.0
    result[seen] = np.exp(-0.5 * (off / evidence.mark_sd_deg[seen, None]) ** 2) + 1e-4
    return result


def _spoke_likelihood(spokes: FloatArray, look: FloatArray, noise: FloatArray) -> FloatArray:
    """Likelihood (n, STEPS), with a floor: a hand or the valve in the picture must not decide alone."""
    distance = np.zeros((len(spokes), STEPS))
    for component, expected, sd in zip(spokes.T, look.T, noise, strict=True):
        distance += ((component[:, None] - expected) / sd) ** 2
    # Components of one picture aren't independent; the mean keeps them from shouting together.
    distance *= 2.0 / max(2, spokes.shape[1])
    likelihood = np.exp(-0.5 * (distance - np.nanmin(distance, axis=1, keepdims=True))) + 0.02
    likelihood[np.isnan(distance).any(axis=1)] = 1.0
    return np.asarray(likelihood)


def _smooth(likelihood: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Chance of each angle (n, STEPS) and mean speed (n,) [steps a frame], from all frames together."""
    count = len(likelihood)
    speeds = np.arange(-FASTEST_STEPS, FASTEST_STEPS + 1)
    ahead = (np.arange(STEPS)[None, :] - speeds[:, None]) % STEPS
    back = (np.arange(STEPS)[None, :] + speeds[:, None]) % STEPS
    likely = likelihood.astype(np.float32)
    forward = np.empty((count, len(speeds), STEPS), dtype=np.float32)
    state = np.full((len(speeds), STEPS), 1.0 / (STEPS * len(speeds)), dtype=np.float32) * likely[0]
    forward[0] = state / state.sum()
    for k in range(1, count):
        state = np.take_along_axis(_change_speed(forward[k - 1]), ahead, axis=1) * likely[k]
        forward[k] = state / state.sum()
    chance = np.empty((count, STEPS))
    mean_speed = np.empty(count)
    later = np.ones((len(speeds), STEPS), dtype=np.float32)
    for k in range(count - 1, -1, -1):
        both = forward[k] * later
        both /= both.sum()
        chance[k] = both.sum(axis=0)
        mean_speed[k] = float(both.sum(axis=1) @ speeds)
        later = _change_speed(np.take_along_axis(later * likely[k], back, axis=1))
        later /= later.mean()
    return chance, mean_speed


def _change_speed(state: Grid) -> Grid:
    result = SPEED_CHANGE[2] * state
    for chance, by in zip(SPEED_CHANGE, (-2, -1, 0, 1, 2), strict=True):
        if by > 0:
            result[by:] += chance * state[:-by]
        elif by < 0:
            result[:by] += chance * state[-by:]
    return np.asarray(result, dtype=np.float32)


def _learn_look(
    chance: FloatArray, evidence: Evidence, basis: FloatArray
) -> tuple[FloatArray | None, FloatArray]:
    """Fourier coefficients (1 + 2h, k) of the spokes' look and the noise (k,) round it."""
    phase = np.exp(2j * np.pi * np.arange(STEPS) * (360.0 / STEPS) / evidence.period_deg)
    # How well a frame's phase within the period is known: 1 for sure, 0 for not at all.
    sureness = np.abs(chance @ phase)
    usable = np.isfinite(evidence.spokes).all(axis=1) & (sureness > 0.35)
    if usable.sum() < 8:
        return None, np.empty(0)
    weight = (sureness[usable] ** 2)[:, None] * chance[usable]
    spokes = evidence.spokes[usable]
    normal = basis.T @ (basis * weight.sum(axis=0)[:, None])
    ridge = 0.02 * np.trace(normal) / len(normal) * np.eye(len(normal))
    look = np.linalg.solve(normal + ridge, basis.T @ (weight.T @ spokes))
    expected = basis @ look
    second = spokes**2 * weight.sum(axis=1)[:, None] - 2.0 * spokes * (weight @ expected) + weight @ expected**2
    noise = np.sqrt(np.maximum(second.sum(axis=0) / weight.sum(), 1e-9))
    return look, np.maximum(noise, 0.05 * np.nanstd(evidence.spokes, axis=0))


def _path(chance: FloatArray, speed: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Unwrapped angle and its standard deviation from the chances; the mean speed tells full turns apart."""
    step_deg = 360.0 / STEPS
    turn = np.exp(2j * np.pi * np.arange(STEPS) / STEPS)
    # The mean of two far-apart guesses is neither: take the neighbourhood of the likeliest one.
    best = chance.argmax(axis=1)
    near = (np.arange(STEPS) - best[:, None] + STEPS // 2) % STEPS - STEPS // 2
    local = np.where(np.abs(near) <= 10, chance, 0.0)
    angle = np.degrees(np.angle(local @ turn))
    concentration = np.clip(np.abs(chance @ turn), 1e-9, 1.0)
    spread = np.degrees(np.sqrt(-2.0 * np.log(concentration)))
    change = np.diff(angle) - 0.5 * (speed[1:] + speed[:-1]) * step_deg
    expected = 0.5 * (speed[1:] + speed[:-1]) * step_deg
    steps = (change + 180.0) % 360.0 - 180.0 + expected
    return angle[0] + np.concatenate([[0.0], np.cumsum(steps)]), spread
