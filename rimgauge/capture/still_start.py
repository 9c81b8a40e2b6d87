"""Frames before the wheel is turned: in them a spoke stands as still as the pointer, and nothing tells the rim."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.frame import Frame, Picture
from rimgauge.records import FloatArray

MOST_STILL_FRAMES = 600
"""So many frames at most are passed over while nothing moves: twenty seconds of a webcam."""
LOOK_PX = 90
"""The shorter side of the pictures in which movement is looked for: their noise is averaged out."""
SPELL_FRAMES, STEP_FRAMES = 20, 10
MOVES, CLEAREST_SHARE, LEAST_NOISE = 2.2, 0.995, 0.3
"""Where something moves, the pixels that change most do so by so many times as much as is usual in the same frames. In
spells of 20 frames it was 1.5 to 1.8 before the wheel was turned, and 3.5 and more in the first of 77 films, drawn and
ray-traced, of wheels that turned from the start (a judgement between)."""


def from_the_turning_on(frames: Iterable[Frame], count: int, least: int) -> list[Frame]:
    """Take so many frames from the turning on; the first ones where fewer than the least would be left of them."""
    source = iter(frames)
    taken = list(itertools.islice(source, count))
    passed = 0
    while passed < MOST_STILL_FRAMES and (still := still_before([look_of(each.image) for each in taken])):
        more = list(itertools.islice(source, still))
        if len(taken) - still + len(more) < least:
            break
        taken = taken[still:] + more
        passed += still
    return taken


def look_of(picture: Picture) -> NDArray[np.uint8]:
    """A picture in grey and small (h, w)."""
    height, width = picture.shape[:2]
    zoom = min(height, width) / LOOK_PX
    small = cv2.resize(picture, (round(width / zoom), round(height / zoom)), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY), dtype=np.uint8)


def still_before(looks: Sequence[NDArray[np.uint8]]) -> int:
    """Return how many of the looks (n) of frames pass before anything moves; all of them where nothing does."""
    spells = range(0, len(looks) - SPELL_FRAMES + 1, STEP_FRAMES)
    moving = next((k for k in spells if _moves(np.stack(looks[k : k + SPELL_FRAMES]))), None)
    if moving is None:
        return len(looks) if spells else 0
    return moving and moving + SPELL_FRAMES - STEP_FRAMES


def _moves(looks: NDArray[np.uint8]) -> bool:
    """Whether something moves in looks (n, h, w); light that changes is no movement."""
    light = np.maximum(looks.mean(axis=(1, 2)), 1.0)
    change: FloatArray = (looks * (float(np.median(light)) / light)[:, None, None]).std(axis=0)
    return bool(np.quantile(change, CLEAREST_SHARE) > MOVES * max(float(np.median(change)), LEAST_NOISE))
