"""Statistics, uncertainty and sizes against published reference values."""

import math
from math import sqrt

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import optimize, stats
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.robust import norms, robust_linear_model

from rimgauge.capture.coin import fit_circle
from rimgauge.records import BudgetLine, Measured
from rimgauge.signal.budget import combined, coverage_factor, expand, judge
from rimgauge.signal.compare import nested_sd, pooled_sd
from rimgauge.signal.harmonics import FALLS, SIZES, _alike, _held_back, basis, fit_columns, fit_smooth
from rimgauge.signal.runout import _total
from rimgauge.signal.scale import CALIPER_MM, CARD_MM, CARD_SPREAD_MM, COINS_MM
from rimgauge.wheel import READY_MADE, complete_wheel

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


def test_a_mean_error_of_one_sign_widens_the_interval_by_all_of_itself():
    # JCGM 100:2008, F.2.4.5: U = k·u + b, where a known mean error b isn't taken off and u is what spreads about it.
    line = BudgetLine(source="known in full", standard_uncertainty_mm=0.1, one_sided_mm=0.06)
    assert_allclose(expand(1.0, (line,)).expanded_uncertainty, 1.959964 * 0.08 + 0.06, rtol=1e-6, atol=0)


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


def spread_out(rng, count, sds):
    """Give values (count, n) of mean 0 whose columns have exactly the standard deviations sds (n,)."""
    values = rng.normal(size=(count, len(sds)))
    values -= values.mean(axis=0)
    return values * np.array(sds) / values.std(axis=0, ddof=1)


def test_day_and_run_components_of_the_gauge_study_of_probe_2362():
    # NIST/SEMATECH e-Handbook, 2.4.4.2 and 2.4.4.3 (read): wafer 140 on 6 days of each of 2 runs, the days' means
    # with standard deviations 0.027280 and 0.027560, pooled 0.02742 (10); standard deviations of the 2 runs' means
    # of wafers 138 to 142, pooled 0.0197 (5).
    rng = np.random.default_rng(7)
    days, sds = spread_out(rng, 6, [0.027280, 0.027560]), np.array([0.0223, 0.0027, 0.0289, 0.0133, 0.0205])
    readings, names, runs = [], [], []
    for run, of_run in enumerate(spread_out(rng, 2, sds)):
        for day in range(6):
            for within in spread_out(rng, 6, [0.1] * 5):
                readings.append(100.0 + of_run + np.array([0, 0, days[day, run], 0, 0]) + within)
                names.append(str(day))
                runs.append(run)
    values = np.array(readings)
    assert nested_sd(values, names, runs)[2].degrees_of_freedom == 5
    assert_allclose(nested_sd(values, names, runs)[2].standard_deviation_mm, 0.0197, rtol=0, atol=0.5e-4)
    repeated, day, run = nested_sd(values[:, 2:3], names, runs)
    assert (repeated.degrees_of_freedom, day.degrees_of_freedom, run.degrees_of_freedom) == (60, 10, 1)
    assert_allclose(repeated.standard_deviation_mm, 0.1, rtol=1e-9, atol=0)
    assert_allclose(day.standard_deviation_mm, 0.02742, rtol=0, atol=0.5e-5)
    assert_allclose(run.standard_deviation_mm, 0.0289, rtol=1e-9, atol=0)


def test_nested_components_of_simulated_gauges_come_out_as_a_mixed_model_finds_them():
    # statsmodels' mixed model by restricted likelihood: for a balanced design that is the analysis of variance,
    # variance of the means of a level = variance of the level + variance of the one below over its number.
    rng = np.random.default_rng(8)
    day, run = np.repeat(np.arange(8), 4), np.repeat(np.arange(2), 16)
    values = rng.normal(0.0, 0.3, 8)[day] + rng.normal(0.0, 0.1, 32)
    within, of_days, _ = nested_sd(values[:, None], [str(each) for each in day], [0] * 32)
    assert len(run) == len(day)
    fit = MixedLM(values, np.ones((32, 1)), groups=day).fit(reml=True)
    assert_allclose(within.standard_deviation_mm**2, fit.scale, rtol=1e-4, atol=0)
    means = float(fit.cov_re.item()) + fit.scale / 4
    assert_allclose(of_days.standard_deviation_mm**2, means, rtol=1e-4, atol=0)


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


def test_outliers_weigh_as_little_as_in_a_general_robust_regression():
    # statsmodels' robust linear model with Huber's weights, bound 1.5, on one pass with a joint and stains.
    rng = np.random.default_rng(9)
    degrees = np.sort(rng.uniform(0.0, 720.0, 300))
    values = (
        0.4 * np.cos(np.radians(degrees)) + 0.1 * np.sin(np.radians(5 * degrees)) + rng.normal(0.0, 0.02, 300)
    )
    spoilt = (degrees % 360.0 > 200.0) & (degrees % 360.0 < 206.0)
    values[spoilt] += 0.3
    design = basis(degrees, 6)
    fit = fit_columns(design, values)
    other = robust_linear_model.RLM(values, design, norms.HuberT(1.5)).fit(maxiter=200, tol=1e-10)
    # A twentieth of a coefficient's own standard error: six rounds of weights, and a spread about the median.
    assert_allclose(fit.coefficients, other.params, rtol=0, atol=0.05 * 0.02 * math.sqrt(2 / 300))
    plain = fit_columns(design, values, bound=math.inf)
    true = np.zeros(13)
    true[[1, 11]] = 0.4, 0.1
    assert np.linalg.norm(fit.coefficients - true) < 0.5 * np.linalg.norm(plain.coefficients - true)


