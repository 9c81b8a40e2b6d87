"""Aim in a film or before a camera: from where the wheel turns, and once more a little later where a hand was in the way."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from contextlib import suppress

import numpy as np

from rimgauge.capture.aim import AIM_FRAMES, LEAST_FRAMES, Hints, aim
from rimgauge.capture.aim_look import USUAL_PX, Point, zoomed
from rimgauge.capture.aim_trial import Aim, OutOfSight
from rimgauge.capture.frame import Frame, FrameSource
from rimgauge.capture.still_start import from_the_turning_on
from rimgauge.capture.working_size import reduced_frames
from rimgauge.errors import FrameTrouble, RimgaugeError
from rimgauge.records import Direction, Side

MOST_LINES = 1080
"""Pictures of twice as many lines, or more, are aimed with at a half or less of their size."""
LATER_FRAMES = 60
"""A hand that sets the wheel going is gone after two seconds of a webcam."""
NEAR_PX, UNCHANGED_SHARE, CHANGED = 15.0, 0.75, 25.0
"""So near the tip, in pictures of usual size, more than a quarter changes by so many of 255 in a colour where a hand was
there in the first third and not in the last: by 46 and 120 in two films in which that drew the tip aside, by 9 at most in
111 films drawn and ray-traced without one (a judgement between)."""
LIVE = ("camera", "stream")


def aim_from(
    source: FrameSource, direction: Direction, side: Side | None, hints: Hints
) -> tuple[list[Frame], Aim]:
    """Take the frames that aiming looks at, and aim; return them and what was found in them.

    Large pictures are reduced as they come: some hundred of 2160 lines would take 3 GB, and as sharp ones of 1080 are aimed
    with as well. What is found is in the source's own pixels.

    Where a hand was before the tip and the later look finds nothing, or another change, the first look counts: the camera
    may have moved.

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
    coming, times, size = _no_larger(iter(source))
    first = from_the_turning_on(coming, AIM_FRAMES, LEAST_FRAMES)
    if len(first) < LEAST_FRAMES:
        seen = "1 frame is" if len(first) == 1 else f"{len(first)} frames are"
        raise FrameTrouble(source.name, f"{seen} too few to aim with; give at least {LEAST_FRAMES}")
    found: Aim | None = None
    trouble: OutOfSight | None = None
    next_ones: list[Frame] = []
    try:
        found = aim(first, direction, side, hints, _kept(coming, next_ones), size)
    except OutOfSight as told:
        trouble = told
    if found is not None and not changes(first, _reduced_place(found.tip_px, times)):
        return first, found
    # A camera's frames went by while the first were looked at: what is left of those is followed by none.
    left = [] if source.kind in LIVE else first[LATER_FRAMES:] + next_ones
    later = left + list(itertools.islice(coming, AIM_FRAMES - len(left)))
    if len(later) == AIM_FRAMES:
        with suppress(RimgaugeError):
            again = aim(later, direction, side, hints, coming, size)
            if found is None or not changes(later, _reduced_place(again.tip_px, times)):
                return later, again
    if trouble is not None:
        raise trouble
    assert found is not None
    return first, found


def _no_larger(frames: Iterator[Frame]) -> tuple[Iterator[Frame], int, tuple[int, int] | None]:
    """Frames no larger than are aimed with, how many times smaller they are, and the size (width, height) they had."""
    first = next(frames, None)
    if first is None:
        return frames, 1, None
    height, width = first.image.shape[:2]
    times = max(1, min(height, width) // MOST_LINES)
    every = itertools.chain([first], frames)
    return (every if times == 1 else reduced_frames(every, times)), times, (width, height)


def _reduced_place(place: Point, times: int) -> Point:
    """A place of the source's pictures in ones so many times smaller."""
    return place if times == 1 else zoomed(place, 1.0 / times)


def _kept(frames: Iterator[Frame], next_ones: list[Frame]) -> Iterator[Frame]:
    """Hand frames on, and keep as many of the next ones as a later look takes of them."""
    for frame in frames:
        if len(next_ones) < AIM_FRAMES - LATER_FRAMES:
            next_ones.append(frame)
        yield frame


def changes(frames: list[Frame], tip_px: Point) -> bool:
    """Whether what stands round a tip looks another way in the last of some frames than in the first: a hand was before it."""
    height, width = frames[0].image.shape[:2]
    reach = round(NEAR_PX * min(height, width) / USUAL_PX)
    (left, right), (top, bottom) = (
        (max(0, round(middle) - reach), round(middle) + reach + 1) for middle in tip_px
    )
    spell = len(frames) // 3
    looks, lights = [], []
    for some in (frames[:spell], frames[-spell:]):
        looks.append(np.median([each.image[top:bottom, left:right] for each in some], axis=0))
        lights.append(float(np.median([each.image[::8, ::8] for each in some])))
    as_bright = looks[1] * (max(lights[0], 1.0) / max(lights[1], 1.0))
    return bool(np.quantile(np.abs(looks[0] - as_bright).max(axis=2), UNCHANGED_SHARE) > CHANGED)
