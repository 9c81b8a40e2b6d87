"""Whether a path through a run is the only one that there can be, so that no other need be looked for.

A path along which the spokes' look comes back from spoke to spoke, and the gap from turn to turn, is the true one or
its mirror image: one that is warped spoils the spokes' look, and one that is off by spokes the gap. Which of the two
it is the rim's own slide tells, and the mark on its way through the picture.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rimgauge.errors import PlaceLost
from rimgauge.records import FloatArray, shortest_deg
from rimgauge.signal.looks import Look, explain
from rimgauge.signal.place import FASTEST_STEPS, STEPS, Place, chance_along, chance_elsewhere
from rimgauge.signal.series import foretold, share_foretold

if TYPE_CHECKING:
    from rimgauge.signal.follow import Evidence

LEAST_FORETOLD = 0.8
"""Share of the variance of each look that the other stretches of the run must foretell: 0.8 to 0.98 on the path that is
right to a degree, in drawn and ray-traced films, and under 0.66 where it isn't."""
GAP_WAVE_DEG, SPOKE_WAVE_DEG = 18.0, 3.0
"""Shortest waves of the looks: a gap changes slowly round the rim, and no path is exact to less than a degree yet."""
WORST_SHARE = 0.05
"""Frames left out of that share: a hand, a knock."""
LARGEST_DOUBT = 0.02
LEAST_SIGHTINGS, AT_MARK_DEG, AT_MARK_SHARE = 3, 6.0, 0.9
PARTS, LEAST_NATS_A_PART = 5, 50.0
"""Of a run; in each a path must be so much likelier (a logarithm) than one off by spokes: 79 and more on right ones of drawn
and ray-traced films, −26 where a third of the run was off by one."""
LEAST_NATS, LEAST_NATS_BACKWARD, MOST_NATS = 15.0, 100.0, 9.0
"""For the path against its mirror image, in all, since neighbouring frames overstate the odds; for one backward, since
people roll a wheel forward; and by one sighting."""
LEAST_NATS_FORWARD, LEAST_NATS_MARKED = 6.0, 4.0
"""Of the slide for a path forward (a logarithm): three frames more than speak against it. Of 56 simulated hands those told in
mirror image had none, or 16 against; of those told right seven in eight had 22 and more. Of mark and slide, where there is a mark:
of five even wheels told in mirror image 1.1 at most, of a hand told right 5.4 (a judgement between)."""


def stands_alone(place: Place, evidence: Evidence, spacing_deg: float) -> bool:
    """Tell whether no other path can explain what was seen, as far as n moments tell.

    spacing_deg: of the spokes; a path may doubt its angle by less than half of it.
    """
    there = np.isfinite(evidence.mark_sd_deg)
    off_deg = shortest_deg(evidence.mark_deg - place.angle_deg)
    off_deg = np.abs(off_deg[np.isfinite(off_deg)])
    if len(off_deg) < LEAST_SIGHTINGS or float(np.mean(off_deg < AT_MARK_DEG)) < AT_MARK_SHARE:
        return False
    if not goes_its_way(place.angle_deg, evidence):
        return False
    if (
        float(chance_elsewhere(place.chance[there], place.angle_deg[there], spacing_deg).max())
        > LARGEST_DOUBT
    ):
        return False
    gaps, spokes = ([look for look in evidence.looks if _is_gap(look) == which] for which in (True, False))
    if not (gaps and spokes) or any(
        _told_of(look, place.angle_deg) < LEAST_FORETOLD for look in (*gaps, *spokes)
    ):
        return False
    return _tells_spokes_apart(gaps, spokes, place.angle_deg, spacing_deg)


