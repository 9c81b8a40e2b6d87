"""What a rim's uneven brightness does to the place of its edge: told, and mostly taken off, by the whole pass.

Just behind its edge a rim is brighter here and darker there, and a fit can't tell that from a shift: what is as
wide as the blur moves all rows alike, which neither the residual nor the scatter of the rows shows.
Over a whole pass it shows. The mean profile of each frame, laid straight along its edge, differs from the pass's by

    e(x) = −d·m′(x) + brightness and contrast of the frame + texture(x) + noise

and texture is there only behind the edge, blurred with it. How strong and how coarse it is, is told by the profiles
themselves: variances of a few components, by the likelihood of what is left when m′ is projected out (restricted
maximum likelihood: Patterson and Thompson, Biometrika 58 (1971) 545; from memory). So is where the rim begins and
how blurred it is, since streaks that run right round draw the fit aside and blur the mean. With the covariance V of
all that isn't d, generalised least squares (Aitken 1935; from memory) gives d and its standard deviation
(m′ᵀV⁻¹m′)^−½: the foot of the edge, which lies before the rim, then counts for more than its top.

How much of d is right is told by the gaps: a rim's runout is smooth from frame to frame and texture isn't, so that what
d explains of their second differences shows (least squares).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from rimgauge.capture.edge import EdgeShape, row_weights
from rimgauge.capture.patch import GreyArray
from rimgauge.capture.texture_spread import Spread
from rimgauge.records import BoolArray, FloatArray

PHASES = 16
"""Rows cross the pixels at so many phases; what that rounds off is far below a profile's noise."""
LEAST_ROWS = 8
MOST_WHITE = 0.3
"""A profile with a larger share of clipped pixels doesn't show the rim's brightness."""
LEAST_FRAMES = 60
FRAMES_A_COLUMN = 3
"""Fewer profiles tell no covariance."""
COMMON = 0.9
"""A column counts where so many frames have it: near the pointer's tip the band is narrower."""
ROUNDS = 3
MOST_UNLIKELY = 4.0
"""Frames whose misfit is so many times the usual one don't tell what is usual."""
MOST_BLURS = 3.0
"""A correction of more blurs than that is no small one, and isn't believed."""
CONTRASTS = (0.4, 2.5)
"""A frame's contrast beside the pass's; outside of these it shows another thing."""
NEAR_BLURS = 1.5
"""The edge's own contrast shows so far behind it."""
MOST_UNLIKE, LEAST_CONTRAST = 6.0, 0.2
"""What fits the profile's usual spread so badly, or hardly shows the edge, isn't the edge; on drawn rims those that are
have up to 3.5 times the usual misfit, and wrong ones 7 and more."""
USUAL_BLOCKS = 2.0
"""A frame whose rows scatter by more than so many times the usual is less sure by as much as it is beyond."""


REACH_BLURS, REACH_PX, MOST_REACH_PX = 4.0, 2, 17
"""A profile reaches at least so far into the rim."""
BEFOREHAND = (0.5, 0.5)
"""What is believed of the share of the corrections that is right before the gaps were looked at, and its spread."""
MOST_LAG, STILL_ALIKE = 12, 0.3
"""Corrections so many frames apart are compared, or nearer ones as soon as they are less alike than that."""


@dataclass(frozen=True, slots=True, eq=False)
class Evened:
    """Corrections (n,) to the fitted places, and the standard errors with them [px]; NaN and the old where none.

    unlike: (n,) frames whose profile isn't the edge's: something else was fitted.
    """

    correction_px: FloatArray
    standard_error_px: FloatArray
    unlike: BoolArray


