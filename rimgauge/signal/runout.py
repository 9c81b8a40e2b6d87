"""Gap and angle to runout: the curve, its full indicator reading with uncertainty, spokes and zones."""

from __future__ import annotations

import math

import numpy as np
from scipy.stats import norm

from rimgauge.errors import NotTrustworthy
from rimgauge.records import (
    BoolArray,
    BudgetLine,
    EdgeTrack,
    Flange,
    FloatArray,
    IntArray,
    Measured,
    Scale,
    SideRunout,
    Turning,
    Verdict,
    Zone,
)
from rimgauge.signal.harmonics import HarmonicFit, basis, fit_best

CURVE_POINTS = 720
DRAWS = 500
COVERAGE = 0.95
ORDER_PER_SPOKE = 0.75
"""Highest harmonic a spoke: a rim bends between spokes, but hardly faster than every second one."""
DISTANCE_SHARE = 0.03
TILT_SHARE = 0.03
"""What the camera's place may do, as shares of the runout: an outline nearer or farther than the plane of the
scale, and a view that isn't square to the rim. Sizes seen on ray-traced scenes; see docs/method.md."""
ZONE_SHARE = 0.35
LEAST_USED_SHARE = 0.5


def side_runout(
    track: EdgeTrack,
    turning: Turning,
    scale: Scale,
    spoke_angle_deg: FloatArray,
    spoke_flange: tuple[Flange, ...],
    rng: np.random.Generator,
) -> tuple[SideRunout, tuple[BudgetLine, ...]]:
    """Runout of one side. + is toward the wheel's right, or outward.

    Parameters
    ----------
    track : gap (n,) [px] of this side.
    turning : angle (n,) [deg].
    scale : mm per px.
    spoke_angle_deg : (s,) angle of each spoke from the mark [deg].
    spoke_flange : (s,) flange of each spoke.
    rng : for the bootstrap.

    Raises
    ------
    NotTrustworthy
        Too few frames gave a gap, or part of the rim was never seen.
    """
    good = np.isfinite(track.gap_px)
    _check_enough(good, turning)
    toward = 1.0 if track.side == "left" else -1.0
    rim_mm = toward * track.gap_px[good] * scale.mm_per_px
    angle_deg = turning.angle_deg[good]
    highest = max(4, int(ORDER_PER_SPOKE * len(spoke_angle_deg)))
    fit = fit_best(angle_deg, rim_mm, highest)
    curve_deg: FloatArray = np.arange(CURVE_POINTS, dtype=np.float64) * (360.0 / CURVE_POINTS)
    curve_mm: FloatArray = fit(curve_deg) - fit.coefficients[0]
    total_mm, repeatability_mm = _total(fit, curve_deg, rng)
    budget = _budget(total_mm, repeatability_mm, scale, _angle_part(fit, turning, good))
    combined = math.sqrt(sum(line.standard_uncertainty_mm**2 for line in budget))
    factor = float(norm.ppf(0.5 + COVERAGE / 2.0))
    spoke_mm: FloatArray = fit(spoke_angle_deg) - fit.coefficients[0]
    order = np.arange(1, fit.order + 1)
    cosines, sines = fit.coefficients[1 : fit.order + 1], fit.coefficients[fit.order + 1 :]
    return SideRunout(
        side=track.side,
        mean_gap_mm=abs(float(fit.coefficients[0])),
        total_runout=Measured(
            value=total_mm, expanded_uncertainty=factor * combined, coverage_probability=COVERAGE
        ),
        non_repeatable_mm=_non_repeatable(fit, angle_deg),
        harmonic_order=order,
        harmonic_amplitude_mm=np.hypot(cosines, sines),
        harmonic_phase_deg=np.degrees(np.arctan2(sines, cosines)) % 360.0,
        curve_angle_deg=curve_deg,
        curve_mm=curve_mm,
        spoke_flange=spoke_flange,
        spoke_angle_deg=spoke_angle_deg,
        spoke_mm=spoke_mm,
        spoke_standard_uncertainty_mm=_spread_at(fit, spoke_angle_deg),
        zones=find_zones(curve_deg, curve_mm, spoke_angle_deg),
    ), budget


def _check_enough(good: BoolArray, turning: Turning) -> None:
    if good.mean() < LEAST_USED_SHARE:
        raise NotTrustworthy(
            f"only {good.sum()} of {len(good)} frames showed pointer and rim clearly; add light, choose a plain "
            "background, keep hands out of the picture and measure again"
        )
    around = np.sort(turning.angle_deg[good] % 360.0)
    widest = float(np.max(np.diff(np.concatenate([around, [around[0] + 360.0]]))))
    if widest > 45.0:
        raise NotTrustworthy(
            f"{widest:.0f}° of the rim never passed the pointer in a usable frame; turn the wheel slowly, "
            "two or three whole turns, and measure again"
        )