def _tells_spokes_apart(
    gaps: list[Look], spokes: list[Look], angle_deg: FloatArray, spacing_deg: float
) -> bool:
    """Tell whether in every part of a run the path (n,) is far likelier than one that passed spokes over.

    A part that is off by a spoke or two hardly spoils a smooth gap's look over the whole run, nor the spokes' where all
    of them look alike.
    """
    chance = chance_along(angle_deg)
    by_gap, by_spokes = (
        np.sum([np.log(explain(chance, look)) for look in looks], axis=0) for looks in (gaps, spokes)
    )
    at, moment = np.rint(angle_deg).astype(np.intp), np.arange(len(angle_deg))
    part = np.ones(max(len(angle_deg) // PARTS, 1))
    for passed_over in (-4, -3, -2, -1, 1, 2, 3, 4):
        off = at + round(passed_over * spacing_deg)
        gains = [
            np.convolve(each[moment, at % STEPS] - each[moment, off % STEPS], part, mode="valid")
            for each in (by_gap + by_spokes, by_spokes)
        ]
        if gains[0].min() < LEAST_NATS_A_PART or (abs(passed_over) == 1 and gains[1].min() < LEAST_NATS):
            return False
    return True


def _is_gap(look: Look) -> bool:
    return bool(look.components.shape[1] == 1)


def goes_its_way(
    angle_deg: FloatArray,
    evidence: Evidence,
    least_nats: float = LEAST_NATS,
    least_nats_backward: float = LEAST_NATS_BACKWARD,
) -> bool:
    """Tell whether slide, mark and tags speak clearly for a path (n,) against its mirror image, which looks explain as well.

    least_nats, least_nats_backward: that they say so for a path forward, and for one backward.
    """
    forward = float(angle_deg[-1]) > float(angle_deg[0])
    return _nats_for_its_way(angle_deg, evidence) >= (least_nats if forward else least_nats_backward)


def check_way(angle_deg: FloatArray, evidence: Evidence, *, marked: bool) -> None:
    """Refuse a path (n,) whose mirror image explains what was seen as well: spokes and gap alone don't tell the way.

    A mark that passes does, the rim's slide, and what the rim shows again a turn later; what a person told of the first frame
    doesn't, nor a mark that shows in one frame a turn.

    Raises
    ------
    PlaceLost
    """
    least = (LEAST_NATS_MARKED, LEAST_NATS) if marked else (LEAST_NATS_FORWARD, LEAST_NATS_BACKWARD)
    if goes_its_way(angle_deg, evidence, *least) or evidence.way(angle_deg) > 0:
        return
    if marked:
        raise PlaceLost(
            "it can't be seen which way the wheel turns, for its spokes and its mark would look the same if it turned the "
            "other way; turn it more slowly, so that the mark is seen in several frames as it passes"
        )
    raise PlaceLost(
        "it can't be seen which way the wheel turns, and without a mark nothing else tells it; turn the wheel more "
        "slowly and add light, so that specks on the rim are seen to move on, or put a piece of tape at the valve "
        "and leave --start-spoke out"
    )


def _nats_for_its_way(angle_deg: FloatArray, evidence: Evidence) -> float:
    """How much likelier (a logarithm) a path (n,) is than its mirror image, by the slide, by where the mark is seen and by tags."""
    nats = 0.0
    if evidence.by_speed is not None:
        speed = np.clip(np.rint(np.diff(angle_deg)), -FASTEST_STEPS, FASTEST_STEPS).astype(np.intp)
        rows = np.arange(1, len(angle_deg))
        seen = np.log(evidence.by_speed)
        nats += float(np.sum(seen[rows, FASTEST_STEPS + speed] - seen[rows, FASTEST_STEPS - speed]))
    if evidence.by_tags is not None:
        rows = np.arange(len(angle_deg))
        seen = np.log(np.maximum(evidence.by_tags, np.finfo(np.float64).tiny))
        path, mirrored = (
            seen[rows, np.rint(way * angle_deg * STEPS / 360.0).astype(np.intp) % STEPS] for way in (1, -1)
        )
        nats += float(np.sum(np.clip(path - mirrored, -MOST_NATS, MOST_NATS)))
    at = np.isfinite(evidence.mark_deg)
    path, mirrored = (
        _misfits(evidence.mark_deg[at] - way * angle_deg[at], evidence.mark_sd_deg[at]) for way in (1, -1)
    )
    return nats + float(np.sum(np.clip(mirrored - path, -MOST_NATS, MOST_NATS)))


def _misfits(off_deg: FloatArray, sd_deg: FloatArray) -> FloatArray:
    """Half the squares (k,) of what angles are off by in standard deviations, but for what they have in common."""
    about_deg = np.degrees(np.angle(np.sum(np.exp(1j * np.radians(off_deg)) / sd_deg**2)))
    return np.asarray(0.5 * (shortest_deg(off_deg - about_deg) / sd_deg) ** 2)


def _told_of(look: Look, angle_deg: FloatArray) -> float:
    """Share of the variance of a look's components along a path (n,) that was foretold, 1 all to 0 none."""
    seen = np.isfinite(look.components).all(axis=1)
    finest_deg = GAP_WAVE_DEG if _is_gap(look) else SPOKE_WAVE_DEG
    missed, whole = foretold(look.components[seen], angle_deg[seen], look.period_deg, finest_deg)
    return share_foretold(missed, whole, WORST_SHARE)
