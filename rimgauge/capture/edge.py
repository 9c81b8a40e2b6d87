"""The rim's edge to a fraction of a pixel: one fit over all rows of a narrow band.

Across the edge the picture is a blurred step, I(u) = b + A·Φ((u − u₀ − s·v − q·v²)/σ), where Φ is the
normal distribution (a Gaussian blur of a step).
A second step w further in stands for the dark or bright line that a rim's bevel often draws beside its outline.
Place and slope belong to all rows together; brightness b and contrasts A belong to each row (streaks, glare).
For a single step the least standard deviation any unbiased method can reach is
√(σₙ²·2√π·σ/(A²·H)) over H rows with noise σₙ (Cramér and Rao; see docs/method.md).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rimgauge.capture.patch import GreyArray
from rimgauge.records import FloatArray, IntArray

_PER_UNIT = 1000
_REACH = 6
_NORMAL_CDF = np.array(
    [
        0.5 * (1.0 + math.erf(i / _PER_UNIT / math.sqrt(2.0)))
        for i in range(-_REACH * _PER_UNIT, _REACH * _PER_UNIT + 1)
    ]
)
_NORMAL_DENSITY = np.exp(
    -0.5 * (np.arange(-_REACH * _PER_UNIT, _REACH * _PER_UNIT + 1) / _PER_UNIT) ** 2
) / math.sqrt(2.0 * math.pi)
ITERATIONS = 6
ENOUGH_PX = 1e-3
"""A Gauss–Newton step below this is far under the noise of any camera."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeShape:
    """What stays the same from frame to frame.

    blur_px: σ. slope: s. bend_per_px: q. second_step_px: w, or None for a single step.
    outside_px, inside_px: how far the band reaches from the edge toward the pointer and into the rim.
    """

    blur_px: float
    slope: float
    bend_per_px: float
    second_step_px: float | None
    outside_px: int
    inside_px: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeFit:
    """Place u₀ of the edge at the row asked for, its slope, and how well the fit goes.

    quality: 0 to 1, the share of rows that agree, lowered where the edge hardly stands out of the noise.
    contrast: median over the rows of |A| [grey levels]. noise: standard deviation of the residual [grey levels].
    """

    place_px: float
    standard_error_px: float
    slope: float
    blur_px: float
    contrast: float
    noise: float
    quality: float


def normal_cdf(z: FloatArray) -> FloatArray:
    """Φ(z), from a table of steps 0.001 (error under 2.5e-4 of the step's height times its slope)."""
    return _NORMAL_CDF[_table_index(z)]


def _table_index(z: FloatArray) -> IntArray:
    return np.clip(z * _PER_UNIT + (_REACH * _PER_UNIT + 0.5), 0, 2 * _REACH * _PER_UNIT).astype(np.int64)


def fit_edge(
    patch: GreyArray, start_px: float, row_px: float, shape: EdgeShape, *, fit_blur: bool = False
) -> EdgeFit | None:
    """Fit the edge by Gauss–Newton with each row's brightness and contrasts solved on the way.

    Parameters
    ----------
    patch : (rows, columns) grey levels, u along the columns from the pointer into the rim.
    start_px : where the edge is expected at row_px [px].
    row_px : the row at which the place is wanted [px].
    shape : what is known of the edge.
    fit_blur : also fit σ (on the first frames, to learn it).

    Returns
    -------
    EdgeFit, or None where the band leaves the patch or the fit runs away.

    Notes
    -----
    Variable projection (Golub and Pereyra, SIAM J. Numer. Anal. 10, 1973; from memory): the linear unknowns
    of a row are eliminated from the normal equations, which leaves two or three unknowns for the whole band.
    Rows are weighted by Tukey's function of their own residual: a spoke or decal spoils rows, not pixels.
    """
    band = _Band.cut(patch, start_px, row_px, shape)
    if band is None:
        return None
    second = shape.second_step_px
    unknowns = np.array([start_px, shape.slope, shape.blur_px, second or 0.0])
    free = [0, 1] + ([2] if fit_blur else []) + ([3] if second is not None else [])
    for _ in range(ITERATIONS):
        solved = _solve_rows(band, unknowns, shape)
        weights = _tukey(np.sqrt(np.mean(solved.residual**2, axis=1)))
        weighted = (solved.jacobian[free] * weights[:, None]).reshape(len(free), -1)
        normal = weighted @ solved.reduced[free].reshape(len(free), -1).T
        try:
            step = np.linalg.solve(normal, weighted @ solved.residual.ravel())
        except np.linalg.LinAlgError:
            return None
        unknowns[free] += np.clip(step, -1.0, 1.0)
        unknowns[2] = min(max(unknowns[2], 0.3), 6.0)
        if second is not None:
            unknowns[3] = min(max(unknowns[3], 0.6 * second, 1.2), 1.6 * second)
        if abs(step[0]) < ENOUGH_PX:
            break
    if not np.isfinite(unknowns).all() or abs(unknowns[0] - start_px) > shape.outside_px:
        return None
    return _summary(band, unknowns, solved, weights, normal, len(patch))


