"""What passes along the rim: which way it runs and where its mark crosses, in more frames where the first don't tell."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.aim_facing import Facing
from rimgauge.capture.aim_motion import (
    beyond_strips,
    find_mark_beyond,
    find_mark_columns,
    rim_strips,
    running_way,
)
from rimgauge.capture.aim_rim import moves_on
from rimgauge.capture.sources import Frame
from rimgauge.records import FloatArray

LATER_SHARE, MOST_LATER_FRAMES = 0.5, 240
"""More frames are looked at half as many as were seen so far at a time; so many at most: twelve seconds of a webcam with the
first, in which a wheel that goes round in five shows its mark twice."""
GAP_FRAMES = 3.0
"""Where the time from one frame to the next is so many times the usual, the wheel went on unseen."""


@dataclass(frozen=True, slots=True, eq=False)
class Passing:
    """What some frames (n) show, which is small beside their pictures.

    rim (n, 90, columns, 3): strips BGR; beyond: the same of what is beyond it, where that may bear the mark.
    moves_px: how far the rim lies from where it is mostly in some of the frames.
    """

    rim: NDArray[np.uint8]
    beyond: NDArray[np.uint8] | None
    moves_px: FloatArray

    @classmethod
    def of(cls, frames: Sequence[Frame], facing: Facing, moves_px: FloatArray, *, beyond: bool) -> Passing:
        """Take the strips of frames of usual size."""
        rim = rim_strips(frames, facing, facing.width_px)
        far = beyond_strips(frames, facing, rim.shape[2]) if beyond else None
        return cls(rim, far, moves_px)

    def and_later(self, later: Passing, *, unseen: bool) -> Passing:
        """Both together; unseen: the wheel went on between them, and a strip that shows nothing parts them."""
        rim = [self.rim, *([np.median(self.rim, axis=0).astype(np.uint8)[None]] if unseen else []), later.rim]
        beyond = None if self.beyond is None or later.beyond is None else [self.beyond, later.beyond]
        return Passing(
            np.concatenate(rim),
            None if beyond is None else np.concatenate(beyond),
            np.concatenate([self.moves_px, later.moves_px]),
        )

    def mark_columns(self) -> tuple[int, int] | None:
        """Where across the strips the mark passes [px from the edge], on the rim or else beyond it; None: nowhere."""
        columns = find_mark_columns(self.rim.astype(np.float64), self.moves_px)
        if columns is None and self.beyond is not None:
            columns = find_mark_beyond(self.beyond.astype(np.float64), self.moves_px, self.rim.shape[2])
        return columns


def what_passes(
    frames: list[Frame], facing: Facing, later: Iterator[Frame], *, way: bool, mark: bool, beyond: bool
) -> tuple[tuple[int, bool], tuple[int, int] | None]:
    """Tell the way the rim runs, and whether that is sure, and the columns of its mark; each only where it is asked for.

    A wheel that is turned slowly shows its mark once in the first frames, or not at all: then later ones are looked at,
    of which no more than the strips is kept.

    frames, later : of usual size; later is read no farther than is needed. beyond: a tyre beside the rim may bear the mark.
    """
    seen = Passing.of(frames, facing, facing.course.moves_px, beyond=beyond and mark)
    usual_s = float(np.median(np.diff([frame.time_s for frame in frames])))
    last_s, left = frames[-1].time_s, MOST_LATER_FRAMES
    while True:
        told = running_way(seen.rim.astype(np.float64)) if way else (1, True)
        columns = seen.mark_columns() if mark else None
        if told[1] and not (mark and columns is None):
            return told, columns
        some = list(itertools.islice(later, min(left, round(LATER_SHARE * len(seen.rim)))))
        if not some:
            return told, columns
        moves_px = moves_on(facing.course, frames, some)
        more = Passing.of(some, facing, moves_px, beyond=seen.beyond is not None)
        seen = seen.and_later(more, unseen=some[0].time_s - last_s > GAP_FRAMES * usual_s)
        last_s, left = some[-1].time_s, left - len(some)
