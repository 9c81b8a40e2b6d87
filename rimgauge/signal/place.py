"""Where the wheel is in every frame, coarsely but never lost: a hidden Markov model on a circle.

State: angle on a grid of the full circle, and speed in grid steps a frame, forward or backward.
Evidence: the mark where it is seen (and that it isn't seen elsewhere), and looks that come back after a known
angle: the spokes' and the gap's. A look isn't known beforehand:
expectation and maximisation learn it, starting from the frames near the mark's passes, whose angle is known,
and spreading outward from there.
Forward–backward smoothing and its use for learning: Rabiner, Proc. IEEE 77 (1989) 257 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rimgauge.records import BoolArray, FloatArray

STEPS = 360
FASTEST_STEPS = 20
"""Fastest turning followed, in steps of a degree a frame: over one and a half turns a second at 30 frames/s."""
FIRST_REACH = 8
"""How far, in frames, from a pass of the mark a look is believed in the first round. It doubles each round:
what is learnt near the mark, where the angle is known, must carry the next stretch before that may teach."""
LAST_ROUNDS = 2
HARMONICS = 12
LEAST_NOISE_SHARE = 0.2
"""A look is believed no finer than this share of its spread: what is learnt on a few frames doesn't hold for all,
and an exact gap must not shut out the true path."""
SPEED_CHANGE = (0.69, 0.15, 0.005)
"""Chance that the speed changes by 0, by +1 and by +2 steps from one frame to the next (or by −1 and −2): a
hand's push is a few frames long."""
RELUCTANCE = 1e-3
"""Chance of beginning the other way, or at rest, beside that of the way that is tried."""
LEAST_CHANCE = 1e-4
SPEED_MARGIN = 3
BLOCK = 512
"""Frames whose states are held at once; longer runs are gone through twice, so that memory stays bounded."""

REACH = slice(FASTEST_STEPS, FASTEST_STEPS + STEPS)
"""The circle itself within a row that has both ends wrapped on."""
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


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """What is known of each of n moments.

    angle_deg (n,): unwrapped, to grid accuracy. chance (n, STEPS): of each angle.
    likelihood: natural logarithm of that of the evidence.
    """

    angle_deg: FloatArray
    chance: FloatArray
    likelihood: float


def follow(evidence: Evidence) -> tuple[Place, Place]:
    """Follow the wheel through all moments, once begun as if it rolled forward and once backward.

    Where the mark is seen in one moment a turn only, and looks are learnt on the way, a path and its mirror
    image are nearly as likely as one another, and learning settles on the one it began with.

    Returns
    -------
    The likelier path, then the other one; they may be the same.
    """
    forward, backward = (_follow(evidence, way) for way in (1, -1))
    return (forward, backward) if forward.likelihood >= backward.likelihood else (backward, forward)


def _follow(evidence: Evidence, way: int) -> Place:
    by_mark = mark_likelihood(evidence)
    speeds = range(-FASTEST_STEPS, FASTEST_STEPS + 1)
    chance, of_speed, likely = _smooth(by_mark, speeds, way)
    away = _frames_from_mark(evidence.mark_deg)
    bases = [phase_basis(look.period_deg, HARMONICS) for look in evidence.looks]
    for reach in _reaches(int(away.max())) if evidence.looks else ():
        near = away <= reach
        likelihood = by_mark
        for look, basis in zip(evidence.looks, bases, strict=True):
            learnt = learn_look(chance, look, basis, near)
            if learnt is not None:
                by_look = look_likelihood(look.components, basis @ learnt[0], learnt[1])
                likelihood = likelihood * np.where(near[:, None], by_look, 1.0)
        speeds = _likely_speeds(of_speed)
        chance, of_speed, likely = _smooth(likelihood, speeds, way)
    speed = of_speed @ np.arange(-FASTEST_STEPS, FASTEST_STEPS + 1)
    return Place(_path(chance, speed), chance, likely)


def _likely_speeds(of_speed: FloatArray) -> range:
    """Leave out the speeds that no moment has as much as a small chance of; what is left goes faster."""
    likely = np.flatnonzero(of_speed.max(axis=0) > LEAST_CHANCE) - FASTEST_STEPS
    slowest = max(int(likely[0]) - SPEED_MARGIN, -FASTEST_STEPS)
    return range(slowest, min(int(likely[-1]) + SPEED_MARGIN, FASTEST_STEPS) + 1)


