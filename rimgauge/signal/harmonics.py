"""Harmonic regression of gap on angle: the smooth curve of one revolution through all revolutions.

y(θ) = c₀ + Σ aₖ cos kθ + bₖ sin kθ by linear least squares with Huber's weights.
For N equally spaced samples of noise σ a coefficient has the standard deviation σ√(2/N).
The order is the one with the least AICc (Akaike's criterion with the small-sample term of Hurvich and
Tsai, Biometrika 76 (1989) 297; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rimgauge.records import FloatArray

HUBER = 1.5
REWEIGHTINGS = 6


@dataclass(frozen=True, slots=True, eq=False)
class HarmonicFit:
    """Coefficients (1 + 2·order,) as c₀, a₁…, b₁…; their covariance; residual sd and residuals (n,)."""

    order: int
    coefficients: FloatArray
    covariance: FloatArray
    noise: float
    residual: FloatArray

    def __call__(self, angle_deg: FloatArray) -> FloatArray:
        """Value of the curve at angles (m,), its mean c₀ included."""
        return np.asarray(basis(angle_deg, self.order) @ self.coefficients)


def basis(angle_deg: FloatArray, order: int) -> FloatArray:
    """Constant, cosines, sines (n, 1 + 2·order) of the angle."""
    phase = np.outer(np.radians(angle_deg), np.arange(1, order + 1))
    return np.hstack([np.ones((len(phase), 1)), np.cos(phase), np.sin(phase)])


def fit_order(angle_deg: FloatArray, values: FloatArray, order: int) -> HarmonicFit:
    """Fit a given order to samples (n,) at angles (n,); robust against single outliers."""
    design = basis(angle_deg, order)
    weights: FloatArray = np.ones(len(values))
    coefficients: FloatArray = np.zeros(design.shape[1])
    residual: FloatArray = values
    for _ in range(REWEIGHTINGS):
        root = np.sqrt(weights)[:, None]
        coefficients = np.asarray(
            np.linalg.lstsq(design * root, values * root[:, 0], rcond=None)[0], dtype=np.float64
        )
        residual = values - design @ coefficients
        spread = max(1.4826 * float(np.median(np.abs(residual - np.median(residual)))), 1e-9)
        weights = np.minimum(1.0, HUBER / np.maximum(np.abs(residual) / spread, 1e-9))
    freedom = max(float(weights.sum()) - design.shape[1], 1.0)
    noise = float(np.sqrt(np.sum(weights * residual**2) / freedom))
    covariance: FloatArray = np.asarray(
        noise**2 * np.linalg.pinv(design.T @ (design * weights[:, None])), dtype=np.float64
    )
    return HarmonicFit(order, coefficients, covariance, noise, residual)


def fit_best(angle_deg: FloatArray, values: FloatArray, highest_order: int) -> HarmonicFit:
    """Fit the order from 1 to highest_order that AICc prefers, never more than the samples' spacing bears."""
    around = np.sort(angle_deg % 360.0)
    widest_deg = float(np.max(np.diff(np.concatenate([around, [around[0] + 360.0]]))))
    bearable = max(1, int(360.0 / (1.3 * widest_deg)))
    limit = max(1, min(highest_order, bearable, (len(values) - 4) // 4))
    fits = [fit_order(angle_deg, values, order) for order in range(1, limit + 1)]
    return min(fits, key=lambda fit: _aicc(fit, len(values)))


def _aicc(fit: HarmonicFit, count: int) -> float:
    unknowns = 2 * fit.order + 2
    bounded = np.clip(np.abs(fit.residual), 0.0, 4.0 * fit.noise)
    variance = max(float(np.mean(bounded**2)), 1e-12)
    return count * float(np.log(variance)) + 2.0 * unknowns * count / max(count - unknowns - 1, 1)
