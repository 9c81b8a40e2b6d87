"""Aim in a film or before a camera: from where the wheel turns, and once more a little later where a hand was in the way."""

from __future__ import annotations

import itertools
from contextlib import suppress

from rimgauge.capture.aim import AIM_FRAMES, LEAST_FRAMES, Hints, aim
from rimgauge.capture.aim_trial import Aim, OutOfSight
from rimgauge.capture.frame import Frame, FrameSource
from rimgauge.capture.still_start import from_the_turning_on
from rimgauge.errors import FrameTrouble, RimgaugeError
from rimgauge.records import Direction, Side

LATER_FRAMES = 60
"""A hand that sets the wheel going is gone after two seconds of a webcam."""
LIVE = ("camera", "stream")


def aim_from(
    source: FrameSource, direction: Direction, side: Side | None, hints: Hints
) -> tuple[list[Frame], Aim]:
    """Take the frames that aiming looks at, and aim; return them and what was found in them.

    Parameters
    ----------
    source : FrameSource
        Read no farther than is needed.
    direction, side, hints :
        As aim takes them.

    Raises
    ------
    FrameTrouble
        The source gives too few frames.
    BadInput, PointerNotSeen, RimNotSeen, NotTrustworthy
        As aim does; where it helps nothing to look later, of the first look.
    """
    coming = iter(source)
    first = from_the_turning_on(coming, AIM_FRAMES, LEAST_FRAMES)
    if len(first) < LEAST_FRAMES:
        seen = "1 frame is" if len(first) == 1 else f"{len(first)} frames are"
        raise FrameTrouble(source.name, f"{seen} too few to aim with; give at least {LEAST_FRAMES}")
    try:
        return first, aim(first, direction, side, hints)
    except OutOfSight as trouble:
        # A camera's frames went by while the first were looked at: what is left of those is followed by none.
        left = [] if source.kind in LIVE else first[LATER_FRAMES:]
        later = left + list(itertools.islice(coming, AIM_FRAMES - len(left)))
        if len(later) == AIM_FRAMES:
            with suppress(RimgaugeError):
                return later, aim(later, direction, side, hints)
        raise trouble from None
