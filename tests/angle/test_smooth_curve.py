"""The curve of time that the wheel's course is."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from rimgauge.signal.smooth_curve import SmoothCurve, squares


@pytest.mark.parametrize("last_s", [9.999, 10.001])
def test_how_calm_the_wheel_is_carries_over_where_stamps_that_move_change_the_knots(last_s):
    before = SmoothCurve.over(np.linspace(0.0, 10.0, 300), 0.05)
    calm = 1.0 + np.arange(len(before.calm)) / len(before.calm)
    after = SmoothCurve.over(np.linspace(0.0, last_s, 300), 0.05, calm)
    assert abs(len(after.calm) - len(calm)) <= 1
    assert_allclose(after.calm[[0, -1]], calm[[0, -1]], rtol=1e-12, atol=0)
    assert (np.diff(after.calm) > 0.0).all()


def test_one_more_knot_was_met():
    lengths = {len(SmoothCurve.over(np.linspace(0.0, last, 300), 0.05).calm) for last in (9.999, 10.001)}
    assert len(lengths) == 2


def test_normal_matrices_are_the_product_of_full_ones():
    rng = np.random.default_rng(3)
    time_s = np.sort(rng.uniform(0.0, 3.0, 80))
    curve, weight = SmoothCurve.over(time_s, 0.1), rng.uniform(0.0, 2.0, 80)
    design, change = curve.design.toarray(), rng.normal(size=79)
    assert_allclose(squares(curve.design, weight), design.T @ (design * weight[:, None]), atol=1e-12)
    # Changes share a scale that is hardly unsure: then their normal matrix is a plain one.
    moves = np.diff(design, axis=0)
    normal, right = curve.moves(change, weight[1:], 1e-9)
    assert_allclose(normal, moves.T @ (moves * weight[1:, None]), atol=1e-9)
    assert_allclose(right, moves.T @ (weight[1:] * change), atol=1e-9)
    assert squares(curve.design[:0], weight[:0]).shape == (design.shape[1], design.shape[1])