def mean_profiles(
    patches: GreyArray,
    place_px: FloatArray,
    slope: FloatArray,
    row_px: float,
    shape: EdgeShape,
    clear: BoolArray | None = None,
) -> GreyArray:
    """Mean brightness (n, outside + 1 + inside) across the edge, at whole pixels from its place; NaN where unknown.

    Parameters
    ----------
    patches : (n, rows, columns).
    place_px, slope : (n,) of the fitted edge at row_px.
    row_px : the row of the place [px].
    shape : its band tells how far the profile reaches before the edge.
    clear : (n, rows) rows with nothing before them, if known; others don't count.
    """
    shape = widened(shape)
    count, rows, columns = patches.shape
    pixels = shape.outside_px + shape.inside_px + 1
    result = np.full((count, pixels), np.nan, dtype=np.float32)
    seen = np.flatnonzero(np.isfinite(place_px))
    v = np.arange(rows) - row_px
    line = place_px[seen, None] + slope[seen, None] * v + shape.bend_per_px * v**2
    near = np.rint(line).astype(np.intp)
    first = near - shape.outside_px
    whole = (first >= 0) & (first + pixels <= columns)
    if clear is not None:
        whole &= clear[seen]
    enough = whole.sum(axis=1) >= LEAST_ROWS
    seen, line, near, whole = seen[enough], line[enough], near[enough], whole[enough]
    if not len(seen):
        return result
    first = np.clip(first[enough], 0, columns - pixels)
    index = (seen[:, None] * rows + np.arange(rows)) * columns + first
    grey = patches.take(index[..., None] + np.arange(pixels)).astype(np.float64)
    clear = (grey >= shape.white).mean(axis=(1, 2)) <= MOST_WHITE
    weight = _weights(grey, whole)
    total = weight.sum(axis=1, keepdims=True)
    mean = (weight[:, None] @ grey)[:, 0] / total
    phase = np.clip(np.floor((near - line + 0.5) * PHASES), 0, PHASES - 1).astype(np.intp)
    where = np.arange(len(seen))[:, None] * PHASES + phase
    share = np.bincount(where.ravel(), weights=weight.ravel(), minlength=len(seen) * PHASES)
    mean -= _smeared(shape, share.reshape(-1, PHASES) / total, mean)
    result[seen[clear]] = mean[clear]
    return result


def widened(shape: EdgeShape) -> EdgeShape:
    """The shape with the profiles' reach for its band."""
    inside = min(math.ceil(REACH_BLURS * shape.blur_px) + REACH_PX, MOST_REACH_PX)
    return replace(shape, inside_px=max(shape.inside_px, inside))


def _weights(grey: FloatArray, whole: BoolArray) -> FloatArray:
    """Weights (n, rows) of rows (n, rows, pixels) by how like the rest they are, whatever their brightness."""
    off = grey - (whole[:, None] @ grey) / whole.sum(axis=1)[:, None, None]
    off -= off.mean(axis=2, keepdims=True)
    return row_weights(np.where(whole, np.sqrt(np.mean(off**2, axis=2)), np.inf))


def _smeared(shape: EdgeShape, share: FloatArray, mean: FloatArray) -> FloatArray:
    """What profiles (n, pixels) are off by because rows cross the pixels at phases of shares (n, PHASES)."""
    steps = _steps(shape)
    offset = (np.arange(PHASES) + 0.5) / PHASES - 0.5
    x = np.arange(-shape.outside_px, shape.inside_px + 1.0)
    basis = np.stack([np.ones_like(x), *(ndtr((x - step) / shape.blur_px) for step in steps)], axis=1)
    contrasts = mean @ np.linalg.pinv(basis)[1:].T
    result = np.zeros_like(mean)
    for contrast, step, still in zip(contrasts.T, steps, basis.T[1:], strict=True):
        table = ndtr((x + offset[:, None] - step) / shape.blur_px) - still
        result += contrast[:, None] * (share @ table)
    return result


def _steps(shape: EdgeShape) -> list[float]:
    return [0.0] if shape.second_step_px is None else [0.0, shape.second_step_px]


