"""A live measurement that tells the person when to turn, and ends by itself when enough was seen."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np

from rimgauge.capture import LEARNING_FRAMES, Frame, FrameSource
from rimgauge.pipeline import known_scale
from rimgauge.records import FloatArray, Moment, View, WheelInView, record, shortest_deg
from rimgauge.signal import RunoutSoFar, runout_so_far, share_seen
from rimgauge.watching import Watcher

LEAST_REVOLUTIONS = 2.0
MOST_REVOLUTIONS = 8.0
"""Without a number asked for: no fewer, so that what repeats can be told from what doesn't; and no more."""
GOOD_SHARE = 0.02
"""Good enough: the scatter's standard uncertainty under this share of the tolerance."""
JUDGED_EVERY = 20
STILL_LEVELS = 1.5
"""Grey levels by which the spokes' picture changes at least when the wheel moves."""
FASTEST_DEG_S = 150.0
LONGEST_S = 180.0


@record
class Progress:
    """How a live measurement stands.

    stage: "looking" for pointer and rim, "waiting" for the wheel to turn, "turning", or "done".
    seen: share of the wheel, 0 to 1. revolutions: turned so far. so_far: None until all was seen once.
    too_fast: the wheel turns faster than its spokes can be followed.
    """

    stage: str
    seen: float = 0.0
    revolutions: float = 0.0
    so_far: RunoutSoFar | None = None
    too_fast: bool = False


class Guide:
    """Watches a live measurement and says when it is enough.

    Parameters
    ----------
    view, wheel : as for `watch`.
    tolerance_mm : what the runout will be judged against.
    revolutions : stop after so many; None: when the uncertainty is good enough.
    """

    def __init__(
        self,
        view: View,
        wheel: WheelInView,
        *,
        tolerance_mm: float,
        revolutions: float | None = None,
    ) -> None:
        self._watcher = Watcher(view, wheel)
        self._mm_per_px = known_scale(view).mm_per_px
        self._good_mm, self._asked = GOOD_SHARE * tolerance_mm, revolutions
        self._angle_deg: list[float] = []
        self._gap_mm: list[float] = []
        self._looked_back = False
        self._frames = 0
        self._last_s = self._first_s = math.nan
        self._so_far: RunoutSoFar | None = None

    def look(self, frame: Frame) -> tuple[Progress, Moment]:
        """Take in one frame."""
        moment = self._watcher.look(frame)
        self._frames += 1
        if self._frames == 1:
            self._first_s = frame.time_s
        speed_deg_s = self._add(moment)
        self._last_s = frame.time_s
        if self._frames % JUDGED_EVERY == 0:
            self._so_far = runout_so_far(np.array(self._angle_deg), np.array(self._gap_mm))
        return self._progress(speed_deg_s), moment

    def _add(self, moment: Moment) -> float:
        """Add a frame to the curve; return how fast the wheel turns [deg/s], NaN where that isn't known."""
        path = self._watcher.path
        if path is not None and not self._looked_back:
            self._looked_back = True
            self._angle_deg = [float(angle) for angle in path.angle_deg]
            self._gap_mm = [float(gap) * self._mm_per_px for gap in path.gap_px[:, 0]]
        if not math.isfinite(moment.angle_deg):
            return math.nan
        step_deg = 0.0
        if self._angle_deg:
            step_deg = shortest_deg(moment.angle_deg - self._angle_deg[-1])
        self._angle_deg.append(self._angle_deg[-1] + step_deg if self._angle_deg else moment.angle_deg)
        self._gap_mm.append(float(moment.gap_mm[0]))
        return abs(step_deg) / max(moment.time_s - self._last_s, 1e-3)

    def _progress(self, speed_deg_s: float) -> Progress:
        if self._frames < LEARNING_FRAMES:
            return Progress(stage="looking")
        if not self._looked_back:
            seen = share_seen(np.array(self._angle_deg)) if self._angle_deg else 0.0
            return Progress(stage="done" if self._too_long() else "waiting", seen=seen)
        angle_deg = np.array(self._angle_deg)
        revolutions = float(np.ptp(angle_deg)) / 360.0
        return Progress(
            stage="done" if self._enough(revolutions) or self._too_long() else "turning",
            seen=share_seen(angle_deg),
            revolutions=revolutions,
            so_far=self._so_far,
            too_fast=speed_deg_s > FASTEST_DEG_S,
        )

    def _enough(self, revolutions: float) -> bool:
        if self._asked is not None:
            return revolutions >= self._asked
        if revolutions < LEAST_REVOLUTIONS or self._so_far is None:
            return False
        return self._so_far.standard_uncertainty_mm <= self._good_mm or revolutions >= MOST_REVOLUTIONS

    def _too_long(self) -> bool:
        return self._last_s - self._first_s > LONGEST_S


class Guided:
    """Frames of a live source, from where the wheel begins to move until enough was seen."""

    def __init__(
        self, source: FrameSource, view: View, guide: Guide, say: Callable[[Progress], None]
    ) -> None:
        self._source, self._view, self._guide, self._say = source, view, guide, say

    def __iter__(self) -> Iterator[Frame]:
        moves = _Moves(self._view)
        for frame in self._source:
            if not moves.seen(frame):
                self._say(Progress(stage="waiting"))
                continue
            progress, _ = self._guide.look(frame)
            self._say(progress)
            yield frame
            if progress.stage == "done":
                return


class _Moves:
    """Tells whether the wheel has begun to move, by the change of the picture where the spokes pass."""

    def __init__(self, view: View) -> None:
        self._box = view.spoke_box
        self._moved = view.spoke_box is None
        self._before: FloatArray | None = None

    def seen(self, frame: Frame) -> bool:
        if self._moved or self._box is None:
            return True
        x, y, width, height = self._box
        picture = frame.image[y : y + height, x : x + width].mean(axis=2)
        now = picture.mean(axis=int(width >= height) ^ 1)
        if self._before is not None:
            self._moved = float(np.std(now - self._before)) > STILL_LEVELS
        else:
            self._before = now
        return self._moved
