"""The wheel's angle as it happens: steady speed from the last two passes of the mark."""

from __future__ import annotations

import math

import numpy as np

from rimgauge.capture.mark import STRIP_BINS, find_mark, strip_along, strip_centre_px
from rimgauge.capture.sources import Frame
from rimgauge.records import FloatArray, View

RECENT_FRAMES = 240


class LiveClock:
    """Holds the recent strips of the mark and the times of its passes."""

    def __init__(self, view: View, first: list[Frame]) -> None:
        self.view = view
        self.strips: list[FloatArray] = [] if view.mark_box is None else [self._strip(f) for f in first]
        self.passes_s: list[float] = []

    def step(self, frame: Frame) -> float:
        """Angle modulo 360 [deg] in this frame, NaN before the mark has passed twice."""
        if self.view.mark_box is None:
            return math.nan
        self.strips = [*self.strips[-RECENT_FRAMES:], self._strip(frame)]
        centre, per_bin = strip_centre_px(self.view, self.view.mark_box, STRIP_BINS)
        mark_px, _ = find_mark(np.stack(self.strips), centre, per_bin)
        if math.isfinite(mark_px[-1]):
            if self.passes_s and frame.time_s - self.passes_s[-1] < 0.4:
                self.passes_s[-1] = 0.5 * (self.passes_s[-1] + frame.time_s)
            else:
                self.passes_s.append(frame.time_s)
        if len(self.passes_s) < 2:
            return math.nan
        period_s = self.passes_s[-1] - self.passes_s[-2]
        return 360.0 * ((frame.time_s - self.passes_s[-1]) / period_s % 1.0)

    def _strip(self, frame: Frame) -> FloatArray:
        assert self.view.mark_box is not None
        return strip_along(frame.image, self.view, self.view.mark_box, STRIP_BINS, whole=True)
