"""The mark as it happens: its look is learnt from what has passed so far, then found frame by frame."""

from __future__ import annotations

import math

import numpy as np

from rimgauge.capture.mark import MarkLook, learn_mark, see_mark, strip_centre_px
from rimgauge.records import FloatArray, View

LARGEST_SHARE = 0.25
"""A mark is in the picture for a small part of a revolution; what is there more often is something else, or the
wheel hardly turned."""
LEARNING_STRIPS = 150


class LiveMark:
    """Finds the mark of a view in one strip after another."""

    def __init__(self, view: View) -> None:
        assert view.mark_box is not None
        self._centre_bin, self._px_per_bin = strip_centre_px(view, view.mark_box)
        self._look: MarkLook | None = None

    def learn(self, strips: FloatArray) -> bool:
        """Learn the look from strips (n, bins, 3); tell whether a mark is known now."""
        every = max(1, len(strips) // LEARNING_STRIPS)
        look = learn_mark(strips[::every])
        if look is not None and look.share <= LARGEST_SHARE:
            self._look = look
        return self._look is not None

    def place_px(self, strip: FloatArray) -> float:
        """How far the mark stands past the centre of its box [px], NaN where it isn't seen or known."""
        if self._look is None:
            return math.nan
        mark_px, _ = see_mark(self._look, strip[np.newaxis], self._centre_bin, self._px_per_bin)
        return float(mark_px[0])
