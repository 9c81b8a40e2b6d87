"""How blurred the rim's edge is in each frame, by its mean profile over a whole pass; and a still thing's outline, by its look."""

from __future__ import annotations

import math

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

from rimgauge.capture.edge import EdgeShape
from rimgauge.capture.parts import parts
from rimgauge.capture.patch import GreyArray
from rimgauge.capture.profiles import common_columns
from rimgauge.records import BoolArray, FloatArray

BLURS = np.geomspace(0.4, 5.0, 40)
"""Tried, as shares of the usual blur: nearer ones tell no more than a profile's noise."""
SMOOTHED_PX = 1.5
"""A look is smoothed by so much first, for noise makes bends of its own; of blurs from there on it is taken off again."""
LEAST_SQUARE = 1e-9
"""Of a slope, squared: what is plainer has none [grey levels²/px²]."""


def outline_blur_px(look: FloatArray, weight: FloatArray | GreyArray) -> float:
    """Standard deviation of the blur across the outlines of what a mean look shows [px], 0 of a plain one.

    Derived: of a step blurred by σ the slope is s = A·g(u), a bell curve, and ∫s⁴ du = 4σ²·∫s²·s′² du, whatever A; so high a
    power leaves slow shades out, and smoothing noise (blurs add as squares). A line thinner than its blur looks less blurred than it is.

    Parameters
    ----------
    look, weight : (rows, columns) mean grey levels, and how much each counts: what moves behind it hardly does.
    """
    down, right = np.gradient(gaussian_filter(look, SMOOTHED_PX))
    (down_down, down_right), right_right = np.gradient(down), np.gradient(right, axis=1)
    square = down**2 + right**2
    bend = down**2 * down_down + 2.0 * down * right * down_right + right**2 * right_right
    changes = float(np.sum(weight * bend**2 / np.maximum(square, LEAST_SQUARE)))
    told_px2 = float(np.sum(weight * square**2)) / max(4.0 * changes, LEAST_SQUARE)
    return math.sqrt(max(told_px2 - SMOOTHED_PX**2, 0.0))


def edge_blurs(profiles: GreyArray, good: BoolArray, shape: EdgeShape) -> FloatArray:
    """Standard deviation (n,) of the blur across the edge in each frame [px], NaN where a frame doesn't tell.

    The blur whose step, brightness, contrast and place fitted, leaves least of the profile; between those that are tried
    by a parabola.

    Parameters
    ----------
    profiles : (n, pixels) mean brightness at whole pixels across the fitted edge, NaN where unknown.
    good : (n,) frames whose profile is believed.
    shape : of the edge, with the profiles' reach for its band.
    """
    result = np.full(len(good), np.nan)
    columns, told = common_columns(profiles, good)
    x = np.arange(-shape.outside_px, shape.inside_px + 1.0)[columns]
    usable = np.flatnonzero(told)
    for part in parts(len(usable)):
        some = usable[part]
        result[some] = _likeliest(profiles[some][:, columns], x, shape.blur_px)
    return result


def _likeliest(seen: GreyArray, x: FloatArray, usual_px: float) -> FloatArray:
    """Blurs (n,) [px] that leave least of profiles (n, pixels) at places x (pixels,) [px]."""
    whole = np.einsum("np,np->n", seen, seen)
    left = np.array([whole - _explained(seen, x / (blur * usual_px)) for blur in BLURS])
    best = np.clip(left.argmin(axis=0), 1, len(BLURS) - 2)
    before, least, after = (left[best + step, np.arange(len(best))] for step in (-1, 0, 1))
    aside = 0.5 * (before - after) / np.maximum(before - 2.0 * least + after, 1e-9)
    steps = best + np.clip(aside, -1.0, 1.0)
    return np.asarray(usual_px * np.exp(np.interp(steps, np.arange(len(BLURS)), np.log(BLURS))))


def _explained(seen: GreyArray, z: FloatArray) -> FloatArray:
    """Squares (n,) of profiles (n, pixels) that a step at places z in blurs explains, moved a little too."""
    basis = np.linalg.qr(np.stack([np.ones_like(z), ndtr(z), np.exp(-0.5 * z**2)], axis=1))[0]
    return np.asarray(np.sum((seen @ basis.astype(seen.dtype)).astype(np.float64) ** 2, axis=1))
