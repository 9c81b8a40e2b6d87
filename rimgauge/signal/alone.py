"""Whether a path through a run is the only one that there can be, so that no other need be looked for.

A path along which the spokes' look comes back from spoke to spoke, and the gap from turn to turn, is the true one or
its mirror image: one that is warped spoils the spokes' look, and one that is off by spokes the gap. Which of the two
it is the rim's own slide tells, and the mark on its way through the picture.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rimgauge.records import FloatArray, shortest_deg
from rimgauge.signal.its_way import goes_its_way, is_gap, told_of
from rimgauge.signal.looks import Look, explain
from rimgauge.signal.place import STEPS, Place, chance_along, chance_elsewhere

if TYPE_CHECKING:
    from rimgauge.signal.follow import Evidence

LEAST_FORETOLD = 0.8
"""Share of the variance of each look that the other stretches of the run must foretell: 0.8 to 0.98 on the path that is
right to a degree, in drawn and ray-traced films, and under 0.66 where it isn't."""
LARGEST_DOUBT = 0.02
LEAST_SIGHTINGS, AT_MARK_DEG, AT_MARK_SHARE = 3, 6.0, 0.9
PARTS, LEAST_NATS_A_PART = 5, 50.0
"""Of a run; in each a path must be so much likelier (a logarithm) than one off by spokes: 79 and more on right ones of drawn
and ray-traced films, −26 where a third of the run was off by one."""
LEAST_NATS = 15.0
"""By so much must the spokes alone speak against a path off by one."""


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
    gaps, spokes = ([look for look in evidence.looks if is_gap(look) == which] for which in (True, False))
    if not (gaps and spokes) or any(
        told_of(look, place.angle_deg) < LEAST_FORETOLD for look in (*gaps, *spokes)
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
