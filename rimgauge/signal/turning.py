"""Angle of the wheel in every frame: a smooth curve of time through all the evidence there is.

The coarse path (place.py) tells which turn and which spoke; here the mark's place and the phase of the
spokes' look become measurements with weights, and a cubic spline of time is fitted to all of them by
linear least squares, with a weak preference for steady speed that bridges what wasn't seen.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import sparse

from rimgauge.errors import MarkNotSeen, PlaceLost, TooFewRevolutions
from rimgauge.records import BoolArray, FloatArray, GapTrack, IntArray, Turning
from rimgauge.signal.place import FASTEST_STEPS, STEPS, Evidence, Look, Place, follow
from rimgauge.signal.smooth_curve import SmoothCurve

UNEVEN_SHARE = 0.2
KNOT_SPACING_S = 0.1
COMPONENTS = 8
LOUDEST = 12.0
HARMONICS = 16
ROUNDS = 8
STEADY_DEG = 0.005
MARK_SD_DEG = 0.15
LEAST_REVOLUTIONS = 1.1
SURE_SHARE = 1.0 / 6.0
"""Largest standard uncertainty of a usable angle, as a share of the spokes' spacing: three of them are half
a spacing, beyond which a neighbouring spoke would be named."""
LARGEST_SD_DEG = 2.0
LARGEST_DOUBT = 0.01
LEAST_USED_SHARE = 0.5


def find_turning(
    track: GapTrack, *, spoke_angles_deg: FloatArray, px_per_deg: float, mark_to_pointer_deg: float
) -> Turning:
    """Fit the wheel's angle to the mark's passes and the spokes' look.

    Parameters
    ----------
    track : what capture saw.
    spoke_angles_deg : (s,) of each spoke from the mark, spoke 1 first.
    px_per_deg : how far the mark moves in the picture a degree, roughly [px/deg]; refined from the evidence.
    mark_to_pointer_deg : how far the wheel rolls from the mark centred in its box to the mark at the pointer.

    Returns
    -------
    Turning
        Its angle is NaN in frames where it can't be told well enough to name a spoke.

    Raises
    ------
    MarkNotSeen, TooFewRevolutions, PlaceLost
    """
    if not np.isfinite(track.mark_px).any():
        raise _never_seen(track)
    period_deg = look_period_deg(spoke_angles_deg)
    components = _components(track.spoke_profile)
    mark_deg = track.mark_px / px_per_deg - mark_to_pointer_deg
    moment, place = _coarse(track, mark_deg, components, period_deg)
    angle_deg = _at_frames(track.time_s, moment, place.angle_deg)
    curve = SmoothCurve.over(track.time_s, KNOT_SPACING_S)
    scale = 1.0
    for _ in range(ROUNDS):
        before = angle_deg
        by_mark, sure = _mark_target(track, mark_deg, angle_deg, scale, mark_to_pointer_deg)
        # The spokes' look is learnt from the angle itself, so it can't tell a common shift; the mark can.
        angle_deg = angle_deg + _common_shift(by_mark, sure, angle_deg)
        targets, weights = [by_mark], [sure]
        if components.shape[1]:
            by_spokes, sure = _spoke_target(components, angle_deg, period_deg)
            targets.append(by_spokes)
            weights.append(sure)
        rows = sparse.vstack([curve.design] * len(targets)).tocsr()
        fit = curve.fit(rows, np.concatenate(targets), np.concatenate(weights))
        angle_deg = fit.values()
        scale = _mark_scale(track.mark_px / px_per_deg, angle_deg + mark_to_pointer_deg)
        if float(np.abs(angle_deg - before).max()) < STEADY_DEG:
            break
    spread_deg = np.hypot(fit.standard_uncertainty(), _shift_uncertainty(weights[0]))
    spacing_deg = 360.0 / len(spoke_angles_deg)
    usable = spread_deg < min(SURE_SHARE * spacing_deg, LARGEST_SD_DEG)
    usable &= _doubt(place.chance[moment], angle_deg, spacing_deg) < LARGEST_DOUBT
    evidence = ("mark",) if not components.shape[1] else ("mark", "spokes")
    _check(angle_deg, usable, evidence)
    return Turning(
        angle_deg=np.where(usable, angle_deg, np.nan),
        standard_uncertainty_deg=spread_deg,
        revolutions=float(np.ptp(angle_deg[usable])) / 360.0,
        reversals=_reversals(angle_deg[usable]),
        evidence=evidence,
    )


def look_period_deg(spoke_angles_deg: FloatArray) -> float:
    """Angle after which the spokes look the same, 360 where only a whole turn brings them back.

    Flanges take turns, so it is an even number of spokes; where the spokes of a flange can take turns too,
    heads in and heads out, it is a multiple of four.
    """
    count = len(spoke_angles_deg)
    around = np.sort(np.asarray(spoke_angles_deg) % 360.0)
    twice = np.concatenate([around, around + 360.0])
    step = 4 if count % 4 == 0 else 2
    for spokes in range(step, count, step):
        if count % spokes == 0:
            period_deg = 360.0 * spokes / count
            off = twice[spokes : spokes + count] - twice[:count] - period_deg
            if float(np.abs(off).max()) < UNEVEN_SHARE * 360.0 / count:
                return period_deg
    return 360.0


def _doubt(chance: FloatArray, angle_deg: FloatArray, spacing_deg: float) -> FloatArray:
    """Chance (n,) that the wheel is really a spoke or more from where the angle says, by the coarse path."""
    grid = np.arange(STEPS) * (360.0 / STEPS)
    off = np.abs((grid - angle_deg[:, None] + 180.0) % 360.0 - 180.0)
    return np.asarray(np.sum(np.where(off > 0.5 * spacing_deg + 1.0, chance, 0.0), axis=1))


def _shift_uncertainty(mark_weight: FloatArray) -> float:
    """Of the mean of all the mark's sightings, which the whole curve hangs on."""
    return 1.0 / math.sqrt(max(float(mark_weight.sum()), 1e-9))


