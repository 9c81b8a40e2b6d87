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
from scipy.linalg import cho_solve_banded, cholesky_banded

from rimgauge.records import FloatArray

ACCELERATIONS_DEG_S2 = (3.0, 10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0)
USUAL_ACCELERATION_DEG_S2 = 100.0
"""Of a wheel turned by hand: a judgement, believed within a factor of ten or so."""
DECADES_BELIEVED = 1.0
FAINTEST = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class SmoothCurve:
    """Cubic B-splines of time: design (n, c) of the moments, bend (c − 2, c) that gives the acceleration."""

    design: sparse.csr_matrix
    bend: sparse.csr_matrix

    @staticmethod
    def over(time_s: FloatArray, knot_spacing_s: float) -> SmoothCurve:
        """Lay knots evenly over moments (n,) that rise."""
        span = float(time_s[-1] - time_s[0])
        pieces = max(4, math.ceil(span / knot_spacing_s))
        spacing = span / pieces
        knots = time_s[0] + spacing * np.arange(-3, pieces + 4)
        knots[3], knots[-4] = time_s[0], time_s[-1]
        design = BSpline.design_matrix(np.clip(time_s, knots[3], knots[-4]), knots, 3)
        count = design.shape[1]
        bend = sparse.diags([1.0, -2.0, 1.0], [0, 1, 2], shape=(count - 2, count)) / spacing**2
        return SmoothCurve(design.tocsr(), bend.tocsr())

    def fit(self, rows: sparse.csr_matrix, target: FloatArray, weight: FloatArray) -> Fit:
        """Fit measurements rows @ coefficients ≈ target (m,) with weights 1/sd² (m,), 0 for none.

        rows (m, c): those of `design` for places, differences of such rows for movements.
        """
        fits = [self._fit_with(rows, target, weight, size) for size in ACCELERATIONS_DEG_S2]
        return max(fits, key=lambda fit: fit.log_evidence)

    def _fit_with(
        self, rows: sparse.csr_matrix, target: FloatArray, weight: FloatArray, acceleration_deg_s2: float
    ) -> Fit:
        tightness = 1.0 / acceleration_deg_s2**2
        count, bends = self.design.shape[1], self.bend.shape[0]
        normal = rows.T @ sparse.diags(weight) @ rows + tightness * (self.bend.T @ self.bend)
        lower = _banded(normal + FAINTEST * sparse.identity(count))
        factor = cholesky_banded(lower, lower=True)
        # The mean acceleration is free: it takes a matrix of rank one, u·uᵀ, off the penalty.
        u = np.asarray(self.bend.sum(axis=0)).ravel() * math.sqrt(tightness / bends)
        solved_u = cho_solve_banded((factor, True), u)
        left = max(1.0 - float(u @ solved_u), 1e-9)
        solved = cho_solve_banded((factor, True), rows.T @ (weight * target))
        coefficients = solved + solved_u * (float(u @ solved) / left)
        bent = self.bend @ coefficients
        misfit = float(weight @ (rows @ coefficients - target) ** 2)
        roughness = tightness * float(np.sum((bent - bent.mean()) ** 2))
        log_determinant = 2.0 * float(np.sum(np.log(factor[0]))) + math.log(left)
        unusual = math.log10(acceleration_deg_s2 / USUAL_ACCELERATION_DEG_S2) / DECADES_BELIEVED
        log_evidence = -0.5 * (
            misfit + roughness + log_determinant - (bends - 1) * math.log(tightness) + unusual**2
        )
        return Fit(self, coefficients, factor, solved_u / math.sqrt(left), acceleration_deg_s2, log_evidence)


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A fitted curve: its coefficients (c,), and the factor and vector (c,) their covariance is made of."""

    curve: SmoothCurve
    coefficients: FloatArray
    factor: FloatArray
    freed: FloatArray
    acceleration_deg_s2: float
    log_evidence: float

    def values(self) -> FloatArray:
        """Value (n,) at each moment."""
        return np.asarray(self.curve.design @ self.coefficients)

    def standard_uncertainty(self) -> FloatArray:
        """Of the values (n,): √(xᵀCx), C the inverse of the normal matrix."""
        rows = self.curve.design
        covariance = cho_solve_banded((self.factor, True), np.eye(len(self.coefficients)))
        variance = np.asarray(rows.multiply(rows @ covariance).sum(axis=1)).ravel() + (rows @ self.freed) ** 2
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def _banded(symmetric: sparse.spmatrix) -> FloatArray:
    """Diagonals (b + 1, c) of a banded symmetric matrix, the main one first, as LAPACK wants the lower half."""
    entries = symmetric.tocoo()
    width = int(np.max(entries.row - entries.col, initial=0))
    lower = np.zeros((width + 1, symmetric.shape[0]))
    below = entries.row >= entries.col
    rows, columns = entries.row[below], entries.col[below]
    np.add.at(lower, (rows - columns, columns), entries.data[below])
    return lower
