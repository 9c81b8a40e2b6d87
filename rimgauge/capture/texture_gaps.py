"""What the gaps of a pass tell of their own errors: a rim's runout is smooth from frame to frame, and those aren't.

A spline through the gaps follows the rim; how many pieces it needs is told by generalised cross-validation (Craven and
Wahba, Numer. Math. 31 (1979) 377; from memory). What it leaves is noise, and texture as far as that changes from frame
to frame: its variance is that of a single gap, and regression on corrections that were worked out otherwise tells how
much of those is right.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import make_lsq_spline

from rimgauge.records import FloatArray

FRAMES_A_PIECE = (2, 3, 4, 6, 8, 12, 16, 24, 32, 48)
DEGREE = 5
LEAST_FREEDOM = 15
"""Of what the spline leaves; less tells no variance."""
ROUNDS, BOUND = 3, 2.5
"""What is left beyond so many medians weighs less (Huber)."""
MOST_LAG, STILL_ALIKE = 12, 0.6
"""Corrections so many frames apart are compared, or nearer ones as soon as they are less alike than that: a slow wheel
shows the same texture for several frames, and a piece is at least PIECE_LAGS times as long. Even at a usual speed neighbours
share up to half of it, and longer pieces would leave the rim's own bends. Where they do so nevertheless short ones count."""
PIECE_LAGS = 2
SETTLED = 1.3
"""Shorter pieces leave many times less of a rim's bends (a judgement)."""
LEAST_SHOWN = 0.5
"""Texture that stays for a few frames goes into the spline in part; not more than this of it (a judgement)."""


@dataclass(frozen=True, slots=True, eq=False)
class Gaps:
    """Gaps (n,) at times (n,), NaN where unknown, with the standard errors of edge and pointer [px]."""

    time_s: FloatArray
    gap_px: FloatArray
    edge_error_px: FloatArray
    pointer_error_px: FloatArray


@dataclass(frozen=True, slots=True)
class Restless:
    """Share of corrections that makes gaps smoothest, its variance; variance of a gap [px²], its degrees of freedom.

    settled: whether that variance holds none of the rim's own bends, for a finer curve leaves hardly less.
    shown: of the corrections' variance, the part that changes faster than the smooth curve and so told the share.
    """

    share: float
    share_variance: float
    variance: float
    freedom: float
    shown: float
    settled: bool = False


def restless(time_s: FloatArray, gap_px: FloatArray, correction_px: FloatArray) -> Restless | None:
    """What is left of gaps (n,) beside a smooth curve, and how much of it corrections (n,) explain; NaN where unknown.

    None where too few are known.
    """
    known = np.isfinite(gap_px) & np.isfinite(correction_px)
    known[1:] &= np.diff(time_s) > 0.0
    time_s, values = time_s[known], np.stack([gap_px[known], correction_px[known]], axis=1)
    parts = [_beside(time_s, values, frames) for frames in FRAMES_A_PIECE]
    told = [part for part in parts if part is not None]
    if not told:
        return None
    least = PIECE_LAGS * _lag(correction_px[known])
    long = [part for part, frames in zip(parts, FRAMES_A_PIECE, strict=True) if part and frames >= least]
    best = _best(long)
    # What long pieces leave beyond short ones can be texture that stays only as far as corrections are as large.
    if best is None or best.variance - min(part.variance for part in told) > np.var(values[:, 1]):
        return _best(told)
    return best


def _best(told: list[Restless]) -> Restless | None:
    """That of the pieces that cross-validation chooses, None of none."""
    if not told:
        return None
    # The variance over the freedom is the score of cross-validation.
    best = min(range(len(told)), key=lambda k: told[k].variance / told[k].freedom)
    settled = best > 0 and told[best].variance < SETTLED * told[best - 1].variance
    return replace(told[best], settled=settled)


def _lag(correction_px: FloatArray) -> int:
    """After how many frames corrections (m,) are no longer alike."""
    even = correction_px - correction_px.mean() if len(correction_px) else correction_px
    size = STILL_ALIKE * float(even @ even)
    return next((k for k in range(1, MOST_LAG) if float(even[k:] @ even[:-k]) <= size), MOST_LAG)


def _smooth(time_s: FloatArray, values: FloatArray, knots: FloatArray, weight: FloatArray) -> FloatArray:
    """Splines (m, 2) with knots through values (m, 2) of weights (m,); NaN where those tell none.

    By normal equations, whose time grows with the length of the pass; scipy's usual way takes its square.
    """
    try:
        spline = make_lsq_spline(time_s, values, knots, DEGREE, np.sqrt(weight), method="norm-eq")
    except np.linalg.LinAlgError:
        return np.full_like(values, np.nan)
    return np.asarray(spline(time_s))


def _beside(time_s: FloatArray, values: FloatArray, frames: int) -> Restless | None:
    """What is left of values (m, 2), gaps and corrections, beside splines of pieces of so many frames."""
    inner = time_s[frames // 2 + DEGREE - 1 : 1 - DEGREE : frames]
    knots = np.concatenate([time_s[:1].repeat(DEGREE + 1), inner, time_s[-1:].repeat(DEGREE + 1)])
    freedom = len(time_s) - (len(inner) + DEGREE + 1)
    if freedom < LEAST_FREEDOM:
        return None
    share, weight = 0.0, np.ones(len(time_s))
    for _ in range(ROUNDS):
        gap, correction = (values - _smooth(time_s, values, knots, weight)).T
        size = max(float(weight @ correction**2), 1e-12)
        share = -float((weight * correction) @ gap) / size
        left, used = gap + share * correction, weight
        off = np.abs(left)
        weight = np.minimum(1.0, BOUND * float(np.median(off)) / np.maximum(off, 1e-9))
    inflation = len(time_s) / freedom / float(used.sum())
    variance = inflation * float(used @ left**2)
    spread = float(np.var(values[:, 1]))
    shown = min(inflation * size / spread, 1.0) if spread > 0.0 else 1.0
    return Restless(
        share=share,
        share_variance=variance / size,
        variance=variance / max(shown, LEAST_SHOWN),
        freedom=float(freedom),
        shown=shown,
    )
