"""Follow the wheel through a run from several starts, and keep the likeliest.

What the spokes look like at each angle is learnt along with the angle: expectation and maximisation
(Dempster, Laird and Rubin, J. R. Statist. Soc. B 39 (1977) 1; from memory). It settles where it began, so it
begins from more than one place: from the mark and the rim's own slide alone, and from the spokes taken as a
lattice, at several offsets because a spoke leans; each once as if the wheel rolled forward and once backward.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from rimgauge.records import FloatArray, shortest_deg
from rimgauge.signal.alone import stands_alone
from rimgauge.signal.its_way import doubles
from rimgauge.signal.looks import Look, explain
from rimgauge.signal.place import (
    FASTEST_STEPS,
    GRID_DEG,
    SPEEDS,
    STEPS,
    Place,
    chance_along,
    likely_speeds,
    near_speeds,
    smooth,
    steady_speeds,
)
from rimgauge.signal.slid import path_by_mark, path_by_slide

EVERY_SPEED = range(-FASTEST_STEPS, FASTEST_STEPS + 1)
CLEAR_ROUNDS, LEAST_ROUNDS, MOST_ROUNDS = 2, 3, 8
STAYS_DEG = 0.3
SLIDE_COUNTS = 0.25
"""A slide's likelihood counts by this power when paths are judged: a likeness by chance, or a hand at rest, must
not decide."""
HOPELESS = 250.0
"""Likelihood [nats] by which a path that is half learnt must not lag behind the best one."""
BACKWARD = 0.1
"""Chance that a whole run is rolled backward: a judgement. It alone does not decide (LEAST_LIKELIER in doubt.py)."""
OTHER_WAY = 100.0
"""Likelihood [nats] that a path loses where the rim shows that the wheel turned the other way: more than looks overstate
(LEAST_LIKELIER_BACKWARD in doubt.py)."""
MARK_FLOOR = 1e-6
SLID_SD_DEG = 4.0
"""Of a path by the slide, midway between two sightings of the mark (a judgement)."""
HIDDEN = 0.05
"""Chance that the mark isn't seen where it should be."""
SAME_SHARE = 0.98
"""Two paths are one when they name the same spokes at this share of the moments."""


def _not_shown(_: FloatArray, __: FloatArray) -> int:
    return 0


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """What each of n evenly spaced moments shows.

    mark_deg, mark_sd_deg (n,): angle by the mark and its standard deviation, NaN where it isn't seen.
    hidden_deg: half-width round 0 in which the mark would have been seen.
    looks: what else changes with the angle: the spokes, which look the same after a few of them, and the gap
    itself, which looks the same after a full turn.
    lattices: gives, when asked, likelihoods (n, STEPS) by the spokes' lattice, one an offset that is tried.
    slid_deg (n,): how far the wheel turned since the moment before by the rim's own slide, NaN where that is unclear.
    by_speed: likelihood (n, SPEEDS) of each speed by it.
    by_tags: likelihood (n, STEPS) of each angle by numbered tags, or by what was told of the start.
    way: tells, when asked, whether what the rim shows again says that the wheel went as along a path (n,), 1, as along another
    (n,), −1, or neither, 0.
    """

    mark_deg: FloatArray
    mark_sd_deg: FloatArray
    hidden_deg: float
    looks: tuple[Look, ...] = ()
    lattices: Callable[[], tuple[FloatArray, ...]] = tuple
    slid_deg: FloatArray | None = None
    by_speed: FloatArray | None = None
    by_tags: FloatArray | None = None
    way: Callable[[FloatArray, FloatArray], int] = _not_shown


@dataclass(frozen=True, slots=True, eq=False)
class Rival:
    """Another path that learning settled on: its angle (n,) and how likely it is, as a Place's."""

    angle_deg: FloatArray
    likelihood: float


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """The likeliest path that learning settled on, and the others; alone: no others were looked for."""

    place: Place
    rivals: list[Rival]
    alone: bool


def follow(evidence: Evidence, spacing_deg: float) -> Followed:
    """Follow the wheel through all moments.

    Other paths are looked for unless the first stands alone; that is the rim's slide laid from mark to mark, where
    there is one.

    spacing_deg: of the spokes; paths that differ by less than half of it are one.
    """
    slid_deg = _slid(evidence)
    if slid_deg is not None:
        place = reconsider(evidence, slid_deg)
        if stands_alone(place, evidence, spacing_deg):
            return Followed(place, [], alone=True)
    best: Place | None = None
    paths: list[Rival] = []
    for start in itertools.chain(_starts(evidence, slid_deg, spacing_deg), _the_other_way(paths, evidence)):
        least = -math.inf if best is None else best.likelihood - HOPELESS
        settled, alone = _settle(
            start,
            evidence,
            least,
            lambda path: any(_same(path, each.angle_deg, spacing_deg) for each in paths),
            lambda place: not paths and stands_alone(place, evidence, spacing_deg),
        )
        if settled is None:
            continue
        if alone:
            return Followed(settled, [], alone=True)
        if settled.likelihood < least:
            # Half learnt: the same path begun better may not be hopeless.
            continue
        place = _expected(settled, evidence)
        # Of the others only the paths are kept: the chances of a long run fill much memory.
        paths.append(Rival(place.angle_deg, place.likelihood))
        if best is None or place.likelihood > best.likelihood:
            best = place
    assert best is not None
    return Followed(best, [path for path in paths if path.angle_deg is not best.angle_deg], alone=False)


