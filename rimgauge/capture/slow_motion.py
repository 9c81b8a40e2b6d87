"""Slow motion: of far more frames a second than films have only every so many are read, so that it is read as any film is.

A pass learns from its first frames, and coders of films copy from frame to frame what hardly changes, noise and all: in a
fraction of a second of slow motion noise stands still, and what changes later would pass for something before the pointer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

MOST_PER_S, BELIEVED_PER_S = 75.0, 1000.0
"""No more frames a second are read: films have 60, and their stamps stray a little. Stamps closer than those of any film by
far tell nothing."""
TELLING_FRAMES = 60
"""So many frames at the beginning of a film tell how many a second there are; of a folder all do."""
ORDINALS = {2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth", 7: "seventh", 8: "eighth"}


def every_of(times_s: Sequence[float]) -> int:
    """Return every how many of frames are read, from times [s] of them; 1 for ordinary ones."""
    return every_at(frames_per_s(times_s))


def every_at(per_s: float) -> int:
    """Return the same from how many frames a second there are."""
    return math.ceil(per_s / MOST_PER_S) if MOST_PER_S < per_s <= BELIEVED_PER_S else 1


def frames_per_s(times_s: Sequence[float]) -> float:
    """Frames a second by times [s], 0 where they don't tell: by the mean step or the usual one, whichever is longer.

    Frames may come by fits and starts, or a backlog at once.
    """
    steps_s = np.diff(times_s)
    usual_s = max(float(steps_s.mean()), float(np.median(steps_s))) if len(steps_s) else 0.0
    return 1.0 / usual_s if usual_s > 0.0 else 0.0


def thinned_note(every: int, per_s: float) -> tuple[str, ...]:
    """Say that not every frame was read; nothing where each was."""
    if every == 1:
        return ()
    ordinal = ORDINALS.get(every, f"{every}th")
    return (
        f"Slow motion of {per_s:.0f} frames a second: every {ordinal} frame was read, so that it is measured as an ordinary film.",
    )