def _total(fit: HarmonicFit, curve_deg: FloatArray, rng: np.random.Generator) -> tuple[float, float]:
    """Full indicator reading less the bias that noise gives max − min, and its standard uncertainty.

    Parametric bootstrap: curves drawn round the fitted one with the fit's own covariance show by how much
    max − min of a noisy curve exceeds that of the curve itself (Efron and Tibshirani 1993; from memory).
    """
    shape = basis(curve_deg[::2], fit.order)
    values, vectors = np.linalg.eigh(fit.covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    draws = fit.coefficients + rng.standard_normal((DRAWS, len(values))) @ root.T
    totals = np.ptp(draws @ shape.T, axis=1)
    plain = float(np.ptp(fit(curve_deg)))
    bias = float(totals.mean()) - plain
    return max(plain - bias, 0.0), float(totals.std())


def _angle_part(fit: HarmonicFit, turning: Turning, good: BoolArray) -> float:
    """Tell what an error of the angle does to a peak: little, since peaks are flat."""
    slope = np.gradient(fit(np.arange(0.0, 360.0, 1.0)))
    typical = float(np.sqrt(np.mean(slope**2)))
    return 0.5 * typical * float(np.median(turning.standard_uncertainty_deg[good]))


def _budget(
    total_mm: float, repeatability_mm: float, scale: Scale, angle_mm: float
) -> tuple[BudgetLine, ...]:
    relative = scale.standard_uncertainty_mm_per_px / scale.mm_per_px
    lines = (
        ("repeatability of the curve", repeatability_mm),
        ("scale", relative * total_mm),
        ("distance of the rim's outline from the plane of the scale", DISTANCE_SHARE * total_mm),
        ("camera not square to the rim", TILT_SHARE * total_mm),
        ("angle of the wheel", angle_mm),
    )
    return tuple(BudgetLine(source=name, standard_uncertainty_mm=value) for name, value in lines)


def _spread_at(fit: HarmonicFit, angle_deg: FloatArray) -> FloatArray:
    design = basis(angle_deg, fit.order)
    return np.asarray(np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", design, fit.covariance, design), 0.0)))


def _non_repeatable(fit: HarmonicFit, angle_deg: FloatArray) -> float:
    """Largest difference between revolutions at one place: means over 20° sectors of each revolution."""
    sector = np.floor(angle_deg / 20.0).astype(np.int64)
    numbers, index = np.unique(sector, return_inverse=True)
    means = np.bincount(index, fit.residual) / np.bincount(index)
    place = numbers % 18
    spreads = [float(np.ptp(means[place == k])) for k in range(18) if (place == k).sum() > 1]
    return max(spreads, default=0.0)


def find_zones(curve_deg: FloatArray, curve_mm: FloatArray, spoke_angle_deg: FloatArray) -> tuple[Zone, ...]:
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
            zones.append(_zone(curve_deg, curve_mm, index, spoke_angle_deg))
    return tuple(sorted(zones, key=lambda zone: -abs(zone.peak_mm)))


def _zone(curve_deg: FloatArray, curve_mm: FloatArray, index: IntArray, spoke_angle_deg: FloatArray) -> Zone:
    start, end = float(curve_deg[index[0]]), float(curve_deg[index[-1]])
    worst = index[int(np.argmax(np.abs(curve_mm[index])))]
    width = (end - start) % 360.0
    inside = (spoke_angle_deg - start) % 360.0 <= width
    order = np.argsort((spoke_angle_deg[inside] - start) % 360.0)
    return Zone(
        start_deg=start,
        centre_deg=float(curve_deg[worst]),
        end_deg=end,
        width_deg=width,
        peak_mm=float(curve_mm[worst]),
        spokes=tuple(int(k) + 1 for k in np.flatnonzero(inside)[order]),
    )


def judge(total: Measured, tolerance_mm: float) -> Verdict:
    """Within, out or undecided, the expanded uncertainty as guard band (decision rule of ISO 14253-1)."""
    value, guard = total.value, total.expanded_uncertainty
    rule = (
        "within if the reading plus its uncertainty stays under the limit, out if the reading less its "
        "uncertainty is over it, else undecided (ISO 14253-1)"
    )
    if value + guard <= tolerance_mm:
        return Verdict(tolerance_mm=tolerance_mm, rule=rule, outcome="within")
    outcome = "out" if value - guard > tolerance_mm else "undecided"
    return Verdict(tolerance_mm=tolerance_mm, rule=rule, outcome="out" if outcome == "out" else "undecided")
