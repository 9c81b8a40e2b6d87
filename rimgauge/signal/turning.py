"""Angle of the wheel in every frame: a smooth curve of time through all the evidence there is.

The coarse path (place.py) tells which turn and which spoke; here the mark's place and the phase of the
spokes' look become measurements with weights, and a cubic spline of time is fitted to all of them by
linear least squares, with a weak preference for steady speed that bridges what wasn't seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.interpolate import BSpline
from scipy.sparse.linalg import spsolve

from rimgauge.errors import MarkNotSeen, TooFewRevolutions
from rimgauge.records import FloatArray, GapTrack, IntArray, Turning
from rimgauge.signal.place import Evidence, Look, follow

KNOT_SPACING_S = 0.15
TYPICAL_ACCELERATION_DEG_S2 = 150.0
COMPONENTS = 8
LOUDEST = 12.0
HARMONICS = 16
ROUNDS = 8
MARK_SD_DEG = 0.15
LEAST_REVOLUTIONS = 1.0


def find_turning(
    track: GapTrack, *, spoke_period_deg: float | None, px_per_deg: float, mark_to_pointer_deg: float
) -> Turning:
    """Fit the wheel's angle to the mark's passes and the spokes' look.

    Parameters
    ----------
    track : what capture saw.
    spoke_period_deg : angle after which the spokes look the same, None where they are uneven or not seen.
    px_per_deg : how far the mark moves in the picture a degree, roughly [px/deg]; refined from the evidence.
    mark_to_pointer_deg : how far the wheel rolls from the mark centred in its box to the mark at the pointer.

    Raises
    ------
    MarkNotSeen, TooFewRevolutions
    """
    seen = np.isfinite(track.mark_px)
    if not seen.any():
        raise _never_seen(track)
    components = (
        _components(track.spoke_profile) if spoke_period_deg is not None else np.empty((len(seen), 0))
    )
    mark_deg = track.mark_px / px_per_deg - mark_to_pointer_deg
    coarse_deg = _coarse(track, mark_deg, components, spoke_period_deg)
    spline = _Spline.over(track.time_s)
    angle_deg, sd_deg = coarse_deg, np.full(len(coarse_deg), 1.0)
    scale = 1.0
    for _ in range(ROUNDS):
        target, weight = _mark_target(track, mark_deg, angle_deg, scale, mark_to_pointer_deg)
        # The spokes' look is learnt from the angle itself, so it can't tell a common shift; the mark can.
        angle_deg = angle_deg + _common_shift(target, weight, angle_deg)
        if components.shape[1] and spoke_period_deg is not None:
            by_spokes, sure = _spoke_target(components, angle_deg, spoke_period_deg)
            target = np.concatenate([target, by_spokes])
            weight = np.concatenate([weight, sure])
        angle_deg, sd_deg = spline.fit(
            np.tile(np.arange(len(seen)), len(target) // len(seen)), target, weight
        )
        scale = _mark_scale(track.mark_px / px_per_deg, angle_deg + mark_to_pointer_deg)
    revolutions = float(np.ptp(angle_deg)) / 360.0
    if revolutions < LEAST_REVOLUTIONS:
        raise TooFewRevolutions(
            revolutions,
            f"the wheel turned only {revolutions:.2f} times in these frames; turn it at least one and a half times",
        )
    evidence = ("mark",) if not components.shape[1] else ("mark", "spokes")
    return Turning(
        angle_deg=angle_deg,
        standard_uncertainty_deg=sd_deg,
        revolutions=revolutions,
        reversals=_reversals(angle_deg),
        evidence=evidence,
    )


def _never_seen(track: GapTrack) -> MarkNotSeen | TooFewRevolutions:
    profile = track.spoke_profile
    gaps = track.sides[0].gap_px
    still = profile.size == 0 or float(np.median(np.std(profile, axis=0))) < 1.5
    if still and float(np.nanstd(gaps)) < 0.3:
        return TooFewRevolutions(
            0.0, "the wheel does not turn in these frames; turn it slowly by hand while they are taken"
        )
    return MarkNotSeen(
        "the mark was never seen in its box; stick a piece of bright tape on the rim at the valve, "
        "or run aim again and check the mark's box in its picture"
    )


def _components(profile: FloatArray) -> FloatArray:
    """Principal components (n, k) of the spokes' look, brightness changes of the whole picture removed."""
    if profile.shape[1] == 0:
        return np.empty((len(profile), 0))
    level = profile.mean(axis=1, keepdims=True)
    even = profile / np.maximum(level, 1.0)
    even = even - np.median(even, axis=0)
    # A bin that is never quiet (the border of something still, under camera shake) tells less.
    quiet = np.median(np.abs(even), axis=0)
    even = even / (quiet + np.median(quiet) + 1e-9)
    bounded = np.clip(even, -LOUDEST, LOUDEST)
    _, _, axes = np.linalg.svd(bounded - bounded.mean(axis=0), full_matrices=False)
    projected = bounded @ axes[:COMPONENTS].T
    return np.asarray(projected / np.std(projected[:, :1]))


