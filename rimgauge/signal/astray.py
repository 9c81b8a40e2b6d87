"""Frames in which the course went elsewhere than the wheel, and those beside them."""

from __future__ import annotations

import math

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d, uniform_filter1d

from rimgauge.records import BoolArray, FloatArray, IntArray
from rimgauge.signal.course import Course

LEAST_FORETOLD_NEAR, NEAR_FRAMES = 0.0, 15
SLIPPED_FRAMES, SLIPPED_MISSED, SLIPPED_CHANGE, SLIPPED_WORSE = 5, 0.35, 0.2, 2.0
"""Where so much of the looks' usual variance is missed over so many frames, and so many times what is missed in the middle,
and the wheel changes its speed by more than such a share of the spokes' spacing a frame, it may have gone another way (a
judgement, on simulated hands that turn back)."""
STAYS_SHARE = 0.25
"""Of the spokes' spacing: a wheel that turns by less stands, for the eye."""
LOSING_FRAMES = 6


def astray(missed: FloatArray, whole: FloatArray) -> BoolArray:
    """Frames (n,) round which the looks are foretold hardly better than by their mean: the path slipped there."""
    near_missed, near_whole = (
        uniform_filter1d(part, NEAR_FRAMES, mode="nearest") for part in (missed, whole)
    )
    busy = near_whole > 0.5 * float(np.mean(whole))
    return np.asarray(busy & (near_missed > (1.0 - LEAST_FORETOLD_NEAR) * near_whole))


def slipped(course: Course, moment: IntArray, spacing_deg: float) -> BoolArray:
    """Frames (n,) in which the wheel turns back or is pushed, and looks as nothing foretold: it went some other way.

    A wheel that goes on evenly passes no spoke over; then it is a hand or the valve that looks otherwise. Where spokes are
    faint noise is missed in all frames, and tells nothing of these.
    """
    missed = uniform_filter1d(course.missed, SLIPPED_FRAMES, mode="nearest")
    speed = np.gradient(course.angle_deg, moment)
    reach = 2 * SLIPPED_FRAMES - 1
    change = maximum_filter1d(speed, reach, mode="nearest") - minimum_filter1d(speed, reach, mode="nearest")
    much = max(SLIPPED_MISSED * float(np.mean(course.whole)), SLIPPED_WORSE * float(np.median(missed)))
    return np.asarray((missed > much) & (change > SLIPPED_CHANGE * spacing_deg))


def but_for_beside(usable: BoolArray) -> BoolArray:
    """Leave out too (n,) what lies beside frames that aren't usable: where the angle is lost it was going wrong before."""
    return np.asarray(minimum_filter1d(usable, 2 * LOSING_FRAMES + 1, mode="nearest"))


def but_for_lost_stops(usable: BoolArray, angle_deg: FloatArray, spacing_deg: float) -> BoolArray:
    """Leave out (n,) what the wheel passed so near to a frame in which it was lost that it stood, for the eye.

    What one frame of a stop shows of the spokes all do.
    """
    stays_deg = STAYS_SHARE * spacing_deg
    kept = usable.copy()
    for way in (1, -1):
        lost_deg = math.nan
        for k in range(len(kept))[::way]:
            if not usable[k]:
                lost_deg = float(angle_deg[k])
            elif abs(angle_deg[k] - lost_deg) < stays_deg:
                kept[k] = False
            else:
                lost_deg = math.nan
    return kept
