"""Where the wheel is at every moment, coarsely but never lost: a hidden Markov model on a circle.

State: angle on a grid of the full circle, and speed in grid steps a moment, forward or backward. What is seen
comes as likelihoods of each angle, and of each speed; the smoothing goes through all moments forward and back.
Forward–backward smoothing: Rabiner, Proc. IEEE 77 (1989) 257 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rimgauge.records import FloatArray

STEPS = 360
FASTEST_STEPS = 20
"""Fastest turning followed, in steps of a degree a frame: over one and a half turns a second at 30 frames/s."""
SPEEDS = 2 * FASTEST_STEPS + 1
SPEED_CHANGE = (0.69, 0.15, 0.005)
"""Chance that the speed changes by 0, by +1 and by +2 steps from one frame to the next (or by −1 and −2): a
hand's push is a few frames long."""
RELUCTANCE = 1e-3
"""Chance of beginning the other way, or at rest, beside that of the way that is tried."""
LEAST_CHANCE = 1e-4
SPEED_MARGIN = 3
BLOCK = 512
"""Moments whose states are held at once; longer runs are gone through twice, so that memory stays bounded."""

REACH = slice(FASTEST_STEPS, FASTEST_STEPS + STEPS)
"""The circle itself within a row that has both ends wrapped on."""
Grid = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """What is known of each of n moments.

    angle_deg (n,): unwrapped, to grid accuracy. chance (n, STEPS): of each angle. of_speed (n, SPEEDS): of each
    speed from −FASTEST_STEPS up. likelihood: natural logarithm of that of everything seen.
    """

    angle_deg: FloatArray
    chance: FloatArray
    of_speed: FloatArray
    likelihood: float


def likely_speeds(of_speed: FloatArray) -> range:
    """Leave out the speeds that no moment has as much as a small chance of; what is left goes faster."""
    likely = np.flatnonzero(of_speed.max(axis=0) > LEAST_CHANCE) - FASTEST_STEPS
    slowest = max(int(likely[0]) - SPEED_MARGIN, -FASTEST_STEPS)
    return range(slowest, min(int(likely[-1]) + SPEED_MARGIN, FASTEST_STEPS) + 1)


def smooth(by_angle: FloatArray, by_speed: FloatArray, speeds: range, way: int) -> Place:
    """Follow the wheel through all moments.

    Parameters
    ----------
    by_angle : (n, STEPS) likelihood of each angle by what each moment shows.
    by_speed : (n, SPEEDS) likelihood of each speed by what moved since the moment before.
    speeds : that are thought possible.
    way : +1 or −1, which way it begins by preference.
    """
    count = len(by_angle)
    likely = by_angle.astype(np.float32)
    moved = by_speed[:, speeds.start + FASTEST_STEPS : speeds.stop + FASTEST_STEPS].astype(np.float32)
    chance, of_speed = np.empty((count, STEPS)), np.zeros((count, SPEEDS))
    starts = list(range(0, count, BLOCK))
    begins = np.where(np.sign(speeds) * way > 0, 1.0, RELUCTANCE)
    first = [_wrapped(np.outer(begins / begins.sum(), likely[0] / likely[0].sum()))]
    for start in starts[1:]:
        first.append(_forward(first[-1], likely, moved, speeds, range(start - BLOCK + 1, start + 1))[0][-1])
    later = _wrapped(np.ones((len(speeds), STEPS), dtype=np.float32))
    told = float(np.log(likely[0].mean()))
    for start, state in zip(reversed(starts), reversed(first), strict=True):
        frames = range(start + 1, min(start + BLOCK, count - 1) + 1)
        states, foreseen = _forward(state, likely, moved, speeds, frames)
        told += float(np.sum(np.log(foreseen)))
        last = len(states) - 1 if frames.stop == count else BLOCK - 1
        for k in range(start + last, start - 1, -1):
            both = states[k - start, :, REACH] * later[:, REACH]
            total = both.sum()
            chance[k] = both.sum(axis=0) / total
            of_speed[k, speeds.start + FASTEST_STEPS : speeds.stop + FASTEST_STEPS] = both.sum(axis=1) / total
            later[:, REACH] *= moved[k][:, None] * (likely[k] / later[:, REACH].mean())
            _wrap(later)
            later = _change_speed(_wrapped(_turned(later, -1, speeds)))
    speed = of_speed @ np.arange(-FASTEST_STEPS, FASTEST_STEPS + 1)
    return Place(_path(chance, speed), chance, of_speed, told)


def _forward(
    state: Grid, likely: Grid, by_speed: Grid, speeds: range, frames: range
) -> tuple[Grid, FloatArray]:
    """Chances of (speed, angle) given what was seen so far: of the start and of each following frame.

    Also how likely each following frame was before it was seen.
    """
    result = np.empty((len(frames) + 1, *state.shape), dtype=np.float32)
    foreseen = np.empty(len(frames))
    result[0] = state
    for place, k in enumerate(frames, start=1):
        state = result[place]
        state[:, REACH] = _turned(_change_speed(result[place - 1]), 1, speeds)
        state[:, REACH] *= by_speed[k][:, None] * likely[k]
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
