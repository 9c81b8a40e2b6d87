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

Where a decal passes (`decal`), what it does is taken off first.
How much of d is right, and how large the errors are that are left, is told by the gaps (`texture_gaps`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from rimgauge.capture.decal import find_decal
from rimgauge.capture.edge import EdgeShape, row_weights
from rimgauge.capture.parts import parts
from rimgauge.capture.patch import GreyArray
from rimgauge.capture.profiles import common_columns
from rimgauge.capture.texture_gaps import Gaps, Restless, restless
from rimgauge.capture.texture_spread import Spread
from rimgauge.records import BoolArray, FloatArray

PHASES = 16
"""Rows cross the pixels at so many phases; what that rounds off is far below a profile's noise."""
LEAST_ROWS = 8
MOST_WHITE = 0.3
"""A profile with a larger share of clipped pixels doesn't show the rim's brightness."""
LEAST_FRAMES = 40
FRAMES_A_COLUMN = 3
"""Fewer profiles tell no covariance; a film of three seconds with a knock half way has 45 on either side."""
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
BEFOREHAND = (0.3, 0.3)
"""What is believed of the share of the corrections that is right before the gaps were looked at, and its spread: on drawn
rims the best share is 0.2 in the middle of many films, with a standard deviation of 0.25."""
SLOW_SPREAD = 0.5
"""Of corrections that change as slowly as the rim another share may be right than of the rest: decals and long stains,
which the gaps' smoothness can't tell. On 24 drawn rims where that matters it differed by 0.65 (root of the mean square), a
part of which is other errors of the gap."""
FREEDOM_BEFOREHAND = 12.0
"""What profiles and rows state of the variance is known to about 40 %: 2/0.4² degrees of freedom (a judgement)."""


@dataclass(frozen=True, slots=True, eq=False)
class Evened:
    """Corrections (n,) to the fitted places, and the standard errors with them [px]; NaN or 0 and the old where none.

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
    profiles: GreyArray, place_px: FloatArray, gaps: Gaps, good: BoolArray, shape: EdgeShape
) -> Evened:
    """Tell by a whole pass how much texture moves the edge in each frame, and how sure the place is after that.

    Parameters
    ----------
    profiles : (n, pixels) as `mean_profiles` gives them.
    place_px : (n,) of the fits.
    gaps : (n,) that they gave, NaN where they don't count.
    good : (n,) frames whose profile is believed.
    shape : of the edge.

    Notes
    -----
    A profile's whole-pixel steps leave errors that come back with each pixel the edge moves by; they are the same
    in all frames at the same place inside a pixel, and taken off with the mean.
    A frame without a profile, or of quite another contrast, keeps its fit, but is as unsure as texture makes a fit.
    """
    shape = widened(shape)
    correction, unlike = np.full(len(good), np.nan), np.zeros(len(good), dtype=bool)
    variance = gaps.edge_error_px**2
    columns, usable = common_columns(profiles, good & np.isfinite(profiles).any(axis=1))
    if usable.sum() < max(LEAST_FRAMES, FRAMES_A_COLUMN * columns.sum()):
        left = restless(gaps.time_s, gaps.gap_px, np.zeros(len(good)))
        return Evened(correction, _agreeing(variance, left, gaps), unlike)
    x = np.arange(-shape.outside_px, shape.inside_px + 1.0)[columns]
    seen = profiles[usable][:, columns].astype(np.float64)
    aside_px, aside_variance, stuck = _of_decal(seen, usable, x, shape)
    gaps, variance = replace(gaps, gap_px=gaps.gap_px + aside_px), variance + aside_variance
    told = _told(seen, place_px[usable], x, shape)
    contrast = _contrasts(seen, told.mean, x, shape)
    gain = np.clip(contrast, *CONTRASTS)
    believed = (contrast == gain) & (np.abs(told.step_px / gain) < MOST_BLURS * shape.blur_px)
    if not believed.any():
        return Evened(aside_px, _agreeing(variance + told.of_fit_px**2, None, gaps), unlike)
    which = np.flatnonzero(usable)[believed]
    step_px = (told.step_px / gain)[believed]
    correction[which] = step_px - float(np.mean(step_px))
    size_px = float(np.std(step_px))
    right, right_error = _share_right(left := restless(gaps.time_s, gaps.gap_px, correction))
    blocks = gaps.edge_error_px[which] / (USUAL_BLOCKS * float(np.median(gaps.edge_error_px[usable])))
    of_profile = (told.error_px / gain)[believed] * np.maximum(blocks, 1.0)
    # Where the profiles correct nothing, what they and the rows state of the fit has proved equally near the truth.
    rows_count = 0.5 * (1.0 - right)
    variance += told.of_fit_px**2
    told_of_fit = rows_count * gaps.edge_error_px[which] ** 2 + (1.0 - rows_count) * of_profile**2
    variance[which] = told_of_fit + (right_error * size_px) ** 2 + aside_variance[which]
    unlike[usable] = (told.misfit > MOST_UNLIKE * _usual(told.misfit, stuck)) | (contrast < LEAST_CONTRAST)
    return Evened(right * np.nan_to_num(correction) + aside_px, _agreeing(variance, left, gaps), unlike)


def _of_decal(
    seen: FloatArray, usable: BoolArray, x: FloatArray, shape: EdgeShape
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """How far a decal draws fits (n,) aside, the variance of that (n,) [px²], and which usable frames show it (m,).

    It is taken off the usable frames' profiles seen (m, pixels), in place.
    """
    aside, variance = np.zeros((2, len(usable)))
    decal = find_decal(seen, x, shape.blur_px) if shape.second_step_px is None else None
    if decal is None:
        return aside, variance, np.zeros(len(seen), dtype=bool)
    seen += np.outer(decal.share, decal.instead)
    # What a frame without a profile shows isn't known.
    aside[:], variance[:] = 0.5 * decal.shift_px, 0.25 * (decal.shift_px**2 + decal.error_px**2)
    aside[usable], variance[usable] = decal.shift_px * decal.share, decal.variance
    return aside, variance, decal.share > 0.5


def _usual(misfit: FloatArray, stuck: BoolArray) -> FloatArray:
    """Misfit that is usual for frames (m,): of decals it is larger, whose border runs nearer and farther."""
    result = np.empty(len(misfit))
    for which in (stuck, ~stuck):
        if which.any():
            result[which] = np.median(misfit[which])
    return result


def _share_right(left: Restless | None) -> tuple[float, float]:
    """Share 0 to 1 of the corrections that is right, and its error.

    Where the texture shows for many frames its change and the rim's own can't be told apart, and what is believed
    beforehand is left; of the slow part of the corrections the share stays unsure, however sure that of the rest is.
    """
    believed, spread = BEFOREHAND
    if left is None:
        return BEFOREHAND
    trust = spread**2 / (spread**2 + left.share_variance)
    slow = SLOW_SPREAD * math.sqrt(1.0 - left.shown)
    right = believed + trust * (min(max(left.share, 0.0), 1.0) - believed)
    return right, math.hypot(spread * math.sqrt(1.0 - trust), slow)


def _agreeing(variance: FloatArray, left: Restless | None, gaps: Gaps) -> FloatArray:
    """Standard errors (n,) of gaps by variances (n,) of the edge, in proportion, and the gaps' own restlessness.

    Gaps can only say that it is more: errors that neighbouring frames share go into the spline, as the rim does. And they
    say so only where what is left holds none of the rim's own bends.
    """
    variance = variance + gaps.pointer_error_px**2
    if left is None or not left.settled:
        return np.sqrt(variance)
    usual = float(np.median(variance[np.isfinite(gaps.gap_px + variance)]))
    told = max(left.variance / usual, 1.0)
    share = (FREEDOM_BEFOREHAND + left.freedom * told) / (FREEDOM_BEFOREHAND + left.freedom)
    return np.asarray(np.sqrt(share * variance))


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
    step, misfit = np.empty((2, len(seen)))
    for _ in range(ROUNDS):
        # By normal equations: the profiles themselves are held once.
        counted = course * usual[:, None]
        waves = np.linalg.pinv(counted.T @ course, hermitian=True) @ (counted.T @ seen)
        spread = Spread(x, waves[0], _scatter(seen, course, waves, usual), int(usual.sum()))
        begins = begins or spread.begins(shape)
        covariance, change = spread.covariance(begins), spread.change
        inverse = np.linalg.inv(covariance)
        information = float(change @ inverse @ change)
        for part in parts(len(seen)):
            off = seen[part] - course[part] @ waves
            weighed = off @ inverse
            step[part] = weighed @ change / information
            left = np.einsum("np,np->n", weighed, off) - information * step[part] ** 2
            misfit[part] = left / (len(x) - 1)
        usual = misfit < MOST_UNLIKELY * float(np.median(misfit))
    error = information**-0.5 * np.sqrt(np.maximum(misfit, 1.0))
    return _Told(waves[0], step, error, misfit, _of_fit(covariance, change, x, shape))


def _scatter(seen: FloatArray, course: FloatArray, waves: FloatArray, usual: BoolArray) -> FloatArray:
    """Mean products (pixels, pixels) of what the usual ones of profiles (m, pixels) differ by from their course (m, 3) @ waves."""
    result = np.zeros((seen.shape[1],) * 2)
    for part in parts(len(seen)):
        off = (seen[part] - course[part] @ waves)[usual[part]]
        result += off.T @ off
    return np.asarray(result / usual.sum())


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
