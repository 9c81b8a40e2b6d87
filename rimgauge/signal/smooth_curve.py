"""A smooth curve of time through measurements of it, as restless as the measurements themselves say.

Cubic B-splines with a penalty on what the acceleration differs from its mean (Eilers and Marx, Statist. Sci.
11 (1996) 89; from memory). In Bayes' reading the penalty is a prior: the acceleration wanders with a standard
deviation a round a steady one. The a that makes the measurements likeliest is taken (empirical Bayes:
marginal likelihood; Wahba, Ann. Statist. 13 (1985) 1378; from memory), with a weak prior for a hand's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.interpolate import BSpline
from scipy.linalg import cho_factor, cho_solve, solveh_banded

from rimgauge.records import FloatArray, IntArray

ACCELERATIONS_DEG_S2 = (3.0, 10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0)
USUAL_ACCELERATION_DEG_S2 = 100.0
"""Of a wheel turned by hand: a judgement, believed within a factor of ten or so."""
DECADES_BELIEVED = 1.0
FREEDOM = 3.0
"""Degrees of freedom of the acceleration's distribution: a hand brakes and pushes far more at times than usually."""
MOST_PIECES = 900
"""A run of over a minute and a half gets wider knots: the work grows with the cube of their number."""
FAINTEST = 1e-9
MOST_BEHIND = 20.0
"""Log-evidence by which a size of acceleration may be behind the likeliest one and still have a say."""


