"""A pointer that gives way slowly during a pass: told from a camera that sags, and taken off the gap.

In the picture both look alike: the tip drifts. But a camera that sags takes the rim along and leaves the gap as it
is, while a pointer that creeps changes the gap by as much as its tip is seen to move, at every place of the rim:

    gap(t) = curve(θ(t)) − share·drift(t),   share 0 for the camera, 1 for the pointer

From about a turn and a quarter on the same places come round again, and least squares tell the share.
A pointer that stands a little nearer to the camera than the rim, or farther, moves by a little more or less than it where
the camera goes aside: its share is a few hundredths of either sign, by whatever way the camera goes.
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
SURE, LEAST_REST = 0.2, 0.3
"""Standard error of a share that tells pointer from camera, and the share of a drift that nothing else can pass for."""
CLEAR, LEAST_SHARE = 4.0, 0.2
MOST_ASIDE = 0.1
"""A share of either sign up to this may be a camera's that goes aside: by so much of its distance from the camera the pointer
stands before the rim's edge or behind it (derived), and 15 to 20 mm are much."""
SLOW_FRAMES, LEAST_UNEVEN_SHARE = 15, 0.5
"""Half a second of a webcam: what moves the tip faster is shake. What it moves by besides the cubic is the pointer's own where
the gap shows more than half of it."""

_BOTH = (
    "the pointer's tip drifts by {:.1f} pixels in the picture, and pointer and camera both seem to have given way; "
    "fasten both and measure again"
)


def without_creep(seen: GapTrack, turning: Turning, positive: FloatArray, mm_per_px: float) -> GapTrack:
    """Take off the gap what a pointer crept by, or a camera went aside, and note it.

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
        crept_px, share = _crept_px(side, turning, inward, seen.time_s)
        good = np.isfinite(crept_px)
        way_px = float(np.ptp(crept_px[good])) if good.any() else 0.0
        if way_px > 0.0 and share >= LEAST_SHARE:
            notes.append(
                f"The pointer crept by {way_px * mm_per_px:.2f} mm on the {side.side} side while the wheel was filmed; "
                "that was taken off. Fasten it better before the next one."
            )
        elif way_px > MOST_UNTOLD_PX:
            notes.append(
                f"The camera went aside while the wheel was filmed, which changed the gap on the {side.side} side by "
                f"{way_px * mm_per_px:.2f} mm; that was taken off. Stand it more firmly before the next one."
            )
        sides.append(replace(side, gap_px=side.gap_px + crept_px))
    return replace(seen, sides=tuple(sides), notes=tuple(notes))


def _crept_px(
    side: EdgeTrack, turning: Turning, inward: FloatArray, time_s: FloatArray
) -> tuple[FloatArray, float]:
    """What the gap (n,) lost by a pointer that crept or a camera that went aside, NaN where a frame gives none; the share."""
    tip_px = side.tip_px @ inward
    good = np.isfinite(side.gap_px) & np.isfinite(tip_px) & np.isfinite(turning.angle_deg)
    result = np.where(np.isfinite(side.gap_px), 0.0, np.nan)
    order = min(HIGHEST_ORDER, (int(good.sum()) // FRAMES_A_COLUMN - 2) // 2)
    if order < 1:
        return result, 0.0
    gap_px, angle_deg = side.gap_px[good], turning.angle_deg[good]
    course = np.polynomial.Polynomial.fit(time_s[good], tip_px[good], DEGREE)
    drift_px = course(time_s) - float(np.mean(course(time_s[good])))
    way_px = float(np.ptp(drift_px[good]))
    _check_even(gap_px, tip_px[good] - course(time_s[good]), drift_px[good], angle_deg)
    if way_px < LEAST_DRIFT_PX:
        return result, 0.0
    share, error = _share(gap_px, angle_deg, drift_px[good], order)
    # Where the drift could pass for a curve its own column adds nothing, whatever the covariance says.
    rest = drift_px[good] - fit_columns(basis(angle_deg, order), drift_px[good], np.inf)(angle_deg)
    if error > SURE or float(np.ptp(rest)) < LEAST_REST * way_px:
        if way_px > MOST_UNTOLD_PX:
            raise NotTrustworthy(
                f"the pointer's tip drifts by {way_px:.1f} pixels in the picture, and the run is too short to tell "
                "whether the pointer or the camera gave way; fasten both, turn two whole turns, and measure again"
            )
        return result, 0.0
    if abs(share) < MOST_ASIDE:
        # A camera's way is no cubic, and the pointer goes it as a whole.
        slow_px = _slow(tip_px[good])
        share, error = _share(gap_px, angle_deg, slow_px, order)
        if _drifts(gap_px, angle_deg, slow_px, time_s[good], order):
            raise NotTrustworthy(_BOTH.format(way_px))
        if CLEAR * error < abs(share) < MOST_ASIDE:
            result[good] = share * (slow_px - float(np.mean(slow_px)))
        return result, share
    both = (
        min(abs(share), abs(share - 1.0)) > CLEAR * error
        and min(abs(share), abs(share - 1.0)) * way_px > MOST_UNTOLD_PX
    )
    if both and not LEAST_SHARE <= share <= 1.0:
        raise NotTrustworthy(_BOTH.format(way_px))
    if share < max(LEAST_SHARE, CLEAR * error):
        return result, share
    return result + min(share, 1.0) * drift_px, share


def _share(
    gap_px: FloatArray, angle_deg: FloatArray, way_px: FloatArray, order: int, *others: FloatArray
) -> tuple[float, float]:
    """By which share of the tip's way (n,) gaps (n,) grew smaller, and its standard error."""
    size_px = float(np.ptp(way_px))
    fit = fit_columns(np.column_stack([basis(angle_deg, order), *others, -way_px / size_px]), gap_px)
    error = ALIKE * float(np.sqrt(fit.covariance[-1, -1]))
    return float(fit.coefficients[-1]) / size_px, error / size_px


