"""Statistics and uncertainty against published reference values."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import optimize, stats

from rimgauge.capture.coin import fit_circle
from rimgauge.records import BudgetLine, Measured
from rimgauge.signal.budget import combined, coverage_factor, expand, judge
from rimgauge.signal.compare import pooled_sd
from rimgauge.signal.harmonics import basis, fit_columns

STRD_DIGITS = 1e-9
"""Certified to 11 digits; the periods of ENSO are given to 10."""


def test_enso_harmonic_regression(shared):
    # NIST StRD, ENSO (Kahaner, Moler and Nash 1989), periods held at 12, 44.3110887 and 26.88761444 months;
    # linear least squares recomputed with an independent library.
    month, pressure = np.loadtxt(shared / "data" / "enso.csv", delimiter=",", skiprows=1).T
    periods = (12.0, 44.3110887, 26.88761444)
    columns = [basis(360.0 * month / period, 1)[:, 1:] for period in periods]
    fit = fit_columns(np.hstack([np.ones((168, 1)), *columns]), pressure, bound=math.inf)
    certified = [
        10.510749193,
        3.0762128085,
        0.53280138227,
        -1.6231428586,
        0.52554493756,
        0.21232288488,
        1.4966870418,
    ]
    assert_allclose(fit.coefficients, certified, rtol=1e-8, atol=0)
    assert_allclose(np.sum(fit.residual**2), 788.53978668, rtol=1e-10, atol=0)


NORRIS_Y_X = """
0.1 0.2  338.8 337.4  118.1 118.2  888.0 884.6  9.2 10.1  228.1 226.5  668.5 666.3  998.5 996.3  449.1 448.6
778.9 777.0  559.2 558.2  0.3 0.4  0.1 0.6  778.1 775.5  668.8 666.9  339.3 338.0  448.9 447.5  10.8 11.6
557.7 556.0  228.3 228.1  998.0 995.8  888.8 887.6  119.6 120.2  0.3 0.3  0.6 0.3  557.6 556.8  339.3 339.1
888.0 887.2  998.5 999.0  778.9 779.0  10.2 11.1  117.6 118.3  228.9 229.2  668.4 669.1  449.2 448.9  0.2 0.5
"""


def test_norris_straight_line():
    # NIST StRD, Norris: ozone monitors. Data from memory; the certified values bear them out.
    y, x = np.array(NORRIS_Y_X.split(), dtype=float).reshape(-1, 2).T
    fit = fit_columns(np.stack([np.ones(len(x)), x], axis=1), y, bound=math.inf)
    assert_allclose(fit.coefficients, [-0.262323073774029, 1.00211681802045], rtol=STRD_DIGITS, atol=0)
    # Certified standard deviation of the residual and of both estimates (from memory).
    assert_allclose(fit.noise, 0.884796396144373, rtol=STRD_DIGITS, atol=0)
    assert_allclose(
        np.sqrt(np.diag(fit.covariance)), [0.232818234301152, 0.429796848199937e-3], rtol=1e-8, atol=0
    )


def test_gum_example_h1_end_gauge():
    # JCGM 100:2008, H.1: contributions 25, 9.7, 2.9 and 16.6 nm with 18, 25.6, 50 and 2 degrees of freedom.
    parts = [
        ("standard", 25.0, 18.0),
        ("difference", 9.7, 25.6),
        ("difference of expansion", 50_000_623 * 0.1 * 0.58e-6, 50.0),
        ("difference of temperature", 50_000_623 * 11.5e-6 * 0.029, 2.0),
    ]
    lines = tuple(
        BudgetLine(source=name, standard_uncertainty_mm=nm, degrees_of_freedom=freedom)
        for name, nm, freedom in parts
    )
    # The two expansion terms multiplied by a difference whose expectation is 0 add nothing at first order.
    whole, freedom = combined(lines)
    assert_allclose(whole, 31.71, rtol=0, atol=0.05)
    assert_allclose(freedom, 16.7, rtol=0, atol=0.1)
    factor = coverage_factor(freedom, 0.99)
    assert_allclose(factor, 2.92, rtol=0, atol=0.005)
    assert round(factor * whole) == 93


@pytest.mark.parametrize(("freedom", "factor"), [(1, 12.71), (2, 4.30), (5, 2.57), (12, 2.18), (50, 2.01)])
def test_factors_of_the_gum_table(freedom, factor):
    # JCGM 100:2008, table G.2, p = 95 %.
    assert_allclose(coverage_factor(freedom), factor, rtol=0, atol=0.005)


def test_with_no_end_of_freedom_the_factor_is_that_of_the_normal_distribution():
    assert_allclose(coverage_factor(math.inf), stats.norm.ppf(0.975), rtol=1e-12, atol=0)
    line = BudgetLine(source="all", standard_uncertainty_mm=0.1)
    assert_allclose(expand(1.0, (line,)).expanded_uncertainty, 0.1959964, rtol=1e-6, atol=0)


@pytest.mark.parametrize(
    ("value", "outcome"),
    [(0.39, "within"), (0.41, "undecided"), (0.50, "undecided"), (0.59, "undecided"), (0.61, "out")],
)
def test_decision_rule_at_limit_half_a_millimetre(value, outcome):
    # ISO 14253-1 (seen in summaries): limit 0.50, U 0.10: within up to 0.40, out over 0.60.
    assert judge(Measured(value=value, expanded_uncertainty=0.1), 0.5).outcome == outcome


def test_least_squares_circle_of_evenly_spaced_radii():
    # Verified with an independent library: r = 300 + 0.2cos(θ−0.5) + 0.1cos2θ + 0.05sin3θ, N = 36.
    degrees = np.arange(36) * 10.0
    theta = np.radians(degrees)
    radius = 300.0 + 0.2 * np.cos(theta - 0.5) + 0.1 * np.cos(2 * theta) + 0.05 * np.sin(3 * theta)
    fit = fit_columns(basis(degrees, 1), radius, bound=math.inf)
    assert_allclose(fit.coefficients, [300.0, 0.175517, 0.095885], rtol=0, atol=5e-7)
    assert_allclose(np.ptp(radius), 0.5463, rtol=0, atol=5e-5)
    assert_allclose(np.ptp(fit.residual), 0.2699, rtol=0, atol=5e-5)


def test_standard_error_of_a_harmonic_is_that_of_the_closed_form():
    # σ·√(2/N) for evenly spaced samples (derived).
    rng = np.random.default_rng(4)
    degrees = np.arange(720) * 0.5
    fit = fit_columns(basis(degrees, 3), rng.normal(0.0, 0.02, 720), bound=math.inf)
    assert_allclose(np.sqrt(np.diag(fit.covariance))[1:], fit.noise * math.sqrt(2 / 720), rtol=1e-9, atol=0)


def test_repeatability_of_the_gauge_study_of_probe_2362():
    # NIST/SEMATECH e-Handbook, 2.4.4.4 (read): sums of squares of wafers 138 to 142, 60 degrees of freedom each.
    sums = np.array([0.48115, 0.69209, 0.48483, 1.21752, 0.30076])
    values = np.random.default_rng(5).normal(100.0, 0.1, (61, 5))
    values -= values.mean(axis=0)
    values *= np.sqrt(sums / (values**2).sum(axis=0))
    repeatability, freedom = pooled_sd(values + np.array([95.1, 99.3, 96.0, 101.1, 94.3]))
    assert freedom == 300
    assert_allclose(repeatability, 0.10290, rtol=0, atol=0.5e-5)


def test_a_circle_of_noisy_points_agrees_with_a_general_library():
    # scipy's Levenberg–Marquardt on the same distances.
    rng = np.random.default_rng(6)
    around = rng.uniform(0.0, 2.0 * np.pi, 40)
    points = np.array([3.0, -2.0]) + (5.0 + rng.normal(0.0, 0.2, 40))[:, None] * np.stack(
        [np.cos(around), np.sin(around)], axis=1
    )
    centre, radius = fit_circle(points)
    found = optimize.least_squares(
        lambda guess: np.hypot(*(points - guess[:2]).T) - guess[2], [0.0, 0.0, 1.0], xtol=1e-15, ftol=1e-15
    ).x
    assert_allclose([*centre, radius], found, rtol=0, atol=1e-7)
