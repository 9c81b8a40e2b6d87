"""How likely each end is kept, and what that is worth."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import norm
from wheels import out_of_true

from rimgauge.plan.likely import likely_deviations
from rimgauge.plan.prices import RISK, SURE, outside_tension, risk_price, surely_even
from rimgauge.plan.problem import RISK_PRICE, flange_spokes
from rimgauge.plan.stating import state_problem
from rimgauge.plan.wishes import Wishes

DRAWS = 20_000


def test_risk_is_the_logarithm_of_the_normal_probability():
    assert_allclose(RISK[:-1], -norm.logcdf(SURE[:-1]), rtol=0, atol=5e-6)
    slopes = -np.diff(RISK) / np.diff(SURE)
    assert_allclose(slopes[-1], slopes[-2], rtol=1e-4)  # straight beyond the last


def test_price_is_convex_and_never_below_the_logarithm():
    sure = np.linspace(-0.99, 2.99, 200)
    price = risk_price(sure) / RISK_PRICE
    assert (price >= -norm.logcdf(sure) - 5e-6).all()
    assert (np.diff(price, 2) >= -1e-9).all()


@pytest.mark.parametrize("seed", range(2))
def test_doubt_is_how_far_wheels_of_the_same_readings_differ(wheel, answer, seed):
    """Tensions are drawn as likely as the readings make them, and the change of their mean square is looked at."""
    readings = out_of_true(wheel, seed, lateral_mm=2.0)
    problem = state_problem(readings, wheel, answer, Wishes())
    sides = flange_spokes(wheel)
    likely = likely_deviations(readings, readings.tension_n, answer, sides)
    random = np.random.default_rng(seed)
    eighths = random.integers(-3, 4, 36).astype(float)
    for side, spokes in zip(problem.sides, sides, strict=True):
        covariance = likely.covariance[np.ix_(spokes, spokes)]
        drawn = random.multivariate_normal(side.start_n, covariance, DRAWS, check_valid="ignore")
        change = np.mean((drawn + side.step_n @ eighths) ** 2 - drawn**2, axis=1)
        doubt = np.linalg.norm(side.doubt_start_n2 + side.doubt_step_n2 @ eighths)
        assert_allclose(doubt, change.std(), rtol=0.03)  # 20,000 draws tell 0.5 %


def test_tension_let_be_is_as_even_as_before(wheel, answer):
    problem = state_problem(out_of_true(wheel, 1, lateral_mm=2.0), wheel, answer, Wishes())
    for side in problem.sides:
        assert surely_even(side, np.zeros((36, 1)))[0] >= 2.0


def test_a_spoke_too_far_from_its_sides_mean_is_outside_by_so_much(wheel, answer):
    problem = state_problem(out_of_true(wheel, 1, lateral_mm=2.0), wheel, answer, Wishes())
    none = np.zeros(1)
    for way in (1.0, -1.0):
        sides = [np.zeros((18, 1)), np.zeros((18, 1))]
        sides[1][3] = way * (problem.sides[1].largest_peak_n + 5.0)
        outside = outside_tension(problem, np.zeros((36, 1)), sides, [none, none], [none, none])
        assert_allclose(outside, [5.0], rtol=1e-12)