def evened(
    profiles: GreyArray,
    place_px: FloatArray,
    gap_px: FloatArray,
    standard_error_px: FloatArray,
    good: BoolArray,
    shape: EdgeShape,
) -> Evened:
    """Tell by a whole pass how much texture moves the edge in each frame, and how sure the place is after that.

    Parameters
    ----------
    profiles : (n, pixels) as `mean_profiles` gives them.
    place_px, gap_px, standard_error_px : (n,) of the fits.
    good : (n,) frames that are believed.
    shape : of the edge.

    Notes
    -----
    A profile's whole-pixel steps leave errors that come back with each pixel the edge moves by; they are the same
    in all frames at the same place inside a pixel, and taken off with the mean.
    A frame without a profile, or of quite another contrast, keeps its fit, but is as unsure as texture makes a fit.
    """
    shape = widened(shape)
    unlike = np.zeros(len(good), dtype=bool)
    unchanged = Evened(np.full(len(good), np.nan), standard_error_px, unlike)
    columns, usable = _common(profiles, good)
    if usable.sum() < max(LEAST_FRAMES, FRAMES_A_COLUMN * columns.sum()):
        return unchanged
    x = np.arange(-shape.outside_px, shape.inside_px + 1.0)[columns]
    seen = profiles[usable][:, columns].astype(np.float64)
    told = _told(seen, place_px[usable], x, shape)
    contrast = _contrasts(seen, told.mean, x, shape)
    gain = np.clip(contrast, *CONTRASTS)
    believed = (contrast == gain) & (np.abs(told.step_px / gain) < MOST_BLURS * shape.blur_px)
    which = np.flatnonzero(usable)[believed]
    result, errors = unchanged.correction_px, np.hypot(standard_error_px, told.of_fit_px)
    result[which] = (told.step_px / gain)[believed]
    right, right_error = _share_right(result, gap_px)
    blocks = standard_error_px[which] / (USUAL_BLOCKS * float(np.median(standard_error_px[usable])))
    of_profile = (told.error_px / gain)[believed] * np.maximum(blocks, 1.0)
    # Where the profiles correct nothing, what they and the rows state of the fit has proved equally near the truth.
    rows_count = 0.5 * (1.0 - right)
    untold = (right_error * float(np.std(result[which]))) ** 2
    of_rows = standard_error_px[which]
    errors[which] = np.sqrt(rows_count * of_rows**2 + (1.0 - rows_count) * of_profile**2 + untold)
    unlike[usable] = (told.misfit > MOST_UNLIKE * float(np.median(told.misfit))) | (contrast < LEAST_CONTRAST)
    return Evened(right * result, errors, unlike)


@dataclass(frozen=True, slots=True, eq=False)
class _Told:
    """What profiles (m, pixels) tell of the edge's place beside the fit: shift, its standard error [px] and misfit, all (m,).

    mean: (pixels,) of the profiles. of_fit_px: standard deviation that texture gives the fit itself.
    """

    mean: FloatArray
    step_px: FloatArray
    error_px: FloatArray
    misfit: FloatArray
    of_fit_px: float


def _told(seen: FloatArray, place_px: FloatArray, x: FloatArray, shape: EdgeShape) -> _Told:
    """Shifts of the edge against fitted places (m,) by generalised least squares of the profiles (m, pixels)."""
    phase = 2.0 * np.pi * place_px
    course = np.stack([np.ones(len(seen)), np.sin(phase), np.cos(phase)], axis=1)
    usual, begins = np.ones(len(seen), dtype=bool), None
    for _ in range(ROUNDS):
        # By normal equations and in place: of a long pass each copy of all profiles takes 20 MB.
        counted = course * usual[:, None]
        waves = np.linalg.pinv(counted.T @ course, hermitian=True) @ (counted.T @ seen)
        off = course @ waves
        np.subtract(seen, off, out=off)
        spread = Spread(x, waves[0], off[usual])
        begins = begins or spread.begins(shape)
        covariance, change = spread.covariance(begins), spread.change
        inverse = np.linalg.inv(covariance)
        information = float(change @ inverse @ change)
        weighed = off @ inverse
        step = weighed @ change / information
        misfit = (np.einsum("np,np->n", weighed, off) - information * step**2) / (len(x) - 1)
        usual = misfit < MOST_UNLIKELY * float(np.median(misfit))
    error = information**-0.5 * np.sqrt(np.maximum(misfit, 1.0))
    return _Told(waves[0], step, error, misfit, _of_fit(covariance, change, x, shape))


