"""Harmonic regression of gap on angle: the smooth curve of one revolution through all revolutions.

y(θ) = c₀ + Σ aₖ cos kθ + bₖ sin kθ by linear least squares with Huber's weights, then each order held back as
far as the noise hides it. For N equally spaced samples of noise σ a coefficient of the plain fit has the
standard deviation σ√(2/N).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rimgauge.records import FloatArray

HUBER = 1.5
REWEIGHTINGS = 6
FALLS = np.arange(0.5, 4.1, 0.25)
SIZES = np.geomspace(0.02, 8.0, 24)
"""Tried for p and, as shares of the largest coefficient, for A."""
LEAST_WEIGHT = 0.01
ROUNDS = 3
MOST_ALIKE = 8.0


@dataclass(frozen=True, slots=True, eq=False)
class HarmonicFit:
    """Coefficients (1 + 2·order,) as c₀, a₁…, b₁…; their covariance; residual sd and residuals (n,).

    freedom: degrees of freedom that the residual sd rests on.
    """

    order: int
    coefficients: FloatArray
    covariance: FloatArray
    noise: float
    residual: FloatArray
    freedom: float

    def __call__(self, angle_deg: FloatArray) -> FloatArray:
        """Value of the curve at angles (m,), its mean c₀ included."""
        return np.asarray(basis(angle_deg, self.order) @ self.coefficients)


def basis(angle_deg: FloatArray, order: int) -> FloatArray:
    """Constant, cosines, sines (n, 1 + 2·order) of the angle."""
    phase = np.outer(np.radians(angle_deg), np.arange(1, order + 1))
    return np.hstack([np.ones((len(phase), 1)), np.cos(phase), np.sin(phase)])


def fit_order(angle_deg: FloatArray, values: FloatArray, order: int) -> HarmonicFit:
    """Fit a given order to samples (n,) at angles (n,); robust against single outliers."""
    return fit_columns(basis(angle_deg, order), values)


def fit_columns(design: FloatArray, values: FloatArray, bound: float = HUBER) -> HarmonicFit:
    """Fit samples (n,) by columns (n, p) that are well conditioned, as sines and cosines are.

    bound: residuals beyond so many standard deviations weigh less (Huber); infinite: plain least squares.
    """
    weights: FloatArray = np.ones(len(values))
    for _ in range(REWEIGHTINGS):
        weighted = design.T * weights
        normal = weighted @ design
        coefficients: FloatArray = np.asarray(
            np.linalg.lstsq(normal, weighted @ values, rcond=None)[0], dtype=np.float64
        )
        residual: FloatArray = values - design @ coefficients
        spread = max(1.4826 * float(np.median(np.abs(residual - np.median(residual)))), 1e-9)
        weights = np.minimum(1.0, bound / np.maximum(np.abs(residual) / spread, 1e-9))
    freedom = max(float(weights.sum()) - design.shape[1], 1.0)
    noise = float(np.sqrt(np.sum(weights * residual**2) / freedom))
    return HarmonicFit(
        order=(design.shape[1] - 1) // 2,
        coefficients=coefficients,
        covariance=np.asarray(noise**2 * np.linalg.pinv(normal, hermitian=True)),
        noise=noise,
        residual=residual,
        freedom=freedom,
    )


def _alike(residual: FloatArray, spent: float) -> float:
    """How many neighbouring samples of n in a row count as one: 1 + 2·Σ ρ over the lags up to the first zero.

    A spoke behind the pointer or a stain on the rim spoils several frames in a row, so that n samples tell
    less than n independent ones (variance of a mean of correlated values; Priestley 1981, 5.3; from memory).
    What the fit's `spent` degrees of freedom took out of the residual is given back.
    """
    count = len(residual)
    spectrum = np.abs(np.fft.rfft(residual - residual.mean(), 2 * count)) ** 2
    correlation = np.fft.irfft(spectrum)[: max(2, count // 4)]
    if correlation[0] <= 0.0:
        return 1.0
    correlation = correlation / correlation[0]
    limit = 2.0 / np.sqrt(count)
    end = int(np.argmax(correlation < limit)) if (correlation < limit).any() else len(correlation)
    summed = 1.0 + 2.0 * float(correlation[1:end].sum())
    return float(min(max(1.0, summed * count / max(count - spent, 1.0)) if end > 1 else 1.0, MOST_ALIKE))


def fit_smooth(angle_deg: FloatArray, values: FloatArray, highest_order: int) -> HarmonicFit:
    """Fit all orders up to the highest, each held back as far as the noise hides it.

    Amplitudes are taken to fall with the order as A·k^−p; A and p are those under which the coefficients found
    by least squares are likeliest. Where noise is small beside that, this is least squares.
    The covariance is that of the coefficients given the samples, so that curves drawn from it are as likely
    to be the rim as one another.

    References
    ----------
    Empirical Bayes: Efron and Morris, J. Am. Stat. Assoc. 68 (1973) 117 (from memory). Marginal likelihood of
    a linear model with Gaussian noise and Gaussian coefficients: derived in docs/method.md.
    """
    limit = max(1, min(highest_order, (len(values) - 4) // 4))
    design = basis(angle_deg, limit)
    plain = fit_columns(design, values)
    white = np.asarray(np.linalg.pinv(plain.covariance, hermitian=True), dtype=np.float64)
    alike, residual = MOST_ALIKE, plain.residual
    for _ in range(ROUNDS):
        coefficients, covariance = _held_back(plain.coefficients, white / alike)
        residual = values - design @ coefficients
        spent = float(np.sum(covariance * white)) / alike
        alike = _alike(np.clip(residual, -HUBER * plain.noise, HUBER * plain.noise), spent)
    return HarmonicFit(
        order=limit,
        coefficients=coefficients,
        covariance=covariance,
        noise=plain.noise,
        residual=residual,
        freedom=max(len(values) / alike - spent, 1.0),
    )


def _held_back(found: FloatArray, information: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Posterior mean (p,) and covariance (p, p) of the coefficients, averaged over what A and p may be."""
    limit = (len(found) - 1) // 2
    order = np.concatenate([np.arange(1, limit + 1)] * 2)
    noise = np.diag(np.linalg.inv(information))[1:]
    fall, size = np.meshgrid(FALLS, float(np.abs(found[1:]).max()) * SIZES, indexing="ij")
    prior = (size[..., None] * order ** -fall[..., None]) ** 2
    likely = -0.5 * np.sum(np.log(prior + noise) + found[1:] ** 2 / (prior + noise), axis=-1)
    weights = np.exp(likely - likely.max())
    kept = weights > LEAST_WEIGHT
    weights = weights[kept] / weights[kept].sum()
    precision = np.zeros((len(weights), len(found), len(found)))
    precision[:, 1 + np.arange(2 * limit), 1 + np.arange(2 * limit)] = 1.0 / prior[kept]
    covariances = np.linalg.inv(information + precision)
    means = covariances @ (information @ found)
    mean = weights @ means
    spread = (means - mean).T * weights @ (means - mean)
    return mean, np.tensordot(weights, covariances, axes=1) + spread
