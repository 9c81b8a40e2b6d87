"""Where the wheel is at every moment, coarsely but never lost: a hidden Markov model on a circle.

State: angle on a grid of the full circle, and speed in grid steps a moment, forward or backward. What is seen
comes as likelihoods of each angle, and of each speed; the smoothing goes through all moments forward and back.
Forward–backward smoothing: Rabiner, Proc. IEEE 77 (1989) 257 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rimgauge.records import FloatArray, shortest_deg

STEPS = 360
GRID_DEG: FloatArray = np.arange(STEPS) * np.float64(360.0 / STEPS)
"""The angles (STEPS,) that chances are kept of."""
FASTEST_STEPS = 20
"""Fastest turning followed, in steps of a degree a frame: over one and a half turns a second at 30 frames/s."""
SPEEDS = 2 * FASTEST_STEPS + 1
SPEED_CHANGE = (0.69, 0.15, 0.005, *(3e-4,) * 6)
"""Chance that the speed changes by 0, by +1, by +2 steps and more from one frame to the next (or by −1 and so on): a
hand's push is a few frames long, and a hand that stops a fast wheel changes its speed by half in a frame or two."""
RELUCTANCE = 1e-3
"""Chance of beginning the other way, or at rest, beside that of the way that is tried."""
LEAST_CHANCE = 1e-4
LOST = np.float32(1e-25)
"""Chance of being anywhere: what was seen before and what is seen later must not exclude each other altogether."""
FAINTEST, LEAST_LIKELY = 1e-300, 1e-9
"""Of a likelihood itself, and beside that of the likeliest angle."""
SPEED_MARGIN, COURSE_SD_DEG = 3, 0.7
NEAR_STEPS = 5
MOST_STATES = 16_000_000
"""Chances held at once, of all moments' states; longer runs are gone through twice, so that memory stays bounded."""
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


def chance_along(angle_deg: FloatArray) -> FloatArray:
    """Chance (n, STEPS) of each angle where a course (n,) is known."""
    off = shortest_deg(GRID_DEG - angle_deg[:, None])
    chance = np.exp(-0.5 * (off / COURSE_SD_DEG) ** 2)
    return np.asarray(chance / chance.sum(axis=1)[:, None])


def chance_elsewhere(chance: FloatArray, angle_deg: FloatArray, spacing_deg: float) -> FloatArray:
    """Chance (n,) by those (n, STEPS) of each angle that the wheel is a spoke or more from where angles (n,) say."""
    off = np.abs(shortest_deg(GRID_DEG - angle_deg[:, None]))
    return np.asarray(np.sum(np.where(off > 0.5 * spacing_deg + 1.0, chance, 0.0), axis=1))


def strays_deg(chance: FloatArray, angle_deg: FloatArray) -> FloatArray:
    """How far (n,) by those (n, STEPS) of each angle the wheel is from angles (n,), root mean square, beyond a step of the grid."""
    off = np.abs(shortest_deg(GRID_DEG - angle_deg[:, None]))
    beyond = np.maximum(off - 360.0 / STEPS, 0.0)
    return np.asarray(np.sqrt(np.sum(chance * beyond**2, axis=1)))


def likely_speeds(of_speed: FloatArray) -> range:
    """Leave out the speeds that no moment has as much as a small chance of; what is left goes faster."""
    likely = np.flatnonzero(of_speed.max(axis=0) > LEAST_CHANCE) - FASTEST_STEPS
    return near_speeds(float(likely[0]), float(likely[-1]))


def near_speeds(slowest: float, fastest: float) -> range:
    """Speeds between two, in steps a moment, and a few more on either side."""
    first = max(math.floor(slowest) - SPEED_MARGIN, -FASTEST_STEPS)
    return range(
        min(first, FASTEST_STEPS),
        max(min(math.ceil(fastest) + SPEED_MARGIN, FASTEST_STEPS), -FASTEST_STEPS) + 1,
    )


def steady_speeds(by_speed: FloatArray) -> FloatArray:
    """Speeds (n,) in steps a moment by likelihoods (n, SPEEDS) of each alone, wherever the wheel is: their means."""
    law, state, later = _law(SPEEDS), np.ones(SPEEDS), np.ones(SPEEDS)
    chance = np.empty_like(by_speed)
    for k, seen in enumerate(by_speed):
        state = (law @ state) * seen
        state /= state.sum()
        chance[k] = state
    for k in range(len(by_speed) - 1, -1, -1):
        chance[k] *= later
        later = law @ (later * by_speed[k])
        later /= later.sum()
    return np.asarray(chance @ np.arange(-FASTEST_STEPS, FASTEST_STEPS + 1) / chance.sum(axis=1))


