"""Gap and angle to runout: the curve, its full indicator reading with uncertainty, spokes and zones."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rimgauge.errors import BadInput, NotTrustworthy
from rimgauge.records import (
    BoolArray,
    BudgetLine,
    EdgeTrack,
    Flange,
    FloatArray,
    IntArray,
    Measured,
    Scale,
    Side,
    SideRunout,
    Turning,
    Zone,
)
from rimgauge.signal.budget import expand, total_budget
from rimgauge.signal.harmonics import HarmonicFit, basis, fit_order, fit_smooth

CURVE_DEG: FloatArray = np.arange(720, dtype=np.float64) * 0.5
DRAWS = 500
ORDER_PER_SPOKE = 0.75
"""Highest harmonic a spoke: a rim bends between spokes, but hardly faster than every second one."""
LEAST_USED_SHARE = 0.5
REPEATED_PX = 0.02
"""What pixels, a codec's blocks and the length of rim that is looked at do to a gap in every turn alike, and neither rows nor
profiles show (chosen by 117 drawn wheels; on 25 others 91 % of spokes lay within two standard uncertainties, without it 87)."""
REPEATED_PX_BEFORE = 0.0
"""What older programs took for it, by which their measurements are worked out again."""
MOST_UNSEEN_DEG = 15.0
"""About the shortest bend that a rim with many spokes can make: across a wider gap its curve is anybody's guess."""


def side_runout(
    track: EdgeTrack,
    turning: Turning,
    scale: Scale,
    spoke_angle_deg: FloatArray,
    spoke_flange: tuple[Flange, ...],
    rng: np.random.Generator,
    *,
    other: SideRunout | None = None,
    lens_share: float = 0.0,
    far_lip: float | None = None,
    lost: Sequence[str] = (),
    repeated_px: float = REPEATED_PX,
) -> tuple[SideRunout, tuple[BudgetLine, ...]]:
    """Runout of one side. + is toward the wheel's right, or outward.

    Parameters
    ----------
    track, turning, scale : gap (n,) [px] of this side, angle (n,) [deg], and mm per px.
    spoke_angle_deg, spoke_flange : (s,) angle of each spoke from the mark [deg], and its flange.
    rng : for the bootstrap.
    other : runout of the other direction of the same wheel, whose share in this view is taken off.
    lens_share : what a lens that wasn't calibrated does, as a share of the reading.
    far_lip : how likely it is the rim's farther lip that is seen, None in a lateral view.
    lost : why each of the n frames gave no gap, "" where it did; empty where nobody knows.
    repeated_px : what every turn shows alike beyond what the gaps' errors tell [px].

    Raises
    ------
    NotTrustworthy
        Too few frames gave a gap, or part of the rim was never seen.
    BadInput
        The other direction is given, but the scale doesn't tell how the camera stands.
    """
    good = np.isfinite(track.gap_px)
    _check_enough(good, turning, lost)
    fit = _curve(track, turning, good, scale, other, most=max(4, int(ORDER_PER_SPOKE * len(spoke_angle_deg))))
    hidden_mm = _hidden(fit, track.standard_error_px[good] * scale.mm_per_px, repeated_px * scale.mm_per_px)
    total_mm, repeatability = _total(fit, hidden_mm, rng)
    budget = total_budget(
        total_mm,
        scale,
        repeatability=repeatability,
        angle_mm=_angle_part(fit, turning, good),
        other=other,
        lens_share=lens_share,
        far_lip=far_lip,
    )
    total = expand(total_mm, budget)
    return _as_told(track.side, fit, turning, good, spoke_angle_deg, spoke_flange, total, hidden_mm), budget


