"""A camera whose focus hunts while the wheel is filmed: what that moves the rim's edge by against the pointer.

A picture that goes out of focus is also magnified otherwise, and blurs the pointer's round tip more than the rim's straight
edge. It comes and goes with time, not with the wheel's angle, so that the gap beside the rim's own curve tells what it does:

    gap(θ, t) = curve(θ) + c·ln(blur(t)/usual)
"""

from __future__ import annotations

import math

import numpy as np

from rimgauge.errors import NotTrustworthy
from rimgauge.records import EdgeTrack, FloatArray, GapTrack, Turning
from rimgauge.signal.read_aside import fit_beside, shows_one_look

LEAST_SPREAD = 1.3
"""Nine tenths of the frames over one tenth: in good films texture and noise make the blur vary by 1.15 at most, and a few
short pulses of it, whose frames are left out as vague, 1.26."""
MOST_MOVED_PX = 0.1
"""Standard deviation of what the gaps move by with the blur: 0.01 mm where the gap fills the picture as it should."""
CLEAR = 3.0


def check_focus(seen: GapTrack, turning: Turning) -> None:
    """Refuse a pass in which the gap moves as the picture goes in and out of focus.

    Raises
    ------
    NotTrustworthy
        It moves by more than a tenth of a pixel (standard deviation).
    """
    for side in seen.sides:
        if (moved_px := _moved_px(side, turning.angle_deg)) > MOST_MOVED_PX:
            raise NotTrustworthy(
                "the picture goes in and out of focus while the wheel is filmed, which moves the rim's edge against the "
                f"pointer (by ±{moved_px:.1f} pixels); lock the camera's focus on the gap, add light, and measure again"
            )


def _moved_px(side: EdgeTrack, angle_deg: FloatArray) -> float:
    """Standard deviation of what the gaps move by with the blur [px], 0 where that isn't clear."""
    if side.blur_px is None:
        return 0.0
    good = np.isfinite(side.gap_px) & np.isfinite(angle_deg) & np.isfinite(side.blur_px)
    if not good.any():
        return 0.0
    blur = np.log(side.blur_px)
    if side.second_look is not None:
        # Of a decal the edge looks more blurred, or less.
        first, second = (good & shows_one_look(side.second_look, which) for which in (0.0, 1.0))
        blur[first] -= np.median(blur[first])
        blur[second] -= np.median(blur[second])
        good = first | second
    low, high = np.quantile(blur[good], (0.1, 0.9))
    if high - low < math.log(LEAST_SPREAD):
        return 0.0
    told = fit_beside(angle_deg[good], side.gap_px[good], blur[good])
    if told is None or abs(told[0]) < CLEAR * told[1]:
        return 0.0
    return abs(told[0]) * float(np.std(blur[good]))