def _the_other_way(paths: list[Rival], evidence: Evidence) -> Iterator[Start]:
    """The doubles of the likeliest path by then, unless mark, slide or rim tell the way: looks explain them as well."""
    angle_deg = max(paths, key=lambda path: path.likelihood).angle_deg
    for other_deg in doubles(angle_deg, evidence):
        if evidence.way(angle_deg, other_deg) <= 0:
            yield _start_near(other_deg, mark_likelihood(evidence), np.ones((len(angle_deg), SPEEDS)))


def _start_near(path_deg: FloatArray, by_mark: FloatArray, by_speed: FloatArray) -> Start:
    """Begin near a path (n,), by likelihoods of the mark and of speed."""
    way = 1 if path_deg[-1] >= path_deg[0] else -1
    return Start(smooth(by_mark * _near(path_deg), by_speed, EVERY_SPEED, way), by_speed, None)


def _slid(evidence: Evidence) -> FloatArray | None:
    """The rim's slide laid from mark to mark: a path (n,), None where there is none."""
    if evidence.slid_deg is None or evidence.by_speed is None:
        return None
    return path_by_slide(evidence.slid_deg, evidence.mark_deg, steady_speeds(evidence.by_speed))


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """A path to begin learning from, and by which likelihoods of speed, and of angle by the lattice, it was found."""

    place: Place
    by_speed: FloatArray
    lattice: FloatArray | None


def _starts(evidence: Evidence, slid_deg: FloatArray | None, spacing_deg: float) -> Iterator[Start]:
    """The slide's own path, and paths by the mark with and without slide and lattice, begun either way; each only once.

    At last the even path from mark to mark.
    """
    by_mark = mark_likelihood(evidence)
    any_speed = np.ones((len(by_mark), SPEEDS))
    speeds = (any_speed,) if evidence.by_speed is None else (evidence.by_speed, any_speed)
    begun_deg: list[FloatArray] = []
    if slid_deg is not None:
        first = _start_near(slid_deg, by_mark, speeds[0])
        begun_deg.append(first.place.angle_deg)
        yield first
    for by_speed, lattice, way in _ways(evidence, speeds):
        likely = by_mark if lattice is None else by_mark * lattice
        place = smooth(likely, by_speed, EVERY_SPEED, way)
        if not any(_same(place.angle_deg, other, spacing_deg) for other in begun_deg):
            begun_deg.append(place.angle_deg)
            yield Start(place, by_speed, lattice)
    # Where a wheel turns so evenly that each turn shows what the last one did, a course that is warped alike in each fits too, and
    # learning may never come from it to the even one.
    even_deg = path_by_mark(evidence.mark_deg)
    if even_deg is not None:
        yield _start_near(even_deg, by_mark, speeds[0])


def _ways(
    evidence: Evidence, speeds: tuple[FloatArray, ...]
) -> Iterator[tuple[FloatArray, FloatArray | None, int]]:
    """By which likelihoods of speed, and of angle by the lattice, and which way a path may be begun."""
    # The lattices take time, and are seldom needed.
    yield speeds[0], None, 1
    yield from list(itertools.product(speeds, (None, *evidence.lattices()), (1, -1)))[1:]


def _near(path_deg: FloatArray) -> FloatArray:
    """Likelihood (n, STEPS) of each angle by a path (n,) that the slide tells."""
    off = shortest_deg(GRID_DEG - path_deg[:, None])
    return np.asarray(np.exp(-0.5 * (off / SLID_SD_DEG) ** 2) + MARK_FLOOR)


def start_by_mark(evidence: Evidence) -> Start:
    """Begin by the mark and the rim's slide alone."""
    by_speed = slide_likelihood(evidence)
    return Start(smooth(mark_likelihood(evidence), by_speed, EVERY_SPEED, 1), by_speed, None)


def along(start: Start, angle_deg: FloatArray) -> Start:
    """Begin along a known path (n,) instead."""
    return replace(start, place=replace(start.place, angle_deg=angle_deg, chance=chance_along(angle_deg)))


def settled(start: Start, evidence: Evidence, least: float = -math.inf) -> Place:
    """Path that learning settles on; one that is hopelessly less likely than least is left half learnt."""
    place, _ = _settle(start, evidence, least - HOPELESS, lambda _: False, lambda _: False)
    assert place is not None
    return place


