"""Which way the wheel turns: whether anything but the looks speaks against a path's doubles, which explain those as well.

One is its mirror image. Where a turn takes nearly a whole number of frames another is the path that goes the other way round
from each pass of the mark to the next: by 359° backward for 361° forward.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rimgauge.errors import PlaceLost
from rimgauge.records import FloatArray, IntArray, shortest_deg
from rimgauge.signal.looks import Look
from rimgauge.signal.place import FASTEST_STEPS, STEPS
from rimgauge.signal.series import foretold, share_foretold

if TYPE_CHECKING:
    from rimgauge.signal.follow import Evidence

LEAST_NATS, LEAST_NATS_BACKWARD, MOST_NATS = 15.0, 100.0, 9.0
"""For the path against its mirror image, in all, since neighbouring frames overstate the odds; for one backward, since
people roll a wheel forward; and by one sighting."""
LEAST_NATS_FORWARD, LEAST_NATS_MARKED = 6.0, 4.0
"""Of the slide for a path forward (a logarithm): three frames more than speak against it. Of 56 simulated hands those told in
mirror image had none, or 16 against; of those told right seven in eight had 22 and more. Of mark and slide, where there is a mark:
of five even wheels told in mirror image 1.1 at most, of a hand told right 5.4 (a judgement between)."""
GAP_WAVE_DEG, SPOKE_WAVE_DEG = 18.0, 3.0
"""Shortest waves of the looks: a gap changes slowly round the rim, and no path is exact to less than a degree yet."""
WORST_SHARE = 0.05
"""Frames left out of the share that is foretold: a hand, a knock."""
AS_WELL = 2.0
"""Looks explain a double as well if no more than so many times as much of their variance is left untold."""
FAR_TURNS = 1e4
"""Farther than any run goes: before the first pass and after the last a double goes on as between them."""


def goes_its_way(
    angle_deg: FloatArray,
    evidence: Evidence,
    least_nats: float = LEAST_NATS,
    least_nats_backward: float = LEAST_NATS_BACKWARD,
) -> bool:
    """Tell whether slide, mark and tags speak clearly for a path (n,) against each of its doubles."""
    return not doubles(angle_deg, evidence, least_nats, least_nats_backward)


def check_way(angle_deg: FloatArray, evidence: Evidence, *, marked: bool) -> None:
    """Refuse a path (n,) that has a double: spokes and gap alone don't tell the way.

    A mark that passes does, the rim's slide, and what the rim shows again a turn later; what a person told of the first frame
    doesn't, nor a mark that shows in one frame a turn.

    Raises
    ------
    PlaceLost
    """
    least = (LEAST_NATS_MARKED, LEAST_NATS) if marked else (LEAST_NATS_FORWARD, LEAST_NATS_BACKWARD)
    if all(evidence.way(angle_deg, other_deg) > 0 for other_deg in doubles(angle_deg, evidence, *least)):
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


def doubles(
    angle_deg: FloatArray,
    evidence: Evidence,
    least_nats: float = LEAST_NATS,
    least_nats_backward: float = LEAST_NATS_BACKWARD,
) -> list[FloatArray]:
    """Paths (n,) the other way that looks explain as well as a path (n,), and slide, mark and tags nearly so.

    least_nats, least_nats_backward: that these must say for a path forward, and for one backward, to exclude another.
    """
    forward = float(angle_deg[-1]) > float(angle_deg[0])
    least = least_nats if forward else least_nats_backward
    found = []
    if _nats_for(angle_deg, -angle_deg, evidence) < least:
        found.append(-angle_deg)
    round_deg = _other_way_round(angle_deg, evidence.mark_deg)
    if (
        round_deg is not None
        and _nats_for(angle_deg, round_deg, evidence) < least
        and all(
            1.0 - told_of(look, round_deg) < AS_WELL * (1.0 - told_of(look, angle_deg))
            for look in evidence.looks
        )
    ):
        found.append(round_deg)
    return found


def _other_way_round(angle_deg: FloatArray, mark_deg: FloatArray) -> FloatArray | None:
    """The path (n,) that goes the other way from each pass of a mark seen at angles (n,) to the next, None where it passed once."""
    at = np.flatnonzero(np.isfinite(mark_deg))
    turn, which = np.unique(np.rint((angle_deg[at] - mark_deg[at]) / 360.0), return_inverse=True)
    if len(turn) < 2:
        return None
    middle_deg = np.bincount(which, angle_deg[at]) / np.bincount(which)
    far_deg = FAR_TURNS * np.array([-1.0, 1.0]) * (middle_deg[-1] - middle_deg[0]) / (turn[-1] - turn[0])
    turns = np.interp(
        angle_deg,
        np.concatenate([[middle_deg[0] + far_deg[0]], middle_deg, [middle_deg[-1] + far_deg[1]]]),
        np.concatenate([[turn[0] - FAR_TURNS], turn, [turn[-1] + FAR_TURNS]]),
    )
    return np.asarray(angle_deg - 720.0 * turns)


def _nats_for(angle_deg: FloatArray, other_deg: FloatArray, evidence: Evidence) -> float:
    """How much likelier (a logarithm) a path (n,) is than another, by the slide, by where the mark is seen and by tags."""
    nats = 0.0
    both = (angle_deg, other_deg)
    if evidence.by_speed is not None:
        rows, seen = np.arange(1, len(angle_deg)), np.log(evidence.by_speed)
        path, other = (seen[rows, FASTEST_STEPS + _speed(each)] for each in both)
        nats += float(np.sum(path - other))
    if evidence.by_tags is not None:
        rows = np.arange(len(angle_deg))
        seen = np.log(np.maximum(evidence.by_tags, np.finfo(np.float64).tiny))
        path, other = (seen[rows, np.rint(each * STEPS / 360.0).astype(np.intp) % STEPS] for each in both)
        nats += float(np.sum(np.clip(path - other, -MOST_NATS, MOST_NATS)))
    at = np.isfinite(evidence.mark_deg)
    path, other = (_misfits(evidence.mark_deg[at] - each[at], evidence.mark_sd_deg[at]) for each in both)
    return nats + float(np.sum(np.clip(other - path, -MOST_NATS, MOST_NATS)))


def _speed(angle_deg: FloatArray) -> IntArray:
    """Speed (n − 1,) of a path (n,) in steps a moment."""
    return np.clip(np.rint(np.diff(angle_deg)), -FASTEST_STEPS, FASTEST_STEPS).astype(np.intp)


def _misfits(off_deg: FloatArray, sd_deg: FloatArray) -> FloatArray:
    """Half the squares (k,) of what angles are off by in standard deviations, but for what they have in common."""
    about_deg = np.degrees(np.angle(np.sum(np.exp(1j * np.radians(off_deg)) / sd_deg**2)))
    return np.asarray(0.5 * (shortest_deg(off_deg - about_deg) / sd_deg) ** 2)


def is_gap(look: Look) -> bool:
    """Tell whether a look is a gap's, and not the spokes'."""
    return bool(look.components.shape[1] == 1)


def told_of(look: Look, angle_deg: FloatArray) -> float:
    """Share of the variance of a look's components along a path (n,) that was foretold, 1 all to 0 none."""
    seen = np.isfinite(look.components).all(axis=1)
    finest_deg = GAP_WAVE_DEG if is_gap(look) else SPOKE_WAVE_DEG
    missed, whole = foretold(look.components[seen], angle_deg[seen], look.period_deg, finest_deg)
    return share_foretold(missed, whole, WORST_SHARE)