def _coarse(
    track: GapTrack, mark_deg: FloatArray, components: FloatArray, period_deg: float | None
) -> FloatArray:
    """Unwrapped coarse angle (n,): the frames laid on evenly spaced moments, so that a dropped one is a gap."""
    interval_s = float(np.median(np.diff(track.time_s)))
    moment = np.rint((track.time_s - track.time_s[0]) / interval_s).astype(np.intp)
    count = int(moment[-1]) + 1
    marks = _laid_out(mark_deg, moment, count)
    spreads = _laid_out(0.8 + 0.06 * np.abs(np.nan_to_num(mark_deg)), moment, count)
    looks = [Look(_laid_out(_standard(side.gap_px)[:, None], moment, count), 360.0) for side in track.sides]
    if components.shape[1] and period_deg is not None:
        looks.append(Look(_laid_out(components, moment, count), period_deg))
    seen_as_far_as = float(np.nanmax(np.abs(mark_deg))) if np.isfinite(mark_deg).sum() > 3 else 1.0
    hidden_deg = min(2.0, 0.5 * seen_as_far_as)
    path, _ = follow(Evidence(marks, spreads, hidden_deg, tuple(looks)))
    return np.asarray(path[moment] + _between(track.time_s, moment, interval_s, path))


def _standard(values: FloatArray) -> FloatArray:
    """Values less their median, in their own standard deviations."""
    spread = float(np.nanstd(values))
    return np.asarray((values - np.nanmedian(values)) / (spread if spread > 0.0 else 1.0))


def _laid_out(values: FloatArray, moment: IntArray, count: int) -> FloatArray:
    """Values of the frames at their moments, NaN where a frame is missing."""
    result = np.full((count, *values.shape[1:]), np.nan)
    result[moment] = values
    return result


def _between(time_s: FloatArray, moment: IntArray, interval_s: float, path: FloatArray) -> FloatArray:
    """Tell what the wheel turns between the even moment and the frame's own time."""
    speed = np.gradient(path) / interval_s
    return np.asarray(speed[moment] * (time_s - time_s[0] - moment * interval_s))


