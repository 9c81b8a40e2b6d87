"""The rim's edge to a fraction of a pixel: one fit over all rows of a narrow band.

Across the edge the picture is a blurred step, I(u) = b + A·Φ((u − u₀ − s·v − q·v²)/σ), where Φ is the
normal distribution (a Gaussian blur of a step).
A second step w further in stands for the dark or bright line that a rim's bevel often draws beside its outline.
Place, slope and w belong to all rows together; brightness b and contrasts A belong to each row (streaks, glare).
For a single step the least standard deviation any unbiased method can reach is
√(σₙ²·2√π·σ/(A²·H)) over H rows with noise σₙ (Cramér and Rao; see docs/method.md).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import ndtr

from rimgauge.capture.patch import GreyArray
from rimgauge.records import FloatArray

PHASES = 256
"""The step is tabulated at so many places inside a pixel; what that rounds off is under 0.002 px in one row."""
ITERATIONS = 8
ENOUGH_PX = 0.02
"""After a Gauss–Newton step that moves no row farther than this, the next one is lost in the noise."""
_WIDTH = 3
"""Index of w among the unknowns place, slope, bend, w: the first three multiply powers 0 to 2 of a row's height."""
BLOCK_ROWS = 8
"""Height of a JPEG's blocks."""
LEAST_NOISE = 0.2
"""Grey levels: rounding to whole ones alone gives 0.29."""


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
    """Place u₀ of the edge at the row asked for, its slope and bend, and how well the fit goes.

    quality: 0 to 1, the share of rows that agree, lowered where the edge hardly stands out of the noise.
    pixel_error_px: what the residual would leave of error if it were independent from pixel to pixel.
    contrast: median over the rows of |A| [grey levels].
    noise: standard deviation of the residual [grey levels].
    """

    place_px: float
    standard_error_px: float
    pixel_error_px: float
    slope: float
    bend_per_px: float
    contrast: float
    noise: float
    quality: float


def fit_edge(
    patch: GreyArray, start_px: float, row_px: float, shape: EdgeShape, *, fit_bend: bool = False
) -> EdgeFit | None:
    """Fit the edge by Gauss–Newton with each row's brightness and contrasts solved on the way.

    Parameters
    ----------
    patch : (rows, columns) grey levels, u along the columns from the pointer into the rim.
    start_px : where the edge is expected at row_px [px].
    row_px : the row at which the place is wanted [px].
    shape : what is known of the edge.
    fit_bend : also fit q (on the first frames, to learn it).

    Returns
    -------
    EdgeFit, or None where the band leaves the patch or the fit runs away.

    Notes
    -----
    Variable projection (Golub and Pereyra, SIAM J. Numer. Anal. 10, 1973; from memory): the linear unknowns
    of a row are eliminated from the normal equations, which leaves two or three unknowns for the whole band.
    Brightness known beforehand would gain nothing on a wide band: with n plain pixels on either side of the
    edge, fitting it widens the standard deviation by the factor 1 + 0.886·σ/n (docs/method.md).
    Rows are weighted by Tukey's function of their own residual: a spoke or decal spoils rows, not pixels.
    """
    band = _Band.cut(patch, start_px, row_px, shape)
    if band is None:
        return None
    widths = [shape.second_step_px] if shape.second_step_px is not None else []
    unknowns = np.array([start_px, shape.slope, shape.bend_per_px, *widths])
    free = [0, 1, *([2] if fit_bend else []), *([3] if widths else [])]
    half = len(patch) / 2.0
    moved_px = np.array([1.0, half, half**2, 1.0])[free]
    solved = None
    for _ in range(ITERATIONS):
        solved = _solve(_inner_products(band, unknowns, shape.blur_px), band, free)
        if solved is None:
            return None
        step = solved.covariance @ solved.scores.sum(axis=1)
        unknowns[free] += np.minimum(np.maximum(step, -1.0), 1.0)
        if widths:
            unknowns[_WIDTH] = min(max(unknowns[_WIDTH], 0.4 * widths[0], 1.2), 2.0 * widths[0])
        if float(np.abs(step) @ moved_px) < ENOUGH_PX:
            break
    if solved is None or not np.isfinite(unknowns).all() or abs(unknowns[0] - start_px) > shape.outside_px:
        return None
    return _summary(unknowns, solved, len(patch))