def _check(angle_deg: FloatArray, usable: BoolArray, evidence: tuple[str, ...]) -> None:
    """Refuse a run in which the wheel turned too little, or whose angle was lost for too long."""
    revolutions = float(np.ptp(angle_deg)) / 360.0
    if revolutions < LEAST_REVOLUTIONS:
        raise TooFewRevolutions(
            revolutions,
            f"the wheel turned only {revolutions:.2f} times in these frames; turn it one and a half times or more",
        )
    if usable.mean() >= LEAST_USED_SHARE and float(np.ptp(angle_deg[usable])) >= 360.0:
        return
    remedy = (
        "turn the wheel more slowly and evenly, and let the mark pass at least three times"
        if "spokes" in evidence
        else "let the wheel spin freely instead of pushing it on, or run aim again so that spokes are seen too"
    )
    raise PlaceLost(
        f"the wheel's angle can be told in only {usable.sum()} of {len(usable)} frames from: "
        f"{', '.join(evidence)}; {remedy}"
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
    _, axes = np.linalg.eigh(np.cov(bounded.T))
    projected = bounded @ axes[:, : -COMPONENTS - 1 : -1]
    return np.asarray(projected / max(float(np.std(projected[:, 0])), 1e-9))


def _coarse(
    track: GapTrack, mark_deg: FloatArray, components: FloatArray, period_deg: float
) -> tuple[IntArray, Place]:
    """Lay the frames on evenly spaced moments, so that a dropped one is a gap, and follow the wheel there.

    Returns
    -------
    moment (n,) of each frame, and the place at every moment.
    """
    interval_s = float(np.median(np.diff(track.time_s)))
    moment = np.rint((track.time_s - track.time_s[0]) / interval_s).astype(np.intp)
    count = int(moment[-1]) + 1
    marks = _laid_out(mark_deg, moment, count)
    spreads = _laid_out(0.8 + 0.06 * np.abs(np.nan_to_num(mark_deg)), moment, count)
    looks = [Look(_laid_out(_standard(side.gap_px)[:, None], moment, count), 360.0) for side in track.sides]
    if components.shape[1]:
        looks.append(Look(_laid_out(components, moment, count), period_deg))
    seen_as_far_as = float(np.nanmax(np.abs(mark_deg))) if np.isfinite(mark_deg).sum() > 3 else 1.0
    hidden_deg = min(2.0, 0.5 * seen_as_far_as)
    speed = np.ones((count, 2 * FASTEST_STEPS + 1))
    return moment, follow(Evidence(marks, spreads, hidden_deg, speed, tuple(looks)))


def _standard(values: FloatArray) -> FloatArray:
    """Values less their median, in their own standard deviations."""
    spread = float(np.nanstd(values))
    return np.asarray((values - np.nanmedian(values)) / (spread if spread > 0.0 else 1.0))


def _laid_out(values: FloatArray, moment: IntArray, count: int) -> FloatArray:
    """Values of the frames at their moments, NaN where a frame is missing."""
    result = np.full((count, *values.shape[1:]), np.nan)
    result[moment] = values
    return result


def _at_frames(time_s: FloatArray, moment: IntArray, path: FloatArray) -> FloatArray:
    """Angle at each frame's own time (n,), from the path at even moments."""
    interval_s = float(np.median(np.diff(time_s)))
    speed = np.gradient(path) / interval_s
    return np.asarray(path[moment] + speed[moment] * (time_s - time_s[0] - moment * interval_s))


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