@dataclass(frozen=True, slots=True, eq=False)
class SmoothCurve:
    """Cubic B-splines of time: design (n, c) of the moments, bend (c - 2, c) that gives the acceleration, unsteady (c, c).

    cᵀ · unsteady · c is the sum of squares of what the acceleration [deg/s²] of coefficients c differs from its mean,
    weighted by calm (c - 2,): how calm the wheel is at each knot.
    """

    design: sparse.csr_array
    bend: sparse.csr_array
    calm: FloatArray
    unsteady: FloatArray

    @staticmethod
    def over(time_s: FloatArray, knot_spacing_s: float, calm: FloatArray | None = None) -> SmoothCurve:
        """Lay knots evenly over moments (n,) that rise.

        calm: at the knots of a curve over nearly the same span, which may have had one more or less; alike at all of
        them if not given.
        """
        span = float(time_s[-1] - time_s[0])
        pieces = min(max(4, math.ceil(span / knot_spacing_s)), MOST_PIECES)
        spacing = span / pieces
        knots = time_s[0] + spacing * np.arange(-3, pieces + 4)
        knots[3], knots[-4] = time_s[0], time_s[-1]
        design = BSpline.design_matrix(np.clip(time_s, knots[3], knots[-4]), knots, 3)
        count = design.shape[1]
        third = np.arange(count - 2)[:, None] + np.arange(3)
        bend = _rows(third, np.tile(np.array([1.0, -2.0, 1.0]) / spacing**2, (count - 2, 1)), count)
        share = np.linspace(0.0, 1.0, count - 2)
        calm = (
            np.ones(count - 2) if calm is None else np.interp(share, np.linspace(0.0, 1.0, len(calm)), calm)
        )
        total = np.asarray(bend.T @ calm)
        unsteady = squares(bend, calm) - np.outer(total, total) / float(calm.sum())
        return SmoothCurve(design, bend, calm, unsteady)

    def places(self, target: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Normal matrix (c, c) and right side (c,) of values (n,) measured at the moments, weights 1/sd²."""
        return squares(self.design, weight), np.asarray(self.design.T @ (weight * target))

    def moves(self, change: FloatArray, weight: FloatArray, scale_sd: float) -> tuple[FloatArray, FloatArray]:
        """As `places`, of changes (n − 1,) from each moment to the next that share an unknown scale near 1.

        The scale, of standard deviation scale_sd, is eliminated, as in any linear least squares of two groups of
        unknowns.
        """
        later = np.arange(1, self.design.shape[0])
        return self.differences(later, later - 1, change, np.zeros(len(later)), weight, scale_sd)

    def differences(
        self,
        later: IntArray,
        sooner: IntArray,
        change: FloatArray,
        turned: FloatArray,
        weight: FloatArray,
        scale_sd: float,
    ) -> tuple[FloatArray, FloatArray]:
        """As `moves`, of pairs (k,) of moments: turned (k,), which is known, and change (k,), which shares the scale, lie between."""
        index, values = _parts(self.design)
        rows = _rows(
            np.hstack([index[later], index[sooner]]),
            np.hstack([values[later], -values[sooner]]),
            self.design.shape[1],
        )
        shared = np.asarray(rows.T @ (weight * change))
        both = float(weight @ change**2) + 1.0 / scale_sd**2
        between = change + turned
        right = np.asarray(rows.T @ (weight * between)) - shared * float((weight * change) @ between) / both
        return squares(rows, weight) - np.outer(shared, shared) / both, right

    def nearest(self, values: FloatArray) -> FloatArray:
        """Coefficients (c,) of the curve nearest to values (n,) at the moments."""
        # A trace of the penalty, for knots near which there is no moment.
        normal = squares(self.design, np.ones(len(values)))
        normal += squares(self.bend, np.ones(self.bend.shape[0])) / ACCELERATIONS_DEG_S2[-1] ** 2
        bands = np.stack([np.pad(normal.diagonal(-k), (0, k)) for k in range(4)])
        return np.asarray(solveh_banded(bands, self.design.T @ values, lower=True))

    def fit(self, normal: FloatArray, right: FloatArray, near_deg_s2: float | None = None) -> Fit:
        """Fit measurements that say normal @ coefficients = right, and choose how restless the curve may be.

        near_deg_s2: one of the sizes of acceleration; only it and its neighbours are then tried.
        """
        sizes: tuple[float, ...] = ACCELERATIONS_DEG_S2
        if near_deg_s2 is not None:
            place = sizes.index(near_deg_s2)
            sizes = sizes[max(place - 1, 0) : place + 2]
        return max(self._fits(normal, right, sizes), key=lambda fit: fit.log_evidence)

    def spread(self, normal: FloatArray, right: FloatArray) -> FloatArray:
        """Standard uncertainty (n,) of the chosen fit's values, that of how restless the curve is included.

        Each size of acceleration counts by how likely it makes the measurements (Bayesian model averaging:
        Hoeting et al., Statist. Sci. 14 (1999) 382; from memory): a few passes at even intervals may be a
        free spin, or a hand's that happened to be even.
        """
        fits = self._fits(normal, right, ACCELERATIONS_DEG_S2)
        best = max(fits, key=lambda fit: fit.log_evidence)
        fits = [fit for fit in fits if fit.log_evidence > best.log_evidence - MOST_BEHIND]
        share = np.exp([fit.log_evidence - best.log_evidence for fit in fits])
        variances = [fit.standard_uncertainty() ** 2 + (fit.values() - best.values()) ** 2 for fit in fits]
        return np.asarray(np.sqrt(np.average(variances, axis=0, weights=share)))

    def _fits(self, normal: FloatArray, right: FloatArray, sizes: tuple[float, ...]) -> list[Fit]:
        return [self.fit_with(normal, right, size) for size in sizes]

    def fit_with(self, normal: FloatArray, right: FloatArray, acceleration_deg_s2: float) -> Fit:
        """Fit with an acceleration of so much round a steady one, which is free."""
        tightness = 1.0 / acceleration_deg_s2**2
        matrix = tightness * self.unsteady
        matrix += normal
        np.fill_diagonal(matrix, matrix.diagonal() + FAINTEST * (1.0 + float(np.trace(normal)) / len(right)))
        factor = cho_factor(matrix, lower=True, overwrite_a=True)
        coefficients = cho_solve(factor, right)
        unusual = math.log10(acceleration_deg_s2 / USUAL_ACCELERATION_DEG_S2) / DECADES_BELIEVED
        log_evidence = 0.5 * float(right @ coefficients) - float(np.sum(np.log(np.diag(factor[0]))))
        log_evidence += 0.5 * (len(right) - 3) * math.log(tightness) - 0.5 * unusual**2
        return Fit(self, coefficients, factor, acceleration_deg_s2, log_evidence)


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A fitted curve: its coefficients (c,) and the Cholesky factor that their covariance is made of."""

    curve: SmoothCurve
    coefficients: FloatArray
    factor: tuple[FloatArray, bool]
    acceleration_deg_s2: float
    log_evidence: float

    def values(self) -> FloatArray:
        """Value (n,) at each moment."""
        return np.asarray(self.curve.design @ self.coefficients)

    def calm(self) -> FloatArray:
        """How calm the wheel is at each knot (c - 2,): less where it is braked or pushed more than usually.

        Weights that turn the Gaussian prior of the acceleration into a Student's one, whose tails are longer
        (iteratively reweighted least squares: Lange, Little and Taylor, J. Am. Statist. Assoc. 84 (1989) 881; from
        memory).
        """
        acceleration = self.curve.bend @ self.coefficients
        unusual = acceleration - np.average(acceleration, weights=self.curve.calm)
        square = (unusual / self.acceleration_deg_s2) ** 2
        return np.asarray((FREEDOM + 1.0) / (FREEDOM + square))

    def standard_uncertainty(self) -> FloatArray:
        """Of the values (n,): √(xᵀCx), C the inverse of the normal matrix."""
        index, values = _parts(self.curve.design)
        covariance = cho_solve(self.factor, np.eye(len(self.coefficients)))
        near = covariance[index[:, :, None], index[:, None, :]]
        variance = np.einsum("ni,nij,nj->n", values, near, values)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def _rows(index: IntArray, values: FloatArray, columns: int) -> sparse.csr_array:
    """Matrix (n, columns) of values (n, w) in the columns index (n, w) of each row."""
    begins = np.arange(len(index) + 1) * index.shape[1]
    return sparse.csr_array((values.ravel(), index.ravel(), begins), shape=(len(index), columns))


def _parts(rows: sparse.csr_array) -> tuple[IntArray, FloatArray]:
    """Columns (n, w) and values (n, w) of a matrix with equally many in each row."""
    count = rows.shape[0]
    width = rows.nnz // max(count, 1)
    return rows.indices.reshape(count, width), rows.data.reshape(count, width)


def squares(rows: sparse.csr_array, weight: FloatArray) -> FloatArray:
    """Normal matrix (c, c), rowsᵀ · diag(weight) · rows, of a matrix (n, c) with equally many numbers in each row.

    Far quicker than products of sparse matrices, which look for where the result isn't 0.
    """
    (index, values), columns = _parts(rows), rows.shape[1]
    cells = index[:, :, None] * columns + index[:, None, :]
    products = (values * weight[:, None])[:, :, None] * values[:, None, :]
    return np.asarray(np.bincount(cells.ravel(), products.ravel(), columns**2).reshape(columns, columns))