@lru_cache(maxsize=64)
def _step_table(blur_px: float, pixels: int) -> FloatArray:
    """Φ and its slope (phases + 1, starts, 2, pixels) for each phase of a step inside a pixel.

    Start s begins 2·pixels − s pixels before the step. Neighbouring starts share memory.
    """
    phase = (np.arange(PHASES + 1) / PHASES - 0.5)[:, None]
    z = (np.arange(-2 * pixels, 2 * pixels + 1) - phase) / blur_px
    table = np.stack([ndtr(z), np.exp(-0.5 * z**2) / (math.sqrt(2.0 * math.pi) * blur_px)], axis=1)
    return np.lib.stride_tricks.sliding_window_view(table, pixels, axis=2).transpose(0, 2, 1, 3)


@dataclass(frozen=True, slots=True, eq=False)
class _Band:
    """Pixels near the edge: grey (r, c) and column of the first of them (r,).

    lever: (4, r), what a row's line moves by when place, slope, bend or width grows by one: 1, v, v², 1.
    """

    grey: FloatArray
    first: FloatArray
    lever: FloatArray

    @staticmethod
    def cut(patch: GreyArray, start_px: float, row_px: float, shape: EdgeShape) -> _Band | None:
        rows, columns = patch.shape
        dv = np.arange(rows, dtype=np.float64) - row_px
        centre = np.rint(start_px + shape.slope * dv + shape.bend_per_px * dv**2).astype(np.intp)
        whole = np.flatnonzero((centre >= shape.outside_px) & (centre + shape.inside_px < columns))
        if len(whole) < max(6, 0.5 * rows):
            return None
        first = centre[whole] - shape.outside_px
        index = (whole * columns + first)[:, None] + np.arange(shape.outside_px + shape.inside_px + 1)
        lever = np.ones((4, len(whole)))
        lever[1] = dv[whole]
        lever[2] = lever[1] * lever[1]
        return _Band(patch.take(index).astype(np.float64), first.astype(np.float64), lever)


def _inner_products(band: _Band, unknowns: FloatArray, blur_px: float) -> FloatArray:
    """Inner products (2k, 2k, r) within each row at one place of the edge.

    They are of the k basis functions 1, Φ₁ (, Φ₂), the slopes of the k − 1 steps, and the grey levels.
    """
    rows, pixels = band.grey.shape
    line = unknowns[:_WIDTH] @ band.lever[:_WIDTH] - band.first
    steps = [line, *(line + further for further in unknowns[_WIDTH:])]
    k = 1 + len(steps)
    stack = np.empty((rows, 2 * k, pixels))
    stack[:, 0] = 1.0
    for j, step in enumerate(steps):
        stack[:, 1 + j : 1 + j + k : k - 1] = _step_at(step, pixels, blur_px)
    stack[:, -1] = band.grey
    return np.ascontiguousarray((stack @ stack.transpose(0, 2, 1)).transpose(1, 2, 0))


def _step_at(place: FloatArray, pixels: int, blur_px: float) -> FloatArray:
    """Φ and its slope (r, 2, pixels) for a step at the places (r,) counted from the first pixel."""
    near = np.minimum(np.maximum(place, -pixels), 2 * pixels - 1)
    whole = np.rint(near)
    phase = np.rint((near - whole + 0.5) * PHASES)
    return _step_table(blur_px, pixels)[phase.astype(np.intp), 2 * pixels - whole.astype(np.intp)]


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    """Round one place: covariance of the free unknowns over noise², each row's pull on them (n, r), its weight.

    row_rms: residual of each row [grey levels]. contrast: of the first step in each row.
    """

    covariance: FloatArray
    scores: FloatArray
    weights: FloatArray
    row_rms: FloatArray
    contrast: FloatArray


