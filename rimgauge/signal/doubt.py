"""Frames in which the wheel may be elsewhere than the course says, or another path through the run is nearly as likely."""

from __future__ import annotations

import math

import numpy as np

from rimgauge.records import BoolArray, FloatArray, IntArray, shortest_deg
from rimgauge.signal.follow import Evidence, Rival, reconsider
from rimgauge.signal.place import Place, chance_elsewhere

LARGEST_DOUBT = 0.1
LEAST_LIKELIER = math.log(20.0)
"""Odds in favour of a path from which it is believed against another one."""
LEAST_LIKELIER_BACKWARD = 60.0
"""The same, as a logarithm, for a path backward against one forward: neighbouring frames are alike, so that odds
are overstated (a judgement)."""


def at_all(moment: IntArray, angle_deg: FloatArray) -> FloatArray:
    """Angle at all moments, by those (n,) of the frames at theirs."""
    return np.interp(np.arange(int(moment[-1]) + 1), moment, angle_deg)


def doubted(
    place: Place,
    evidence: Evidence,
    moment: IntArray,
    angle_deg: FloatArray,
    spacing_deg: float,
    once: FloatArray,
) -> BoolArray:
    """Frames (n,) in which the wheel may be a spoke or more from the course (n,), by coarse path and by the course itself."""
    doubt = chance_elsewhere(place.chance[moment], angle_deg, spacing_deg)
    if (doubt >= LARGEST_DOUBT).any():
        again = reconsider(evidence, at_all(moment, angle_deg))
        doubt = np.minimum(doubt, chance_elsewhere(again.chance[moment], angle_deg, spacing_deg))
    return np.maximum(doubt, chance_elsewhere(once, angle_deg, spacing_deg)) >= LARGEST_DOUBT


def contested(place: Place, other: Rival, spacing_deg: float) -> BoolArray:
    """Moments (n,) at which the next likely path, hardly less likely, would name another spoke.

    A mark seen in one frame a turn doesn't tell which way the wheel goes round. Where half a spacing passes in a
    frame its mirror image looks much the same, and people roll a wheel forward: backward takes more evidence.
    """
    off = np.abs(shortest_deg(place.angle_deg - other.angle_deg))
    mirrored = _went(place.angle_deg) < 0.0 < _went(other.angle_deg)
    least = LEAST_LIKELIER_BACKWARD if mirrored else LEAST_LIKELIER
    return np.asarray((off > 0.5 * spacing_deg) & (place.likelihood - other.likelihood < least))


def _went(angle_deg: FloatArray) -> float:
    return float(angle_deg[-1] - angle_deg[0])