def _curve(
    track: EdgeTrack,
    turning: Turning,
    good: BoolArray,
    scale: Scale,
    other: SideRunout | None,
    *,
    most: int,
) -> HarmonicFit:
    """How the rim strays with the wheel's angle by the good frames (n,), up to an order; without the other direction's share."""
    angle_deg = turning.angle_deg[good]
    toward = 1.0 if track.side == "left" else -1.0
    rim_mm = toward * track.gap_px[good] * scale.mm_per_px - _other_share(angle_deg, scale, other)
    return fit_smooth(angle_deg, rim_mm, most)


def _as_told(
    side: Side,
    fit: HarmonicFit,
    turning: Turning,
    good: BoolArray,
    spoke_angle_deg: FloatArray,
    spoke_flange: tuple[Flange, ...],
    total: Measured,
    hidden_mm: float,
) -> SideRunout:
    """What the fitted curve says at every degree, at the spokes, and by harmonics."""
    curve_mm = fit(CURVE_DEG) - fit.coefficients[0]
    order = np.arange(1, fit.order + 1)
    cosines, sines = fit.coefficients[1 : fit.order + 1], fit.coefficients[fit.order + 1 :]
    return SideRunout(
        side=side,
        mean_gap_mm=abs(float(fit.coefficients[0])),
        total_runout=total,
        non_repeatable_mm=_non_repeatable(fit, turning.angle_deg[good]),
        harmonic_order=order,
        harmonic_amplitude_mm=np.hypot(cosines, sines),
        harmonic_phase_deg=np.degrees(np.arctan2(sines, cosines)) % 360.0,
        curve_angle_deg=CURVE_DEG,
        curve_mm=curve_mm,
        spoke_flange=spoke_flange,
        spoke_angle_deg=spoke_angle_deg,
        spoke_mm=fit(spoke_angle_deg) - fit.coefficients[0],
        spoke_standard_uncertainty_mm=np.hypot(
            _spread_at(fit, spoke_angle_deg, turning.common_uncertainty_deg), hidden_mm
        ),
        zones=find_zones(curve_mm, spoke_angle_deg),
        repeated_error_mm=hidden_mm,
    )


def _other_share(angle_deg: FloatArray, scale: Scale, other: SideRunout | None) -> FloatArray:
    """What the other direction's runout adds to the reading at angles (n,) [mm]."""
    if other is None:
        return np.zeros(len(angle_deg))
    if scale.camera is None:
        raise BadInput(
            "this view's scale doesn't tell how the camera stands, so the other direction can't be taken off; "
            "run scale with a checkerboard first"
        )
    found = np.interp(angle_deg % 360.0, other.curve_angle_deg, other.curve_mm, period=360.0)
    return np.asarray(scale.camera.crosstalk * found)


def _check_enough(good: BoolArray, turning: Turning, lost: Sequence[str]) -> None:
    # One undisturbed piece is enough if the whole rim passes in it: what was left out before and after doesn't count.
    seen = np.flatnonzero(good)
    run = good[seen[0] : seen[-1] + 1] if len(seen) else good
    if run.mean() < LEAST_USED_SHARE:
        raise NotTrustworthy(
            f"only {good.sum()} of {len(good)} frames showed pointer and rim clearly{_mostly(lost)}; add light, choose "
            "a plain background, keep hands out of the picture and measure again"
        )
    around = np.sort(turning.angle_deg[good] % 360.0)
    steps = np.diff(np.concatenate([around, [around[0] + 360.0]]))
    widest = int(np.argmax(steps))
    if steps[widest] > MOST_UNSEEN_DEG:
        # Frames whose angle nobody knows may have shown it.
        inside = ~((turning.angle_deg - around[widest]) % 360.0 >= steps[widest])
        why = _mostly([reason for reason, there in zip(lost, inside, strict=True) if there]) if lost else ""
        raise NotTrustworthy(
            f"{steps[widest]:.0f}° of the rim in one piece never passed the pointer in a usable frame{why}; turn the wheel "
            "slowly, two or three whole turns, with something plain behind the gap and no spokes in its picture, and "
            "measure again"
        )


