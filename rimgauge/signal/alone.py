"""Whether a path through a run is the only one that there can be, so that no other need be looked for.

A path along which the spokes' look comes back from spoke to spoke, and the gap from turn to turn, is the true one or
its mirror image: one that is warped spoils the spokes' look, and one that is off by spokes the gap. Which of the two
it is the rim's own slide tells, and the mark on its way through the picture.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rimgauge.records import FloatArray
from rimgauge.signal.looks import Look
from rimgauge.signal.place import FASTEST_STEPS, Place, chance_elsewhere
from rimgauge.signal.series import foretold

if TYPE_CHECKING:
    from rimgauge.signal.follow import Evidence

LEAST_FORETOLD = 0.85
"""Share of the variance of each look that the other stretches of the run must foretell: by 0.95 and more on the path that
is right to a degree, in drawn scenes, and by under 0.6 where it isn't."""
GAP_WAVE_DEG, SPOKE_WAVE_DEG = 18.0, 3.0
"""Shortest waves of the looks: a gap changes slowly round the rim, and no path is exact to less than a degree yet."""
WORST_SHARE = 0.05
"""Frames left out of that share: a hand, a knock."""
LARGEST_DOUBT = 0.02
LEAST_SIGHTINGS, AT_MARK_DEG, AT_MARK_SHARE = 3, 6.0, 0.9
LEAST_NATS, MOST_NATS = 100.0, 9.0
"""For the path against its mirror image, in all, where neighbouring frames overstate the odds; and by one move."""


def stands_alone(place: Place, evidence: Evidence, spacing_deg: float) -> bool:
    """Tell whether no other path can explain what was seen, as far as n moments tell.

    spacing_deg: of the spokes; a path may doubt its angle by less than half of it.
    """
    there = np.isfinite(evidence.mark_sd_deg)
    off_deg = (evidence.mark_deg - place.angle_deg + 180.0) % 360.0 - 180.0
    off_deg = np.abs(off_deg[np.isfinite(off_deg)])
    if len(off_deg) < LEAST_SIGHTINGS or float(np.mean(off_deg < AT_MARK_DEG)) < AT_MARK_SHARE:
        return False
    if _nats_for_its_way(place.angle_deg, evidence) < LEAST_NATS:
        return False
    if (
        float(chance_elsewhere(place.chance[there], place.angle_deg[there], spacing_deg).max())
        > LARGEST_DOUBT
    ):
        return False
    gaps, spokes = ([look for look in evidence.looks if _is_gap(look) == which] for which in (True, False))
    return bool(gaps and spokes) and all(
        _share_foretold(look, place.angle_deg) >= LEAST_FORETOLD for look in (*gaps, *spokes)
    )


def _is_gap(look: Look) -> bool:
    return bool(look.components.shape[1] == 1)


def _nats_for_its_way(angle_deg: FloatArray, evidence: Evidence) -> float:
    """How much likelier (a logarithm) a path (n,) is than its mirror image, by slide and mark from moment to moment."""
    went, nats = np.diff(angle_deg), 0.0
    if evidence.by_speed is not None:
        speed = np.clip(np.rint(went), -FASTEST_STEPS, FASTEST_STEPS).astype(np.intp)
        rows = np.arange(1, len(angle_deg))
        seen = np.log(evidence.by_speed)
        nats += float(np.sum(seen[rows, FASTEST_STEPS + speed] - seen[rows, FASTEST_STEPS - speed]))
    moved, variance = (
        np.diff(evidence.mark_deg),
        evidence.mark_sd_deg[1:] ** 2 + evidence.mark_sd_deg[:-1] ** 2,
    )
    by_mark = np.clip(((moved + went) ** 2 - (moved - went) ** 2) / (2.0 * variance), -MOST_NATS, MOST_NATS)
    return nats + float(np.nansum(by_mark))


def _share_foretold(look: Look, angle_deg: FloatArray) -> float:
    """Share of the variance of a look's components along a path (n,) that was foretold, 1 all to 0 none."""
    seen = np.isfinite(look.components).all(axis=1)
    finest_deg = GAP_WAVE_DEG if _is_gap(look) else SPOKE_WAVE_DEG
    missed, whole = foretold(look.components[seen], angle_deg[seen], look.period_deg, finest_deg)
    kept = int((1.0 - WORST_SHARE) * len(missed))
    return 1.0 - float(np.sort(missed)[:kept].sum() / max(np.sort(whole)[:kept].sum(), 1e-12))