def _law(speeds: int) -> FloatArray:
    """Chance (speeds, speeds) of each change of speed from one moment to the next."""
    change = np.abs(np.subtract.outer(np.arange(speeds), np.arange(speeds)))
    return np.append(SPEED_CHANGE, 0.0)[np.minimum(change, len(SPEED_CHANGE))]


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
    rows = slice(speeds.start + FASTEST_STEPS, speeds.stop + FASTEST_STEPS)
    # Single precision: a moment that nothing explains must not leave it.
    peak = np.maximum(by_angle.max(axis=1), FAINTEST)
    likely = np.maximum(by_angle / peak[:, None], LEAST_LIKELY).astype(np.float32)
    moved = by_speed[:, rows].astype(np.float32)
    chance, of_speed = np.empty((count, STEPS)), np.zeros((count, SPEEDS))
    walk = _Walk.over(speeds)
    begins = np.where(np.sign(speeds) * way > 0, 1.0, RELUCTANCE)
    first = [np.outer(begins / begins.sum(), likely[0] / likely[0].sum()).astype(np.float32)]
    long = max(1, MOST_STATES // (len(speeds) * STEPS))
    starts = list(range(0, count, long))
    for start in starts[1:]:
        before = slice(start - long + 1, start + 1)
        first.append(walk.forward(first[-1], likely[before], moved[before])[0][-1].copy())
    later = np.ones((len(speeds), STEPS), dtype=np.float32)
    told = float(np.log(likely[0].mean()) + np.sum(np.log(peak)))
    for start, state in zip(reversed(starts), reversed(first), strict=True):
        # With the first moment of the block after, which was seen to already.
        block = slice(start + 1, min(start + long + 1, count))
        states, foreseen = walk.forward(state, likely[block], moved[block])
        told += float(np.sum(np.log(foreseen)))
        later = walk.back(states, later, likely[block], moved[block])
        by_row = states @ np.ones(STEPS, dtype=np.float32)
        total = by_row.sum(axis=1)[:, None]
        of_speed[start : block.stop, rows] = by_row / total
        chance[start : block.stop] = np.matmul(np.ones(len(speeds), dtype=np.float32), states) / total
    speed = of_speed @ np.arange(-FASTEST_STEPS, FASTEST_STEPS + 1)
    return Place(_path(chance, speed), chance, of_speed, told)


@dataclass(frozen=True, slots=True, eq=False)
class _Walk:
    """From moment to moment: the chance of each change of speed, and each speed's own step round the circle.

    law (speeds, speeds). wide: room for the chances (speeds, angles) with both ends of the circle wrapped on; circle:
    the view of it without them. wraps: views of its ends, and of what stands in them.
    moved_on, moved_back: views (speeds, STEPS) of it, every row moved on or back by its own speed: a stride one shorter
    or longer than a row reads each row a step further on than the one before.
    """

    law: Grid
    circle: Grid
    wraps: tuple[tuple[Grid, Grid], ...]
    moved_on: Grid
    moved_back: Grid

    @classmethod
    def over(cls, speeds: range) -> _Walk:
        wide = np.zeros((len(speeds), STEPS + 2 * FASTEST_STEPS), dtype=np.float32)
        row, step = wide.strides
        moved_on, moved_back = (
            np.lib.stride_tricks.as_strided(
                wide[0, FASTEST_STEPS - way * speeds.start :], (len(wide), STEPS), (row - way * step, step)
            )
            for way in (1, -1)
        )
        wraps = (
            (wide[:, :FASTEST_STEPS], wide[:, STEPS : STEPS + FASTEST_STEPS]),
            (wide[:, -FASTEST_STEPS:], wide[:, FASTEST_STEPS : 2 * FASTEST_STEPS]),
        )
        return cls(_law(len(speeds)).astype(np.float32), wide[:, REACH], wraps, moved_on, moved_back)

    def forward(self, state: Grid, likely: Grid, moved: Grid) -> tuple[Grid, FloatArray]:
        """Chances of (speed, angle) given what was seen so far, but for a factor: of the start and of each following moment.

        Also how likely each following moment was before it was seen.
        """
        states = np.empty((len(likely) + 1, *state.shape), dtype=np.float32)
        foreseen = np.empty(len(likely))
        states[0] = state
        flat, ones = states.reshape(len(states), -1), np.ones(state.size, dtype=np.float32)
        before = float(flat[0] @ ones)
        for k, at_angle in enumerate(likely):
            # A row keeps its speed as it moves on, so that the speed's likelihood may come first.
            law = self.law * (moved[k] * np.float32(1.0 / before))[:, None]
            np.matmul(law, states[k], out=self.circle)
            self._wrap()
            np.multiply(self.moved_on, at_angle, out=states[k + 1])
            foreseen[k] = before = float(flat[k + 1] @ ones)
            flat[k + 1] += LOST * np.float32(before)
        return states, foreseen

    def back(self, states: Grid, later: Grid, likely: Grid, moved: Grid) -> Grid:
        """Multiply the states by how likely what is seen later is from each, but for a factor, and give that of the first.

        later: that of the last state.
        """
        later, ones = later.copy(), np.ones(later.size, dtype=np.float32)
        flat = later.reshape(-1)
        states[-1] *= later
        for k in range(len(likely) - 1, -1, -1):
            law = self.law * (moved[k] * np.float32(STEPS / float(flat @ ones)))
            np.multiply(later, likely[k], out=self.circle)
            self._wrap()
            np.matmul(law, self.moved_back, out=later)
            later += LOST
            states[k] *= later
        return later

    def _wrap(self) -> None:
        for end, inside in self.wraps:
            end[...] = inside


def _path(chance: FloatArray, speed: FloatArray) -> FloatArray:
    """Unwrapped angle from the chances; the mean speed tells full turns apart."""
    step_deg = 360.0 / STEPS
    turn = np.exp(2j * np.pi * np.arange(STEPS) / STEPS)
    # The mean of two far-apart guesses is neither: take the neighbourhood of the likeliest one.
    best = chance.argmax(axis=1)
    near = (best[:, None] + np.arange(-NEAR_STEPS, NEAR_STEPS + 1)) % STEPS
    angle = np.degrees(np.angle(np.sum(np.take_along_axis(chance, near, axis=1) * turn[near], axis=1)))
    change = np.diff(angle) - 0.5 * (speed[1:] + speed[:-1]) * step_deg
    expected = 0.5 * (speed[1:] + speed[:-1]) * step_deg
    steps = shortest_deg(change) + expected
    return np.asarray(angle[0] + np.concatenate([[0.0], np.cumsum(steps)]))