def _reaches(farthest: int) -> list[int]:
    reaches = [FIRST_REACH]
    while reaches[-1] < farthest:
        reaches.append(2 * reaches[-1])
    return reaches + [reaches[-1]] * LAST_ROUNDS


def _frames_from_mark(mark_deg: FloatArray) -> FloatArray:
    """How many moments each moment is from the nearest one that shows the mark."""
    index = np.arange(len(mark_deg))
    seen = index[np.isfinite(mark_deg)]
    after = np.clip(np.searchsorted(seen, index), 0, len(seen) - 1)
    return np.asarray(np.minimum(np.abs(seen[after] - index), np.abs(seen[np.maximum(after - 1, 0)] - index)))


def phase_basis(period_deg: float, harmonics: int) -> FloatArray:
    """Constant, cosines and sines (STEPS, 1 + 2·harmonics) of the phase within a period."""
    phase = 2.0 * np.pi * np.arange(STEPS) * (360.0 / STEPS) / period_deg
    orders = np.arange(1, harmonics + 1)
    return np.hstack([np.ones((STEPS, 1)), np.cos(np.outer(phase, orders)), np.sin(np.outer(phase, orders))])


def mark_likelihood(evidence: Evidence) -> FloatArray:
    """Likelihood (n, STEPS) of each angle by the mark, seen or not seen."""
    angle = np.arange(STEPS) * (360.0 / STEPS)
    seen = np.isfinite(evidence.mark_deg)
    result = np.ones((len(seen), STEPS))
    beside = np.abs((angle + 180.0) % 360.0 - 180.0) < evidence.hidden_deg
    has_frame = np.isfinite(evidence.mark_sd_deg)
    result[np.ix_(~seen & has_frame, beside)] = 0.05
    off = (angle - evidence.mark_deg[seen, None] + 180.0) % 360.0 - 180.0
    result[seen] = np.exp(-0.5 * (off / evidence.mark_sd_deg[seen, None]) ** 2) + 1e-4
    return result


def look_likelihood(components: FloatArray, look: FloatArray, noise: FloatArray) -> FloatArray:
    """Likelihood (n, STEPS), with a floor: a hand or the valve in the picture must not decide alone."""
    seen, expected = components / noise, look / noise
    distance = (
        np.sum(seen**2, axis=1)[:, None] - 2.0 * seen @ expected.T + np.sum(expected**2, axis=1)[None, :]
    )
    # Components of one picture aren't independent; the mean keeps them from shouting together.
    distance *= 2.0 / max(2, components.shape[1])
    distance[np.isnan(distance).any(axis=1)] = 0.0
    return np.asarray(np.exp(-0.5 * (distance - distance.min(axis=1, keepdims=True))) + 0.02)


def _smooth(likelihood: FloatArray, speeds: range, way: int) -> tuple[FloatArray, FloatArray, float]:
    """Chance of each angle (n, STEPS) and of each speed (n, 2·FASTEST_STEPS + 1), from all frames together.

    way: +1 or −1, which way it begins by preference. Also the log likelihood of all frames.
    """
    count = len(likelihood)
    likely = likelihood.astype(np.float32)
    chance, of_speed = np.empty((count, STEPS)), np.zeros((count, 2 * FASTEST_STEPS + 1))
    starts = list(range(0, count, BLOCK))
    begins = np.where(np.sign(speeds) * way > 0, 1.0, RELUCTANCE)
    first = [_wrapped(np.outer(begins / begins.sum(), likely[0] / likely[0].sum()))]
    for start in starts[1:]:
        first.append(_forward(first[-1], likely, speeds, range(start - BLOCK + 1, start + 1))[0][-1])
    later = _wrapped(np.ones((len(speeds), STEPS), dtype=np.float32))
    told = float(np.log(likely[0].mean()))
    for start, state in zip(reversed(starts), reversed(first), strict=True):
        frames = range(start + 1, min(start + BLOCK, count - 1) + 1)
        states, foreseen = _forward(state, likely, speeds, frames)
        told += float(np.sum(np.log(foreseen)))
        last = len(states) - 1 if frames.stop == count else BLOCK - 1
        for k in range(start + last, start - 1, -1):
            both = states[k - start, :, REACH] * later[:, REACH]
            total = both.sum()
            chance[k] = both.sum(axis=0) / total
            of_speed[k, speeds.start + FASTEST_STEPS : speeds.stop + FASTEST_STEPS] = both.sum(axis=1) / total
            later[:, REACH] *= likely[k] / later[:, REACH].mean()
            _wrap(later)
            later = _change_speed(_wrapped(_turned(later, -1, speeds)))
    return chance, of_speed, told


