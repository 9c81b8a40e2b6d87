"""Does the camera shake, was it knocked, or the pointer bent? Where the tip stands in the picture tells, frame by frame."""

from __future__ import annotations

import numpy as np

from rimgauge.capture.parts import parts
from rimgauge.records import BoolArray, FloatArray, IntArray

WINDOW = 12
"""Good frames before and after a moment that are compared: under half a second, too short for a hand to sag."""
LEAST_STEP_PX = 0.5
"""A smaller step is 0.06 mm at the usual scale, and hides in what doesn't repeat from turn to turn."""
STANDS_OUT = 5.0
"""A step must be so many times the spread on either side: shake and a slow drift are no steps."""
QUICKER = 3.0
"""A knock moves the tip so many times as far as is usual in the same time; a sway goes on as it went."""
SHIFT_NOISE_FACTOR = 2.0
"""What passes behind the pointer and its own texture make its shift about twice as uncertain as it states: 1.6 to
2.3 times on ray-traced scenes, whose shake is known."""


def stretches(tip_px: FloatArray, good: BoolArray) -> IntArray:
    """Number the stretches (n,) between moments at which the tip jumped for good.

    Parameters
    ----------
    tip_px : (n, 2), where the tip stands in each frame.
    good : (n,) frames that tell it.
    """
    count = len(good)
    seen = np.flatnonzero(good)
    if len(seen) < 2 * WINDOW:
        return np.zeros(count, dtype=np.intp)
    middle, spread = _middles(tip_px[seen])
    step = np.linalg.norm(middle[WINDOW:] - middle[:-WINDOW], axis=1)
    share = step / np.maximum(STANDS_OUT * np.maximum(spread[WINDOW:], spread[:-WINDOW]), LEAST_STEP_PX)
    jump = np.linalg.norm(np.diff(tip_px[seen], axis=0), axis=1)
    result = np.zeros(count, dtype=np.intp)
    while share.max(initial=0.0) > 1.0:
        # All windows that hold a jump see it; the clearest ones are centred on it to a few frames.
        clearest = int(np.argmax(share))
        last = (
            clearest + WINDOW // 2 + int(np.argmax(jump[clearest + WINDOW // 2 : clearest + 3 * WINDOW // 2]))
        )
        if _sudden(tip_px[seen], seen, last):
            result[seen[last] + 1 :] += 1
        share[max(0, clearest - WINDOW) : clearest + WINDOW + 1] = 0.0
    return result


def _middles(tip_px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Middle place (m, 2) of each window of places (n, 2), and how far they usually are from it (m,), along the worse axis."""
    windows = np.lib.stride_tricks.sliding_window_view(tip_px, WINDOW, axis=0)
    middle, spread = np.empty(windows.shape[:2]), np.empty(len(windows))
    for part in parts(len(windows)):
        middle[part] = np.median(windows[part], axis=2)
        spread[part] = np.median(np.abs(windows[part] - middle[part, :, None]), axis=2).max(axis=1)
    return middle, 1.4826 * spread


def _sudden(tip_px: FloatArray, frames: IntArray, last: int) -> bool:
    """Whether the tip (n, 2), seen in frames (n,), moved farther about its place `last` than is usual beside it.

    Frames may be missing in between; then what is usual in as long a time counts.
    """
    first, end = max(0, last - 1), min(last + 2, len(frames) - 1)
    span = int(frames[end] - frames[first])
    usual_px = []
    for side in (
        slice(max(0, last + 1 - WINDOW - span), last + 1),
        slice(last + 1, last + 1 + WINDOW + span),
    ):
        at, where = frames[side], tip_px[side]
        later = np.searchsorted(at, at + span)
        both = later < len(at)
        usual_px.append(np.linalg.norm(where[later[both]] - where[both], axis=1))
    usual = np.concatenate(usual_px)
    move_px = float(np.linalg.norm(tip_px[end] - tip_px[first]))
    return not len(usual) or move_px > QUICKER * float(np.median(usual))


def steadied(
    gap_px: FloatArray, shift_px: FloatArray, shift_error_px: FloatArray, good: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Gaps (n,) without what is only noise of the pointer's shifts (n,), and the standard error that those leave.

    The gap shrinks as much as the tip is seen to move toward the rim. good: (n,) frames that tell how much it shakes.
    """
    error_px = SHIFT_NOISE_FACTOR * shift_error_px
    kept = _kept_share(shift_px, error_px, good)
    return gap_px + (1.0 - kept) * (shift_px - np.median(shift_px[good])), error_px * np.sqrt(kept)


def _kept_share(shift_px: FloatArray, error_px: FloatArray, good: BoolArray) -> FloatArray:
    """How much (n,) of the pointer's apparent shift in each frame is camera shake rather than noise of its fit.

    Shrinkage by the share of variance that the errors don't explain: a camera on a stand keeps none of the noise
    that a faint pointer would otherwise put into every gap.
    """
    seen = shift_px[good]
    spread = 1.4826 * float(np.median(np.abs(seen - np.median(seen))))
    shake = max(0.0, spread**2 - float(np.median(error_px[good])) ** 2)
    return np.asarray(shake / np.maximum(shake + error_px**2, 1e-12))
