"""Frames before the wheel is turned: in them a spoke stands as still as the pointer, and nothing tells the rim."""

from __future__ import annotations

import itertools
from collections.abc import Iterable

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
    while passed < MOST_STILL_FRAMES and (still := still_before(each.image for each in taken)):
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


class StillStart:
    """How many frames passed before anything moved, told as they come; once something has, no more are looked at."""

    def __init__(self) -> None:
        self._looks: list[NDArray[np.uint8]] = []
        self._moves_from: int | None = None

    def see(self, picture: Picture) -> None:
        """Look at the next frame's picture."""
        if self._moves_from is not None:
            return
        self._looks.append(look_of(picture))
        seen = len(self._looks)
        if seen >= SPELL_FRAMES and seen % STEP_FRAMES == 0 and _moves(np.stack(self._looks[-SPELL_FRAMES:])):
            self._moves_from = seen - SPELL_FRAMES

    @property
    def frames(self) -> int:
        """So many passed before anything moved; all of them where nothing has, none where they are too few to tell."""
        if self._moves_from is None:
            return len(self._looks) if len(self._looks) >= SPELL_FRAMES else 0
        return self._moves_from and self._moves_from + SPELL_FRAMES - STEP_FRAMES


def still_before(pictures: Iterable[Picture]) -> int:
    """Return how many of the pictures of a film pass before anything moves, as `StillStart` tells."""
    start = StillStart()
    for picture in pictures:
        start.see(picture)
    return start.frames


def _moves(looks: NDArray[np.uint8]) -> bool:
    """Whether something moves in looks (n, h, w); light that changes is no movement."""
    light = np.maximum(looks.mean(axis=(1, 2)), 1.0)
    change: FloatArray = (looks * (float(np.median(light)) / light)[:, None, None]).std(axis=0)
    return bool(np.quantile(change, CLEAREST_SHARE) > MOVES * max(float(np.median(change)), LEAST_NOISE))