@dataclass(frozen=True, slots=True, eq=False)
class _Band:
    """Pixels near the edge: grey (r, c) and its u; dv (r,) from the row asked for, bend (r,) in px."""

    grey: FloatArray
    u: FloatArray
    dv: FloatArray
    bend: FloatArray

    @staticmethod
    def cut(patch: GreyArray, start_px: float, row_px: float, shape: EdgeShape) -> _Band | None:
        rows, columns = patch.shape
        dv = np.arange(rows) - row_px
        bend = shape.bend_per_px * dv**2
        centre = np.rint(start_px + shape.slope * dv + bend).astype(np.intp)
        whole = (centre >= shape.outside_px) & (centre + shape.inside_px < columns)
        if whole.sum() < max(6, 0.5 * rows):
            return None
        u = centre[whole, None] + np.arange(-shape.outside_px, shape.inside_px + 1)
        grey = patch[np.flatnonzero(whole)[:, None], u].astype(np.float64)
        return _Band(grey, u.astype(np.float64), dv[whole], bend[whole])


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    """Rows' linear unknowns (r, k); residual (r, c); Jacobian (4, r, c), and reduced by elimination."""

    linear: FloatArray
    residual: FloatArray
    jacobian: FloatArray
    reduced: FloatArray


def _solve_rows(band: _Band, unknowns: FloatArray, shape: EdgeShape) -> _Solved:
    place, slope, blur, second = unknowns
    z = (band.u - (place + slope * band.dv + band.bend)[:, None]) / blur
    shifts = [0.0] if shape.second_step_px is None else [0.0, second / blur]
    indices = [_table_index(z - shift) for shift in shifts]
    basis = np.stack([np.ones_like(z), *(_NORMAL_CDF[index] for index in indices)], axis=1)
    across = basis.transpose(0, 2, 1)
    gram = basis @ across
    # A row whose step lies outside its band has no contrast of its own; a trace of ridge keeps it solvable.
    inverse = np.linalg.inv(gram + 1e-6 * np.eye(basis.shape[1]))
    linear = (inverse @ (basis @ band.grey[:, :, None]))[:, :, 0]
    residual = band.grey - (linear[:, None, :] @ basis)[:, 0]
    by_place = np.zeros_like(z)
    by_blur = np.zeros_like(z)
    for contrast, index, shift in zip(linear.T[1:], indices, shifts, strict=True):
        change = (-contrast / blur)[:, None] * _NORMAL_DENSITY[index]
        by_place += change
        by_blur += change * (z - shift)
    # The second step's distance moves only the second step, which is the last one added.
    jacobian = np.stack([by_place, by_place * band.dv[:, None], by_blur, change])
    columns = jacobian.transpose(1, 2, 0)
    reduced = (columns - across @ (inverse @ (basis @ columns))).transpose(2, 0, 1)
    return _Solved(linear, residual, jacobian, reduced)


def _summary(
    band: _Band, unknowns: FloatArray, solved: _Solved, weights: FloatArray, normal: FloatArray, rows: int
) -> EdgeFit:
    freedom = float(weights.sum()) * (band.u.shape[1] - solved.linear.shape[1]) - len(normal)
    noise = math.sqrt(float(np.sum(weights[:, None] * solved.residual**2)) / max(freedom, 1.0))
    contrast = float(np.median(np.abs(solved.linear[:, 1])))
    return EdgeFit(
        place_px=float(unknowns[0]),
        standard_error_px=math.sqrt(float(np.linalg.inv(normal)[0, 0])) * max(noise, 0.2),
        slope=float(unknowns[1]),
        blur_px=float(unknowns[2]),
        contrast=contrast,
        noise=noise,
        quality=float(weights.sum() / rows * min(1.0, contrast / (4.0 * max(noise, 0.2)))),
    )


def _tukey(row_rms: FloatArray) -> FloatArray:
    """Weights 0 to 1 of rows, zero from about six robust deviations above the median residual."""
    middle = float(np.median(row_rms))
    spread = max(1.4826 * float(np.median(np.abs(row_rms - middle))), 0.1 * middle, 0.05)
    excess = np.clip((row_rms - middle) / (6.0 * spread), 0.0, 1.0)
    return np.asarray((1.0 - excess**2) ** 2)