def _forward(state: Grid, likely: Grid, speeds: range, frames: range) -> tuple[Grid, FloatArray]:
    """Chances of (speed, angle) given what was seen so far: of the start and of each following frame.

    Also how likely each following frame was before it was seen.
    """
    result = np.empty((len(frames) + 1, *state.shape), dtype=np.float32)
    foreseen = np.empty(len(frames))
    result[0] = state
    for place, k in enumerate(frames, start=1):
        state = result[place]
        state[:, REACH] = _turned(_change_speed(result[place - 1]), 1, speeds)
        state[:, REACH] *= likely[k]
        foreseen[place - 1] = state[:, REACH].sum()
        state[:, REACH] *= 1.0 / foreseen[place - 1]
        _wrap(state)
    return result, foreseen


def _wrapped(state: Grid) -> Grid:
    """Put both ends of every row on once more, beyond the other end."""
    wide = np.empty((len(state), STEPS + 2 * FASTEST_STEPS), dtype=np.float32)
    wide[:, REACH] = state
    _wrap(wide)
    return wide


def _wrap(wide: Grid) -> None:
    wide[:, :FASTEST_STEPS] = wide[:, STEPS : STEPS + FASTEST_STEPS]
    wide[:, -FASTEST_STEPS:] = wide[:, FASTEST_STEPS : 2 * FASTEST_STEPS]


def _turned(wide: Grid, way: int, speeds: range) -> Grid:
    """Every row moved on by its own speed (way 1) or back (−1), round the circle, as a view of the wrapped rows.

    A stride one shorter or longer than a row reads each row a step further on than the one before.
    """
    row, step = wide.strides
    start = wide[0, FASTEST_STEPS - way * speeds.start :]
    shape = (len(wide), STEPS)
    return np.lib.stride_tricks.as_strided(start, shape, (row - way * step, step), writeable=False)


def _change_speed(state: Grid) -> Grid:
    same, by_one, by_two = SPEED_CHANGE
    result = np.float32(same) * state
    one = np.float32(by_one) * state
    result[1:] += one[:-1]
    result[:-1] += one[1:]
    one *= np.float32(by_two / by_one)
    result[2:] += one[:-2]
    result[:-2] += one[2:]
    return np.asarray(result, dtype=np.float32)


def learn_look(
    chance: FloatArray, what: Look, basis: FloatArray, near: BoolArray
) -> tuple[FloatArray, FloatArray] | None:
    """Fourier coefficients (1 + 2h, k) of a look and the noise (k,) round it; None where too little is known."""
    phase = 2.0 * np.pi * np.arange(STEPS) * (360.0 / STEPS) / what.period_deg
    # How well a frame's phase within the period is known: 1 for sure, 0 for not at all.
    sureness = np.hypot(chance @ np.cos(phase), chance @ np.sin(phase))
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
    return look, np.maximum(noise, LEAST_NOISE_SHARE * np.nanstd(what.components, axis=0))


def _path(chance: FloatArray, speed: FloatArray) -> FloatArray:
    """Unwrapped angle from the chances; the mean speed tells full turns apart."""
    step_deg = 360.0 / STEPS
    turn = np.exp(2j * np.pi * np.arange(STEPS) / STEPS)
    # The mean of two far-apart guesses is neither: take the neighbourhood of the likeliest one.
    best = chance.argmax(axis=1)
    near = (np.arange(STEPS) - best[:, None] + STEPS // 2) % STEPS - STEPS // 2
    local = np.where(np.abs(near) <= 5, chance, 0.0)
    angle = np.degrees(np.angle(local @ turn))
    change = np.diff(angle) - 0.5 * (speed[1:] + speed[:-1]) * step_deg
    expected = 0.5 * (speed[1:] + speed[:-1]) * step_deg
    steps = (change + 180.0) % 360.0 - 180.0 + expected
    return np.asarray(angle[0] + np.concatenate([[0.0], np.cumsum(steps)]))
