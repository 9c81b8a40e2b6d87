"""A pointer that gives way slowly during a pass: told from a camera that sags, and taken off the gap.

In the picture both look alike: the tip drifts. But a camera that sags takes the rim along and leaves the gap as it
is, while a pointer that creeps changes the gap by as much as its tip is seen to move, at every place of the rim:

    gap(t) = curve(θ(t)) − share·drift(t),   share 0 for the camera, 1 for the pointer

From about a turn and a quarter on the same places come round again, and least squares tell the share.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rimgauge.errors import NotTrustworthy
from rimgauge.records import EdgeTrack, FloatArray, GapTrack, Turning
from rimgauge.signal.harmonics import basis, fit_columns

DEGREE = 3
"""A pointer that creeps goes its way once; what moves faster is shake."""
LEAST_DRIFT_PX = 0.25
"""0.03 mm at the usual scale; a smaller drift hides in what doesn't repeat from turn to turn."""
MOST_UNTOLD_PX = 0.5
"""A larger drift must be told apart, or the pass can't be trusted."""
HIGHEST_ORDER, FRAMES_A_COLUMN = 16, 3
ALIKE = 2.0
"""Errors of neighbouring frames are alike, and a share is so many times less sure than if they weren't."""
SURE = 0.2
"""Standard error of a share that tells pointer from camera."""
CLEAR, LEAST_SHARE = 4.0, 0.2
SLOW_FRAMES, LEAST_UNEVEN_SHARE = 15, 0.5
"""Half a second of a webcam: what moves the tip faster is shake. What it moves by besides the cubic is the pointer's own where
the gap shows more than half of it."""


def without_creep(seen: GapTrack, turning: Turning, positive: FloatArray, mm_per_px: float) -> GapTrack:
    """Take off the gap what a pointer crept by, and note it.

    Parameters
    ----------
    seen : of one pass.
    turning : angle (n,) [deg].
    positive : (2,) unit vector of positive runout in the picture.
    mm_per_px : scale at the rim's edge, for the note.

    Raises
    ------
    NotTrustworthy
        The tip drifts by more than half a pixel, and the run is too short to tell whether it was the pointer; or
        pointer and camera both gave way; or the pointer was pushed, and went its way otherwise than a cubic of time.
    """
    sides, notes = [], list(seen.notes)
    for side in seen.sides:
        inward = positive if side.side == "left" else -positive
        crept_px = _crept_px(side, turning, inward, seen.time_s)
        good = np.isfinite(crept_px)
        way_px = float(np.ptp(crept_px[good])) if good.any() else 0.0
        if way_px > 0.0:
            notes.append(
                f"The pointer crept by {way_px * mm_per_px:.2f} mm on the {side.side} side while the wheel was filmed; "
                "that was taken off. Fasten it better before the next one."
            )
        sides.append(replace(side, gap_px=side.gap_px + crept_px))
    return replace(seen, sides=tuple(sides), notes=tuple(notes))


def _crept_px(side: EdgeTrack, turning: Turning, inward: FloatArray, time_s: FloatArray) -> FloatArray:
    """How far (n,) the pointer crept toward the rim, all 0 where it didn't; NaN where a frame gives no gap."""
    tip_px = side.tip_px @ inward
    good = np.isfinite(side.gap_px) & np.isfinite(tip_px) & np.isfinite(turning.angle_deg)
    result = np.where(np.isfinite(side.gap_px), 0.0, np.nan)
    order = min(HIGHEST_ORDER, (int(good.sum()) // FRAMES_A_COLUMN - 2) // 2)
    if order < 1:
        return result
    course = np.polynomial.Polynomial.fit(time_s[good], tip_px[good], DEGREE)
    drift_px = course(time_s) - float(np.mean(course(time_s[good])))
    way_px = float(np.ptp(drift_px[good]))
    _check_even(
        side.gap_px[good], tip_px[good] - course(time_s[good]), drift_px[good], turning.angle_deg[good]
    )
    if way_px < LEAST_DRIFT_PX:
        return result
    design = np.column_stack([basis(turning.angle_deg[good], order), -drift_px[good] / way_px])
    fit = fit_columns(design, side.gap_px[good])
    share = float(fit.coefficients[-1]) / way_px
    error = ALIKE * float(np.sqrt(fit.covariance[-1, -1])) / way_px
    # Where the drift could pass for a curve its own column adds nothing, whatever the covariance says.
    rest = drift_px[good] - fit_columns(design[:, :-1], drift_px[good], np.inf)(turning.angle_deg[good])
    if error > SURE or float(np.ptp(rest)) < 0.3 * way_px:
        if way_px > MOST_UNTOLD_PX:
            raise NotTrustworthy(
                f"the pointer's tip drifts by {way_px:.1f} pixels in the picture, and the run is too short to tell "
                "whether the pointer or the camera gave way; fasten both, turn two whole turns, and measure again"
            )
        return result
    both = (
        min(abs(share), abs(share - 1.0)) > CLEAR * error
        and min(abs(share), abs(share - 1.0)) * way_px > MOST_UNTOLD_PX
    )
    if both and not LEAST_SHARE <= share <= 1.0:
        raise NotTrustworthy(
            f"the pointer's tip drifts by {way_px:.1f} pixels in the picture, and pointer and camera both seem to have "
            "given way; fasten both and measure again"
        )
    if share < max(LEAST_SHARE, CLEAR * error):
        return result
    return result + min(share, 1.0) * drift_px


def _check_even(
    gap_px: FloatArray, uneven_px: FloatArray, drift_px: FloatArray, angle_deg: FloatArray
) -> None:
    """Refuse a pass in which the pointer moved (n,) beside its drift (n,) by a cubic of time, and the gap with it."""
    slow_px = np.convolve(
        np.pad(uneven_px, SLOW_FRAMES // 2, mode="edge"), np.full(SLOW_FRAMES, 1.0 / SLOW_FRAMES), "valid"
    )
    way_px = float(np.ptp(slow_px))
    order = min(HIGHEST_ORDER, (len(gap_px) // FRAMES_A_COLUMN - 3) // 2)
    if way_px < MOST_UNTOLD_PX or order < 1:
        return
    fit = fit_columns(np.column_stack([basis(angle_deg, order), drift_px, -slow_px / way_px]), gap_px)
    share = float(fit.coefficients[-1]) / way_px
    error = ALIKE * float(np.sqrt(fit.covariance[-1, -1])) / way_px
    if share > max(LEAST_UNEVEN_SHARE, CLEAR * error):
        raise NotTrustworthy(
            f"the pointer was pushed while the wheel was filmed: its tip moved by {way_px:.1f} pixels otherwise than one that "
            "gives way slowly, and the gap with it; fasten it, keep hands and wheel off it, and measure again"
        )