def _mostly(lost: Sequence[str]) -> str:
    """The commonest reason for which frames were lost, in brackets; "" where none was."""
    reasons = Counter(reason for reason in lost if reason)
    return f" (mostly: {reasons.most_common(1)[0][0]})" if reasons else ""


def _total(fit: HarmonicFit, hidden_mm: float, rng: np.random.Generator) -> tuple[float, BudgetLine]:
    """Full indicator reading of the rim behind the noise, and its own line of the budget.

    Parametric bootstrap (Efron and Tibshirani 1993; from memory): curves drawn from the fit are each as likely
    to be the rim as the fitted one, whose own max − min is too small where noise hides its finer bends.
    The reading is the mean of their max − min; that correction counts as unsure by its whole size.
    What no residual shows enters at the places of max and min together.
    """
    shape = basis(CURVE_DEG[::2], fit.order)
    values, vectors = np.linalg.eigh(fit.covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    draws = fit.coefficients + rng.standard_normal((DRAWS, len(values))) @ root.T
    totals = np.ptp(draws @ shape.T, axis=1)
    total = float(totals.mean())
    unsure_mm = math.hypot(float(totals.std()), total - float(np.ptp(fit(CURVE_DEG))))
    line = BudgetLine(
        source="repeatability of the curve",
        standard_uncertainty_mm=math.hypot(unsure_mm, math.sqrt(2.0) * hidden_mm),
        degrees_of_freedom=fit.freedom,
    )
    return total, line


def _hidden(fit: HarmonicFit, errors_mm: FloatArray, repeated_mm: float) -> float:
    """What errors of single gaps (n,) [mm] do to the curve at one place beyond what the residuals show, and what pixels do.

    Texture and decals pass the pointer alike in every turn: what they do to the edge's place repeats and leaves no
    residual. It enters at each spoke, and at the places of max and min together (√2, derived).
    """
    unseen_mm = math.sqrt(max(float(np.median(errors_mm)) ** 2 - fit.noise**2, 0.0))
    return math.hypot(unseen_mm, repeated_mm)


def _angle_part(fit: HarmonicFit, turning: Turning, good: BoolArray) -> float:
    """What unsure angles do to max − min: laid over one another out of step, peaks come out lower.

    The mean of y(θ + e) over errors e of standard deviation s is y + ½·y''·s² (Taylor, derived). An error that all angles
    share moves max and min along and leaves them as they are.
    """
    curve = fit(CURVE_DEG)
    bend = np.gradient(np.gradient(curve, CURVE_DEG), CURVE_DEG)
    each, common = turning.standard_uncertainty_deg[good], turning.common_uncertainty_deg
    variance = max(float(np.mean(each**2)) - common**2, 0.0)
    return 0.5 * variance * float(abs(bend[np.argmax(curve)]) + abs(bend[np.argmin(curve)]))


def _spread_at(fit: HarmonicFit, angle_deg: FloatArray, shift_deg: float) -> FloatArray:
    """Standard uncertainty (n,) of the curve at angles (n,) that may all be off by the same, standard deviation shift_deg."""
    design = basis(angle_deg, fit.order)
    variance = np.maximum(np.einsum("ij,jk,ik->i", design, fit.covariance, design), 0.0)
    slope = np.interp(angle_deg % 360.0, CURVE_DEG, np.gradient(fit(CURVE_DEG), CURVE_DEG), period=360.0)
    return np.asarray(np.sqrt(variance + (slope * shift_deg) ** 2))


def _non_repeatable(fit: HarmonicFit, angle_deg: FloatArray) -> float:
    """Largest difference between revolutions at one place, NaN after one: means over 20° sectors of each."""
    sector = np.floor(angle_deg / 20.0).astype(np.int64)
    numbers, index = np.unique(sector, return_inverse=True)
    means = np.bincount(index, fit.residual) / np.bincount(index)
    place = numbers % 18
    spreads = [float(np.ptp(means[place == k])) for k in range(18) if (place == k).sum() > 1]
    return max(spreads, default=math.nan)


ZONE_SHARE = 0.35
"""A judgement: it keeps a single bend in one piece and leaves the harmless rest out."""


def find_zones(curve_mm: FloatArray, spoke_angle_deg: FloatArray) -> tuple[Zone, ...]:
    """Stretches that stray one way by more than about a third of the worst deviation, the worst first."""
    level = ZONE_SHARE * float(np.abs(curve_mm).max(initial=0.0))
    if level <= 0.0:
        return ()
    zones = []
    for sign in (1.0, -1.0):
        beyond = sign * curve_mm > level
        start = int(np.argmin(beyond))
        turned = np.roll(beyond, -start).astype(np.int64)
        begins = np.flatnonzero(np.diff(turned, prepend=0) == 1)
        ends = np.flatnonzero(np.diff(turned, append=0) == -1)
        for begin, end in zip(begins, ends, strict=True):
            index = (np.arange(begin, end + 1) + start) % len(curve_mm)
            zones.append(_zone(curve_mm, index, spoke_angle_deg))
    return tuple(sorted(zones, key=lambda zone: -abs(zone.peak_mm)))


def _zone(curve_mm: FloatArray, index: IntArray, spoke_angle_deg: FloatArray) -> Zone:
    start, end = float(CURVE_DEG[index[0]]), float(CURVE_DEG[index[-1]])
    worst = index[int(np.argmax(np.abs(curve_mm[index])))]
    width = (end - start) % 360.0
    inside = (spoke_angle_deg - start) % 360.0 <= width
    order = np.argsort((spoke_angle_deg[inside] - start) % 360.0)
    return Zone(
        start_deg=start,
        centre_deg=float(CURVE_DEG[worst]),
        end_deg=end,
        width_deg=width,
        peak_mm=float(curve_mm[worst]),
        spokes=tuple(int(k) + 1 for k in np.flatnonzero(inside)[order]),
    )


LIVE_ORDER = 10
"""Enough for a rim's shape to a few hundredths of a millimetre; what is left counts as noise."""
LIVE_PLACES = 72
LEAST_SEEN = 0.98


@dataclass(frozen=True, slots=True, eq=False)
class RunoutSoFar:
    """Total runout [mm], and the standard uncertainty [mm] that the scatter of the frames gives it."""

    total_mm: float
    standard_uncertainty_mm: float


def share_seen(angle_deg: FloatArray) -> float:
    """Share of the wheel, 0 to 1, that the angles (n,) [deg] cover, in steps of five degrees."""
    return len(np.unique(np.floor(angle_deg % 360.0 / (360.0 / LIVE_PLACES)))) / LIVE_PLACES


def runout_so_far(angle_deg: FloatArray, gap_mm: FloatArray) -> RunoutSoFar | None:
    """Fit the curve so far and read largest minus smallest; None until the whole wheel was seen.

    The uncertainty is that of the difference of the curve's two extremes, by the fit's covariance
    (law of propagation, GUM 5.2.2). Scale and view are not in it: more turning doesn't better them.

    Parameters
    ----------
    angle_deg, gap_mm : (n,) of the frames, NaN where either isn't known.
    """
    good = np.isfinite(angle_deg) & np.isfinite(gap_mm)
    if good.sum() < 4 * (2 * LIVE_ORDER + 1) or share_seen(angle_deg[good]) < LEAST_SEEN:
        return None
    fit = fit_order(angle_deg[good], gap_mm[good], LIVE_ORDER)
    grid: FloatArray = np.arange(0.0, 360.0, 1.0)
    curve = fit(grid)
    extremes = basis(grid[[int(curve.argmax()), int(curve.argmin())]], LIVE_ORDER)
    across = extremes[0] - extremes[1]
    return RunoutSoFar(float(np.ptp(curve)), math.sqrt(max(float(across @ fit.covariance @ across), 0.0)))