def _drifts(
    gap_px: FloatArray, angle_deg: FloatArray, slow_px: FloatArray, time_s: FloatArray, order: int
) -> bool:
    """Whether gaps (n,) also drift by a cubic of time, whatever they share of the camera's slow way (n,)."""
    when = 2.0 * (time_s - time_s[0]) / np.ptp(time_s) - 1.0
    course = np.polynomial.legendre.legvander(when, DEGREE)[:, 1:]
    others = np.column_stack([basis(angle_deg, order), slow_px - np.mean(slow_px)])
    fit = fit_columns(np.column_stack([others, course]), gap_px)
    drift_px = course @ fit.coefficients[-DEGREE:]
    rest_px = drift_px - others @ np.linalg.lstsq(others, drift_px, rcond=None)[0]
    first, last = np.argmin(drift_px), np.argmax(drift_px)
    span = course[last] - course[first]
    error_px = ALIKE * float(np.sqrt(span @ fit.covariance[-DEGREE:, -DEGREE:] @ span))
    way_px = float(np.ptp(drift_px))
    return way_px > max(MOST_UNTOLD_PX, CLEAR * error_px) and float(np.ptp(rest_px)) > LEAST_REST * way_px


def _slow(tip_px: FloatArray) -> FloatArray:
    """The tip's way (n,) without its shake."""
    padded = np.pad(tip_px, SLOW_FRAMES // 2, mode="edge")
    return np.convolve(padded, np.full(SLOW_FRAMES, 1.0 / SLOW_FRAMES), "valid")


def _check_even(
    gap_px: FloatArray, uneven_px: FloatArray, drift_px: FloatArray, angle_deg: FloatArray
) -> None:
    """Refuse a pass in which the pointer moved (n,) beside its drift (n,) by a cubic of time, and the gap with it."""
    slow_px = _slow(uneven_px)
    way_px = float(np.ptp(slow_px))
    order = min(HIGHEST_ORDER, (len(gap_px) // FRAMES_A_COLUMN - 3) // 2)
    if way_px < MOST_UNTOLD_PX or order < 1:
        return
    share, error = _share(gap_px, angle_deg, slow_px, order, drift_px)
    if share > max(LEAST_UNEVEN_SHARE, CLEAR * error):
        raise NotTrustworthy(
            f"the pointer was pushed while the wheel was filmed: its tip moved by {way_px:.1f} pixels otherwise than one that "
            "gives way slowly, and the gap with it; fasten it, keep hands and wheel off it, and measure again"
        )