def reconsider(evidence: Evidence, angle_deg: FloatArray, *, once: bool = False) -> Place:
    """Follow the wheel once more by what is learnt along a known course (n,), at all moments.

    What the looks are along the course, and whether another place would explain some moments better. once: what a
    wheel at rest shows again and again counts once.
    """
    chance = chance_along(angle_deg)
    likely = mark_likelihood(evidence)
    for look in evidence.looks:
        likely = likely * explain(chance, look, once=once)
    steps = np.diff(angle_deg)
    speeds = near_speeds(float(steps.min()), float(steps.max()))
    return smooth(likely, slide_likelihood(evidence), speeds, 1 if steps[0] >= 0.0 else -1)


def _expected(place: Place, evidence: Evidence) -> Place:
    """Weigh in that people roll a wheel forward, as they are asked to, and seldom backward through a whole run.

    Where spokes pass at nearly one a frame, a path and its mirror image explain spokes, gap and mark equally well. Where the
    rim shows what it showed a turn ago, that tells them apart.
    """
    backward = float(place.angle_deg[-1]) < float(place.angle_deg[0])
    weighed = math.log(BACKWARD if backward else 1.0 - BACKWARD)
    if evidence.way(place.angle_deg, -place.angle_deg) < 0:
        weighed -= OTHER_WAY
    return replace(place, likelihood=place.likelihood + weighed)


def _settle(
    start: Start,
    evidence: Evidence,
    least: float,
    is_known: Callable[[FloatArray], bool],
    is_alone: Callable[[Place], bool],
) -> tuple[Place | None, bool]:
    """Learn the looks and follow again until the path stays as it is, or stands alone; None where that is a known path.

    Each stretch of the run is followed, and judged, by looks learnt from all others. All starts are judged by the
    same: the mark, the looks, and the rim's own slide, of which less is thought.

    least: a path less likely than that after a few rounds isn't worth more of them, nor being judged.
    """
    place, by_mark = start.place, mark_likelihood(evidence)
    way = 1 if float(place.of_speed[0] @ np.array(EVERY_SPEED)) >= 0.0 else -1
    for done in range(1, MOST_ROUNDS + 1):
        before_deg = place.angle_deg
        chance = _anchored(place, evidence.mark_deg)
        likely = by_mark if start.lattice is None or done >= LEAST_ROUNDS else by_mark * start.lattice
        for look in evidence.looks:
            likely = likely * explain(chance, look)
        place = smooth(likely, start.by_speed, likely_speeds(place.of_speed), way)
        if done > 1 and is_known(place.angle_deg):
            return None, False
        if done >= CLEAR_ROUNDS and is_alone(place):
            return place, True
        if done >= LEAST_ROUNDS and place.likelihood < least:
            return place, False
        if done >= LEAST_ROUNDS and float(np.abs(place.angle_deg - before_deg).max()) < STAYS_DEG:
            break
    judged = smooth(likely, slide_likelihood(evidence) ** SLIDE_COUNTS, likely_speeds(place.of_speed), way)
    return replace(place, likelihood=judged.likelihood), False


def _anchored(place: Place, mark_deg: FloatArray) -> FloatArray:
    """Chances (n, STEPS) of a path, turned as a whole to where the mark was seen.

    Looks learnt along a path that is off by the same everywhere hold it there, and learning alone hardly gets it back.
    """
    off = shortest_deg(mark_deg - place.angle_deg)
    seen = np.isfinite(off)
    if not seen.any():
        return place.chance
    return np.roll(place.chance, round(float(np.median(off[seen])) * STEPS / 360.0), axis=1)


def _same(one_deg: FloatArray, other_deg: FloatArray, spacing_deg: float) -> bool:
    off = np.abs(shortest_deg(one_deg - other_deg))
    return float(np.mean(off < 0.5 * spacing_deg)) >= SAME_SHARE


def slide_likelihood(evidence: Evidence) -> FloatArray:
    """Likelihood (n, SPEEDS) of each speed by the rim's own slide, 1 where it isn't looked at."""
    return np.ones((len(evidence.mark_deg), SPEEDS)) if evidence.by_speed is None else evidence.by_speed


def mark_likelihood(evidence: Evidence) -> FloatArray:
    """Likelihood (n, STEPS) of each angle by the mark, seen or not seen, and by the tags."""
    seen = np.isfinite(evidence.mark_deg)
    result = np.ones((len(seen), STEPS))
    beside = np.abs(shortest_deg(GRID_DEG)) < evidence.hidden_deg
    has_frame = np.isfinite(evidence.mark_sd_deg)
    result[np.ix_(~seen & has_frame, beside)] = HIDDEN
    off = shortest_deg(GRID_DEG - evidence.mark_deg[seen, None])
    result[seen] = np.exp(-0.5 * (off / evidence.mark_sd_deg[seen, None]) ** 2) + MARK_FLOOR
    return result if evidence.by_tags is None else result * evidence.by_tags