def _solve(products: FloatArray, band: _Band, free: list[int]) -> _Solved | None:
    k = len(products) // 2
    left, pivots = products, []
    for _ in range(k):
        # Gauss's elimination of brightness and contrasts, all rows at once.
        # A row whose step lies outside its band has no contrast of its own; a trace of ridge keeps it solvable.
        pivot = left[0, 1:] / (left[0, 0] + 1e-6)
        left = left[1:, 1:] - left[1:, 0, None] * pivot
        pivots.append(pivot)
    contrasts = np.empty((k - 1, products.shape[2]))
    for j in range(k - 1, 0, -1):
        contrasts[j - 1] = pivots[j][-1] - np.sum(pivots[j][: k - 1 - j] * contrasts[j:], axis=0)
    row_rms = np.sqrt(np.maximum(left[-1, -1], 0.0) / (band.grey.shape[1] - k))
    weights = _row_weights(row_rms)
    # Place, slope and bend move all steps together; the second step's distance moves only that one.
    moves = band.lever[free, None] * -contrasts
    if _WIDTH in free:
        moves[-1, :-1] = 0.0
    against = np.einsum("njr,jlr->nlr", moves, left[:-1])
    weighted = (against[:, :-1] * weights).reshape(len(free), -1)
    try:
        covariance = np.linalg.inv(weighted @ moves.reshape(len(free), -1).T)
    except np.linalg.LinAlgError:
        return None
    return _Solved(covariance, against[:, -1] * weights, weights, row_rms, contrasts[0])


def _summary(unknowns: FloatArray, solved: _Solved, rows: int) -> EdgeFit:
    weights = solved.weights
    noise = math.sqrt(float(weights @ solved.row_rms**2) / max(float(weights.sum()), 1.0))
    noise = max(noise, LEAST_NOISE)
    contrast = _median(np.abs(solved.contrast))
    return EdgeFit(
        place_px=float(unknowns[0]),
        standard_error_px=_standard_error(solved.covariance, solved.scores),
        pixel_error_px=noise * math.sqrt(max(float(solved.covariance[0, 0]), 0.0)),
        slope=float(unknowns[1]),
        bend_per_px=float(unknowns[2]),
        contrast=contrast,
        noise=noise,
        quality=float(weights.sum() / rows * min(1.0, contrast / (4.0 * noise))),
    )


def _standard_error(covariance: FloatArray, scores: FloatArray) -> float:
    """Standard deviation of the place from the scatter of blocks of rows.

    Rows next to one another share what a codec or a streak does to them, so that the scatter of single pixels
    would promise too much: the sandwich estimate for clusters (Liang and Zeger, Biometrika 73, 1986; from memory).
    """
    pull = covariance[0] @ np.add.reduceat(scores, np.arange(0, scores.shape[1], BLOCK_ROWS), axis=1)
    blocks = len(pull)
    return math.sqrt(float(np.sum((pull - pull.mean()) ** 2)) * blocks / max(blocks - len(scores), 1))


def _row_weights(row_rms: FloatArray) -> FloatArray:
    """Weights 0 to 1 of rows: whole within two robust deviations of the median residual, none from eight on."""
    middle = _median(row_rms)
    spread = max(1.4826 * _median(np.abs(row_rms - middle)), 0.1 * middle, 0.05)
    excess = np.minimum(np.maximum((row_rms - middle) / (6.0 * spread) - 1.0 / 3.0, 0.0), 1.0)
    return np.asarray((1.0 - excess**2) ** 2)


def _median(values: FloatArray) -> float:
    """The middle one, the upper of the two for an even number; five times as quick as numpy's on a hundred rows."""
    return float(np.partition(values, len(values) // 2)[len(values) // 2])
