"""What the mean profiles of a pass differ by: variances of a few components, and where the rim begins."""

from __future__ import annotations

import math

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.linalg import null_space
from scipy.optimize import minimize
from scipy.special import ndtr

from rimgauge.capture.edge import EdgeShape
from rimgauge.records import FloatArray

GRAINS_PX = (1.0, 3.0, 9.0)
"""Standard deviations of the bell curves by which brightness a distance apart is alike: fine, middling and coarse."""
FINE = 4
"""Texture is worked out at so many places in a pixel before the blur."""
LEAST_VARIANCE, MOST_VARIANCE = 1e-4, 1e5
PLACE_SPREAD, BLUR_SPREAD = 1.5, 1.2
"""What streaks of a share of the contrast draw a fit aside by, in blurs, and change the blur by, as multiples of that
share: a judgement, to which drawn rims agree."""
SOUGHT = 40
"""So many steps find where the rim begins."""
CLOSE_ENOUGH, LIKELY_ENOUGH = 0.03, 1e-6
"""Of the place, in blurs, and of the logarithm of the likelihood, as a share: far below what a run can tell."""


class Spread:
    """How so many profiles at places x (pixels,) differ from their mean (pixels,), and what that is made of.

    scatter: (pixels, pixels) mean products of the differences. change: (pixels,) of the mean by a shift of the edge.
    """

    def __init__(self, x: FloatArray, mean: FloatArray, scatter: FloatArray, count: int) -> None:
        self.change: FloatArray = -CubicSpline(x, mean)(x, 1)
        self._x, self._mean, self._count = x, mean, count
        self._clear: FloatArray = null_space(self.change[None, :])
        self._scatter = self._clear.T @ scatter @ self._clear
        self._logs: FloatArray | None = None

    def covariance(self, begins: tuple[float, float]) -> FloatArray:
        """Covariance (pixels, pixels) of the differences but for shifts of the edge."""
        _, logs, parts = self._likeliest(begins)
        return np.asarray(np.tensordot(np.exp(logs), parts, axes=1))

    def begins(self, shape: EdgeShape) -> tuple[float, float]:
        """Where the rim begins, counted from the fitted edge, and the blur it is seen with [px]."""
        _, logs, _ = self._likeliest((0.0, shape.blur_px))
        behind = math.sqrt(float(np.exp(logs[BEHIND]).sum())) / float(np.ptp(self._mean))
        place, blur = PLACE_SPREAD * behind, BLUR_SPREAD * behind

        def at(moved: FloatArray) -> tuple[float, float]:
            return float(moved[0]) * shape.blur_px, shape.blur_px * math.exp(float(moved[1]))

        def unlikely(moved: FloatArray) -> float:
            by_chance = ((moved[0] / place) ** 2 + (moved[1] / blur) ** 2) / self._count
            return self._likeliest(at(moved))[0] + float(by_chance)

        # The simplex begins at the likeliest of three places: from a wrong side it may end in a lesser maximum.
        start = min((-place, 0.0, place), key=lambda each: unlikely(np.array([each, 0.0])))
        found = minimize(
            unlikely,
            (start, 0.0),
            method="Nelder-Mead",
            options={
                "initial_simplex": [(start, 0.0), (start + place, 0.0), (start, blur)],
                "maxfev": SOUGHT,
                "xatol": CLOSE_ENOUGH,
                "fatol": 0.5 / self._count,
            },
        )
        return at(found.x)

    def _likeliest(self, begins: tuple[float, float]) -> tuple[float, FloatArray, FloatArray]:
        """−2/n of the logarithm of the greatest likelihood, and the logarithms of the variances that have it.

        They belong to the components (k, pixels, pixels), which come third.
        """
        parts = _components(self._x, self._mean, *begins)
        shown = (self._clear.T @ parts @ self._clear).reshape(len(parts), -1)

        def misfit(logs: FloatArray) -> tuple[float, FloatArray]:
            variances = np.exp(logs)
            inverse = np.linalg.inv((variances @ shown).reshape(self._scatter.shape))
            explained = inverse @ self._scatter
            slopes = shown @ (inverse - explained @ inverse).ravel() * variances
            return float(np.trace(explained)) - float(np.linalg.slogdet(inverse)[1]), slopes

        if self._logs is None:
            usual = 0.1 * float(np.trace(self._scatter)) / len(self._scatter)
            self._logs = np.full(len(parts), math.log(max(usual, LEAST_VARIANCE)))
        bounds = [(math.log(LEAST_VARIANCE), math.log(MOST_VARIANCE))] * len(parts)
        found = minimize(
            misfit, self._logs, jac=True, method="L-BFGS-B", bounds=bounds, options={"ftol": LIKELY_ENOUGH}
        )
        self._logs = np.asarray(found.x)
        return float(found.fun), self._logs, parts


BEHIND = [2, 4, 6, 8]
"""Those of the components that are the rim's."""


def _components(x: FloatArray, mean: FloatArray, begins_px: float, blur: float) -> FloatArray:
    """Covariances (k, pixels, pixels) of unit size of what profiles differ by.

    Noise of pixels; brightness, contrast and light of a frame; texture behind the edge and before it, three grains
    of each, all seen through the blur.
    """
    x = x - begins_px
    room = 5.0 * blur + 3.0
    # Places between the rim's beginning, at 0, and the next one: the likelihood changes smoothly with where it begins.
    fine = (np.arange(math.floor((x[0] - room) * FINE), math.ceil((x[-1] + room) * FINE)) + 0.5) / FINE
    seen = np.exp(-0.5 * ((x[:, None] - fine) / blur) ** 2) / (math.sqrt(2.0 * math.pi) * blur * FINE)
    behind, before = seen * (fine > 0.0), seen * (fine <= 0.0)
    step, light = ndtr(x / blur), mean / float(np.sqrt(np.mean(mean**2)))
    parts = [np.eye(len(x)), np.ones((len(x), len(x))), np.outer(step, step), np.outer(light, light)]
    for grain in GRAINS_PX:
        alike = np.exp(-0.5 * ((fine[:, None] - fine) / grain) ** 2)
        parts += [behind @ alike @ behind.T, before @ alike @ before.T]
    return np.asarray(parts)