def _mark_target(
    track: GapTrack, mark_deg: FloatArray, angle_deg: FloatArray, scale: float, offset_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Angle by the mark (n,), full turns added from the present angle, and its weight 1/sd² (0: unseen)."""
    by_mark = (mark_deg + offset_deg) * scale - offset_deg
    turns = np.rint((angle_deg - by_mark) / 360.0)
    target = by_mark + 360.0 * turns
    sd = MARK_SD_DEG + 0.05 * np.abs(mark_deg + offset_deg) + 0.5 * (1.0 - track.mark_strength)
    good = np.isfinite(target) & (np.abs(target - angle_deg) < 6.0)
    return np.where(good, target, 0.0), np.where(good, 1.0 / sd**2, 0.0)


def _common_shift(target_deg: FloatArray, weight: FloatArray, angle_deg: FloatArray) -> float:
    total = float(weight.sum())
    return float(weight @ (target_deg - angle_deg)) / total if total > 0.0 else 0.0


def _mark_scale(by_mark_deg: FloatArray, angle_deg: FloatArray) -> float:
    """Degrees a nominal degree of the mark's picture, by regression; 1 within reason where it can't be told."""
    off = (angle_deg + 180.0) % 360.0 - 180.0
    good = np.isfinite(by_mark_deg) & (np.abs(off - by_mark_deg) < 6.0)
    spread = by_mark_deg[good]
    if len(spread) < 4 or float(np.ptp(spread)) < 2.0:
        return 1.0
    slope = float(np.polyfit(spread, off[good], 1)[0])
    return min(max(slope, 0.7), 1.4)


def _spoke_target(
    components: FloatArray, angle_deg: FloatArray, period_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Angle (n,) at which each frame's look agrees best with the mean look, and its weight 1/sd²."""
    phase = 2.0 * np.pi * angle_deg / period_deg
    orders = np.arange(1, HARMONICS + 1)
    wave = np.outer(phase, orders)
    basis = np.hstack([np.ones((len(phase), 1)), np.cos(wave), np.sin(wave)])
    slope = np.hstack([np.zeros((len(phase), 1)), -np.sin(wave) * orders, np.cos(wave) * orders])
    slope *= 2.0 * np.pi / period_deg
    weight = np.ones(len(phase))
    for _ in range(3):
        normal = basis.T @ (basis * weight[:, None]) + 1e-3 * len(phase) / 50 * np.eye(basis.shape[1])
        look = np.linalg.solve(normal, basis.T @ (components * weight[:, None]))
        residual = components - basis @ look
        size = np.sqrt(np.mean(residual**2, axis=1))
        weight = 1.0 / (1.0 + (size / (3.0 * np.median(size) + 1e-9)) ** 4)
    noise = 1.4826 * np.median(np.abs(residual), axis=0) + 1e-6
    change = (slope @ look) / noise
    information = np.sum(change**2, axis=1)
    step = np.sum(change * residual / noise, axis=1) / np.maximum(information, 1e-9)
    limit = period_deg / 12.0
    trusted = weight * (np.abs(step) < 3.0 * limit)
    # Neighbouring bins of a picture err together: half the stated information is closer to what is seen.
    return angle_deg + np.clip(step, -limit, limit), 0.5 * information * trusted


@dataclass(frozen=True, slots=True, eq=False)
class _Spline:
    """Cubic B-splines of time (n, c) and the penalty that prefers steady speed."""

    design: sparse.csr_matrix
    penalty: sparse.csr_matrix

    @staticmethod
    def over(time_s: FloatArray) -> _Spline:
        span = float(time_s[-1] - time_s[0])
        pieces = max(4, math.ceil(span / KNOT_SPACING_S))
        spacing = span / pieces
        knots = time_s[0] + spacing * np.arange(-3, pieces + 4)
        knots[3], knots[-4] = time_s[0], time_s[-1]
        design = BSpline.design_matrix(np.clip(time_s, knots[3], knots[-4]), knots, 3)
        coefficients = design.shape[1]
        second = (
            sparse.diags([1.0, -2.0, 1.0], [0, 1, 2], shape=(coefficients - 2, coefficients)) / spacing**2
        )
        return _Spline(design.tocsr(), (second.T @ second) / TYPICAL_ACCELERATION_DEG_S2**2)

    def fit(self, frame: FloatArray, target: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Angle (n,) and its standard deviation (n,) from measurements of frames, NaN-free, weight 0: none."""
        rows = self.design[frame]
        normal = (rows.T @ sparse.diags(weight) @ rows + self.penalty).tocsc()
        solution = spsolve(normal, rows.T @ (weight * target))
        spread = spsolve(normal, self.design.T.toarray())
        variance = np.asarray(self.design.multiply(spread.T).sum(axis=1)).ravel()
        return np.asarray(self.design @ solution), np.sqrt(np.maximum(variance, 0.0))


def _reversals(angle_deg: FloatArray) -> int:
    """How often the wheel changed its direction, movements under two degrees left out."""
    turning, extreme, direction = 0, float(angle_deg[0]), 0
    for angle in angle_deg:
        change = float(angle) - extreme
        if abs(change) < 2.0:
            if direction and change * direction > 0:
                extreme = float(angle)
            continue
        sign = 1 if change > 0 else -1
        turning += int(direction == -sign)
        direction, extreme = sign, float(angle)
    return turning