def test_noise_alike_from_frame_to_frame_counts_as_fewer_samples():
    # First-order autoregression of coefficient 0.6: 1 + 2·Σ 0.6^k = 4 (closed form).
    rng = np.random.default_rng(10)
    noise = rng.normal(size=4000)
    for k in range(1, len(noise)):
        noise[k] += 0.6 * noise[k - 1]
    assert_allclose(_alike(noise, 0.0), 4.0, rtol=0.12, atol=0)
    assert _alike(rng.normal(size=4000), 0.0) < 1.1


def test_what_is_held_back_is_bayes_theorem_with_an_information_criterion_for_weights():
    # Akaike's Bayesian information criterion (1980; from memory) is the likelihood with the coefficients summed over:
    # here of samples drawn and laid out as one Gaussian vector in scipy, for each prior of the grid.
    rng = np.random.default_rng(11)
    degrees = np.arange(0.0, 360.0, 3.0)
    design, noise = basis(degrees, 4), 0.05
    values = design @ np.array([2.0, 0.3, 0.0, 0.05, 0.02, 0.1, 0.03, 0.0, 0.01]) + rng.normal(
        0.0, noise, 120
    )
    plain = fit_columns(design, values, bound=math.inf)
    information = design.T @ design / noise**2
    mean, covariance = _held_back(plain.coefficients, information)
    order = np.concatenate([np.arange(1, 5)] * 2)
    grid = [
        (float(np.abs(plain.coefficients[1:]).max()) * size * order**-fall) ** 2
        for fall in FALLS
        for size in SIZES
    ]
    flat = 1e4  # the mean gap may be anything
    samples = [
        stats.multivariate_normal(
            cov=design @ np.diag(np.r_[flat, prior]) @ design.T + noise**2 * np.eye(120), allow_singular=False
        ).logpdf(values)
        for prior in grid
    ]
    weights = np.exp(np.array(samples) - max(samples))
    weights /= weights.sum()
    means = [
        np.linalg.solve(information + np.diag(np.r_[1 / flat, 1 / prior]), design.T @ values / noise**2)
        for prior in grid
    ]
    expected = weights @ np.array(means)
    # Priors of under a hundredth of the best one's weight are left out of the program's mean.
    assert_allclose(mean, expected, rtol=0, atol=0.05 * noise * math.sqrt(2 / 120))
    # Not knowing the prior widens what holding back narrows.
    assert np.all(np.diag(covariance)[1:] < 1.05 * noise**2 * 2 / 120)


@pytest.mark.parametrize(("count", "range_sds"), [(36, 4.236), (120, 5.144), (360, 5.871)])
def test_a_reading_of_noise_alone_loses_most_of_its_upward_bias(count, range_sds):
    # Mean range of n normal values, ∫ 1 − Φⁿ − (1 − Φ)ⁿ dx (Tippett, Biometrika 17 (1925)): what max − min of a rim
    # that runs true reads.
    rng = np.random.default_rng(12)
    degrees, sigma = np.arange(count) * 360.0 / count, 0.02
    naive, ours = [], []
    for _ in range(40):
        values = rng.normal(0.0, sigma, count)
        naive.append(float(np.ptp(values)))
        ours.append(_total(fit_smooth(degrees, values, 12), 0.0, rng)[0])
    assert_allclose(np.mean(naive), range_sds * sigma, rtol=0.06, atol=0)
    assert np.mean(ours) < 0.5 * np.mean(naive)


def test_type_a_and_rectangular_uncertainties_are_those_of_the_guide():
    # JCGM 100:2008, 4.2.3 (s/√n) and 4.3.7 (a/√3).
    samples = np.random.default_rng(13).normal(10.0, 0.1, 50)
    fit = fit_columns(np.ones((50, 1)), samples, bound=math.inf)
    assert_allclose(math.sqrt(fit.covariance[0, 0]), samples.std(ddof=1) / math.sqrt(50), rtol=1e-9, atol=0)
    assert_allclose(CALIPER_MM, stats.uniform(-0.05, 0.1).std(), rtol=1e-12, atol=0)


def test_the_short_side_of_a_bank_card():
    # ISO/IEC 7810, ID-1 (read): 53.98 mm, an unused card 53.92 to 54.03; a rectangle of that width has a/√3.
    assert CARD_MM == 53.98
    assert_allclose(CARD_SPREAD_MM, (54.03 - 53.92) / 2 / sqrt(3), rtol=1e-9, atol=0)


def test_coins_have_the_diameters_that_their_mints_print():
    assert COINS_MM == {"1-euro": 23.25, "2-euro": 25.75, "50-cent": 24.25, "us-quarter": 24.26}


@pytest.mark.parametrize("kind", READY_MADE)
def test_a_turn_of_a_nipple_is_one_pitch_of_56_to_the_inch(kind):
    # Thread on 2.0 mm wire (read; reproduces DIN 79012): 25.4/56 mm, printed 0.45357.
    turn_mm = complete_wheel({"spokes": 36, "kind": kind}).spoke.turn_mm
    assert_allclose(turn_mm, 0.45357, rtol=0, atol=0.5e-4)