def _share_right(correction_px: FloatArray, gap_px: FloatArray) -> tuple[float, float]:
    """Share 0 to 1 of the corrections (n,) that makes the gaps (n,) vary least from frame to frame, and its error.

    Where the texture shows for many frames its change and the rim's own can't be told apart, and what is believed
    beforehand is left: any share.
    """
    known = np.isfinite(correction_px) & np.isfinite(gap_px)
    even = np.where(known, correction_px - float(np.mean(correction_px[known])), 0.0)
    # A slow wheel shows the same texture for several frames.
    size = float(even @ even)
    lags = range(1, MOST_LAG)
    lag = next((k for k in lags if float(even[k:] @ even[:-k]) < STILL_ALIKE * size), MOST_LAG)
    gap, correction = (
        each[2 * lag :] - 2.0 * each[lag:-lag] + each[: -2 * lag] for each in (gap_px, correction_px)
    )
    told = np.isfinite(gap + correction)
    if told.sum() < LEAST_FRAMES / 2:
        return BEFOREHAND
    gap, correction = gap[told], correction[told]
    share, weight = 0.0, np.ones(len(gap))
    for _ in range(ROUNDS):
        weighted = weight * correction
        share = -float(weighted @ gap) / max(float(weighted @ correction), 1e-12)
        off = np.abs(gap + share * correction)
        weight = np.minimum(1.0, 2.0 * float(np.median(off)) / np.maximum(off, 1e-9))
    # Second differences over a lag share their frames, and the rim's own bends last for many.
    size = max(float(weight @ correction**2), 1e-12)
    variance = float(weight @ (gap + share * correction) ** 2) / size * (2.0 * lag / len(gap))
    believed, spread = BEFOREHAND
    trust = spread**2 / (spread**2 + variance)
    share = believed + trust * (min(max(share, 0.0), 1.0) - believed)
    return share, spread * math.sqrt(1.0 - trust)


def _common(profiles: GreyArray, good: BoolArray) -> tuple[BoolArray, BoolArray]:
    """Columns (pixels,) that nearly all good frames have, and the good frames (n,) that have them all."""
    known = np.isfinite(profiles)
    has = good & known.any(axis=1)
    columns = known[has].mean(axis=0) >= COMMON if has.any() else np.zeros(profiles.shape[1], dtype=bool)
    return columns, has & known[:, columns].all(axis=1)


def _contrasts(seen: FloatArray, mean: FloatArray, x: FloatArray, shape: EdgeShape) -> FloatArray:
    """Contrasts (n,) of profiles (n, pixels) beside the mean's, by what lies near the edge: a decal doesn't count."""
    near = x <= NEAR_BLURS * shape.blur_px + (shape.second_step_px or 0.0)
    steps = ndtr((x[near, None] - _steps(shape)) / shape.blur_px)
    to_contrast = np.linalg.pinv(np.hstack([np.ones((int(near.sum()), 1)), steps]))[1]
    return np.asarray((seen[:, near] @ to_contrast) / float(mean[near] @ to_contrast))


def _of_fit(covariance: FloatArray, change: FloatArray, x: FloatArray, shape: EdgeShape) -> float:
    """Standard deviation that the differences give a plain least-squares fit of brightness, contrast and place [px]."""
    basis = np.stack([np.ones_like(x), ndtr(x / shape.blur_px), change], axis=1)
    pull = np.linalg.pinv(basis)[2]
    return math.sqrt(float(pull @ covariance @ pull))
