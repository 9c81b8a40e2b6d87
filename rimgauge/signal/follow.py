"""Follow the wheel through a run from several starts, and keep the likeliest.

What the spokes look like at each angle is learnt along with the angle: expectation and maximisation
(Dempster, Laird and Rubin, J. R. Statist. Soc. B 39 (1977) 1; from memory). It settles where it began, so it
begins from more than one place: from the mark and the rim's own slide alone, and from the spokes taken as a
lattice, at several offsets because a spoke leans; each once as if the wheel rolled forward and once backward.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from rimgauge.records import FloatArray
from rimgauge.signal.looks import Look, learn_look, look_likelihood
from rimgauge.signal.place import FASTEST_STEPS, SPEEDS, STEPS, Place, likely_speeds, smooth

EVERY_SPEED = range(-FASTEST_STEPS, FASTEST_STEPS + 1)
ROUNDS = 3
BACKWARD = 0.1
"""Chance that a whole run is rolled backward: a judgement. It alone does not decide (LEAST_LIKELIER in turning.py)."""
MARK_FLOOR = 1e-6
HIDDEN = 0.05
"""Chance that the mark isn't seen where it should be."""
SAME_SHARE = 0.98
"""Two paths are one when they name the same spokes at this share of the moments."""


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """What each of n evenly spaced moments shows.

    mark_deg, mark_sd_deg (n,): angle by the mark and its standard deviation, NaN where it isn't seen.
    hidden_deg: half-width round 0 in which the mark would have been seen.
    looks: what else changes with the angle: the spokes, which look the same after a few of them, and the gap
    itself, which looks the same after a full turn.
    lattices: likelihoods (n, STEPS) by the spokes' lattice, one an offset that is tried.
    by_speed: likelihood (n, SPEEDS) of each speed by the rim's own slide.
    by_tags: likelihood (n, STEPS) of each angle by numbered tags.
    """

    mark_deg: FloatArray
    mark_sd_deg: FloatArray
    hidden_deg: float
    looks: tuple[Look, ...] = ()
    lattices: tuple[FloatArray, ...] = ()
    by_speed: FloatArray | None = None
    by_tags: FloatArray | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Rival:
    """Another path that learning settled on: its angle (n,) and how likely it is, as a Place's."""

    angle_deg: FloatArray
    likelihood: float


def follow(evidence: Evidence, spacing_deg: float) -> tuple[Place, list[Rival]]:
    """Follow the wheel through all moments.

    spacing_deg: of the spokes; paths that differ by less than half of it are one.

    Returns
    -------
    The likeliest path that learning settled on, and the others.
    """
    by_mark = mark_likelihood(evidence)
    any_speed = np.ones((len(by_mark), SPEEDS))
    begun_deg: list[FloatArray] = []
    best: Place | None = None
    paths: list[Rival] = []
    for by_speed in (any_speed,) if evidence.by_speed is None else (evidence.by_speed, any_speed):
        for lattice in (None, *evidence.lattices):
            likely = by_mark if lattice is None else by_mark * lattice
            for way in (1, -1):
                begun = smooth(likely, by_speed, EVERY_SPEED, way)
                if any(_same(begun.angle_deg, other, spacing_deg) for other in begun_deg):
                    continue
                begun_deg.append(begun.angle_deg)
                place = _expected(_settle(begun, lattice, by_speed, by_mark, evidence.looks))
                # Of the others only the paths are kept: the chances of a long run fill much memory.
                paths.append(Rival(place.angle_deg, place.likelihood))
                if best is None or place.likelihood > best.likelihood:
                    best = place
    assert best is not None
    return best, [path for path in paths if path.angle_deg is not best.angle_deg]


def _expected(place: Place) -> Place:
    """Weigh in that people roll a wheel forward, as they are asked to, and seldom backward through a whole run.

    Where spokes pass at nearly one a frame, a path and its mirror image explain all that is seen equally well.
    """
    backward = float(place.angle_deg[-1]) < float(place.angle_deg[0])
    return replace(place, likelihood=place.likelihood + math.log(BACKWARD if backward else 1.0 - BACKWARD))


def _settle(
    place: Place,
    lattice: FloatArray | None,
    by_speed: FloatArray,
    by_mark: FloatArray,
    looks: tuple[Look, ...],
) -> Place:
    """Learn the looks and follow again, a few times.

    The likelihood is by the mark and the looks alone, so that all starts are judged by the same.
    """
    way = 1 if float(place.of_speed[0] @ np.array(EVERY_SPEED)) >= 0.0 else -1
    for left in range(ROUNDS - 1, -1, -1):
        likely = by_mark * lattice if left and lattice is not None else by_mark
        for look in looks:
            learnt = learn_look(place.chance, look)
            if learnt is not None:
                likely = likely * look_likelihood(look.components, learnt)
        place = smooth(likely, by_speed, likely_speeds(place.of_speed), way)
    judged = smooth(likely, np.ones_like(by_speed), likely_speeds(place.of_speed), way)
    return replace(place, likelihood=judged.likelihood)


def _same(one_deg: FloatArray, other_deg: FloatArray, spacing_deg: float) -> bool:
    off = np.abs((one_deg - other_deg + 180.0) % 360.0 - 180.0)
    return float(np.mean(off < 0.5 * spacing_deg)) >= SAME_SHARE


def mark_likelihood(evidence: Evidence) -> FloatArray:
    """Likelihood (n, STEPS) of each angle by the mark, seen or not seen, and by the tags."""
    angle = np.arange(STEPS) * (360.0 / STEPS)
    seen = np.isfinite(evidence.mark_deg)
    result = np.ones((len(seen), STEPS))
    beside = np.abs((angle + 180.0) % 360.0 - 180.0) < evidence.hidden_deg
    has_frame = np.isfinite(evidence.mark_sd_deg)
    result[np.ix_(~seen & has_frame, beside)] = HIDDEN
    off = (angle - evidence.mark_deg[seen, None] + 180.0) % 360.0 - 180.0
    result[seen] = np.exp(-0.5 * (off / evidence.mark_sd_deg[seen, None]) ** 2) + MARK_FLOOR
    return result if evidence.by_tags is None else result * evidence.by_tags
