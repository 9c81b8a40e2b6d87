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

from rimgauge.records import BoolArray, FloatArray

STEPS = 360
FASTEST_STEPS = 13
"""Fastest turning followed, in steps of a degree a frame: 13° a frame, over one turn a second at 30 frames/s."""
REACH_FRAMES = (8, 16, 32, 64, 128, 256, 512, 10**9, 10**9)
"""How far from a pass of the mark the spokes' look is believed, round by round: what is learnt near the mark,
where the angle is known, must carry each next stretch before that stretch may teach in turn."""
HARMONICS = 12
SPEED_CHANGE = (0.005, 0.15, 0.69, 0.15, 0.005)
"""Chance that the speed changes by −2 … 2 steps from one frame to the next (a hand's push is a few frames long)."""

Grid = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """Components (n, k) of something that repeats after period_deg, NaN where there is no frame."""

    components: FloatArray
    period_deg: float


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """What each of n evenly spaced moments shows.

    mark_deg, mark_sd_deg (n,): angle by the mark and its standard deviation, NaN where it isn't seen.
    hidden_deg: half-width round 0 in which the mark would have been seen.
    looks: what else changes with the angle: the spokes, which look the same after a few of them, and the gap
    itself, which looks the same after a full turn.
    """

    mark_deg: FloatArray
    mark_sd_deg: FloatArray
    hidden_deg: float
    looks: tuple[Look, ...]


def follow(evidence: Evidence) -> tuple[FloatArray, FloatArray]:
    """Angle (n,) unwrapped [deg] and its standard deviation (n,), both to grid accuracy."""
    by_mark = _mark_likelihood(evidence)
    chance, speed = _smooth(by_mark)
    away = _frames_from_mark(evidence.mark_deg)
    for reach in REACH_FRAMES if evidence.looks else ():
        near = away <= reach
        likelihood = by_mark
        for look in evidence.looks:
            basis = _phase_basis(look.period_deg, HARMONICS)
            learnt = _learn_look(chance, look, basis, near)
            if learnt is not None:
                by_look = _look_likelihood(look.components, basis @ learnt[0], learnt[1])
                likelihood = likelihood * np.where(near[:, None], by_look, 1.0)
        chance, speed = _smooth(likelihood)
    return _path(chance, speed)


def _frames_from_mark(mark_deg: FloatArray) -> FloatArray:
    """How many moments each moment is from the nearest one that shows the mark."""
    index = np.arange(len(mark_deg))
    seen = index[np.isfinite(mark_deg)]
    after = np.clip(np.searchsorted(seen, index), 0, len(seen) - 1)
    return np.asarray(np.minimum(np.abs(seen[after] - index), np.abs(seen[np.maximum(after - 1, 0)] - index)))


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
    has_frame = np.isfinite(evidence.mark_sd_deg)
    result[np.ix_(~seen & has_frame, beside)] = 0.05
    off = (angle - evidence.mark_deg[seen, None] + 180.0) % 360.0 - 180.0
    result[seen] = np.exp(-0.5 * (off / evidence.mark_sd_deg[seen, None]) ** 2) + 1e-4
    return result


def _look_likelihood(components: FloatArray, look: FloatArray, noise: FloatArray) -> FloatArray:
    """Likelihood (n, STEPS), with a floor: a hand or the valve in the picture must not decide alone."""
    distance = np.zeros((len(components), STEPS))
    for component, expected, sd in zip(components.T, look.T, noise, strict=True):
        distance += ((component[:, None] - expected) / sd) ** 2
    # Components of one picture aren't independent; the mean keeps them from shouting together.
    distance *= 2.0 / max(2, components.shape[1])
    distance[np.isnan(distance).any(axis=1)] = 0.0
    return np.asarray(np.exp(-0.5 * (distance - distance.min(axis=1, keepdims=True))) + 0.02)


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
    chance: FloatArray, what: Look, basis: FloatArray, near: BoolArray
) -> tuple[FloatArray, FloatArray] | None:
    """Fourier coefficients (1 + 2h, k) of a look and the noise (k,) round it; None where too little is known."""
    phase = np.exp(2j * np.pi * np.arange(STEPS) * (360.0 / STEPS) / what.period_deg)
    # How well a frame's phase within the period is known: 1 for sure, 0 for not at all.
    sureness = np.abs(chance @ phase)
    usable = near & np.isfinite(what.components).all(axis=1) & (sureness > 0.35)
    if usable.sum() < 8:
        return None
    weight = (sureness[usable] ** 2)[:, None] * chance[usable]
    seen = what.components[usable]
    normal = basis.T @ (basis * weight.sum(axis=0)[:, None])
    ridge = 0.02 * np.trace(normal) / len(normal) * np.eye(len(normal))
    look = np.linalg.solve(normal + ridge, basis.T @ (weight.T @ seen))
    expected = basis @ look
    second = seen**2 * weight.sum(axis=1)[:, None] - 2.0 * seen * (weight @ expected) + weight @ expected**2
    noise = np.sqrt(np.maximum(second.sum(axis=0) / weight.sum(), 1e-9))
    return look, np.maximum(noise, 0.05 * np.nanstd(what.components, axis=0))


def _path(chance: FloatArray, speed: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Unwrapped angle and its standard deviation from the chances; the mean speed tells full turns apart."""
    step_deg = 360.0 / STEPS
    turn = np.exp(2j * np.pi * np.arange(STEPS) / STEPS)
    # The mean of two far-apart guesses is neither: take the neighbourhood of the likeliest one.
    best = chance.argmax(axis=1)
    near = (np.arange(STEPS) - best[:, None] + STEPS // 2) % STEPS - STEPS // 2
    local = np.where(np.abs(near) <= 5, chance, 0.0)
    angle = np.degrees(np.angle(local @ turn))
    concentration = np.clip(np.abs(chance @ turn), 1e-9, 1.0)
    spread = np.degrees(np.sqrt(-2.0 * np.log(concentration)))
    change = np.diff(angle) - 0.5 * (speed[1:] + speed[:-1]) * step_deg
    expected = 0.5 * (speed[1:] + speed[:-1]) * step_deg
    steps = (change + 180.0) % 360.0 - 180.0 + expected
    return angle[0] + np.concatenate([[0.0], np.cumsum(steps)]), spread
