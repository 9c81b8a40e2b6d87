"""The spokes' look as a series of waves."""

import numpy as np
from numpy.testing import assert_allclose

from rimgauge.signal.series import learn_series, waves

PERIOD_DEG, NOISE = 45.0, 0.3


def test_a_look_that_goes_on_from_the_one_before_is_as_near_the_truth():
    rng = np.random.default_rng(11)
    angle_deg = np.sort(rng.uniform(0.0, 700.0, 300))
    basis, _ = waves(angle_deg, PERIOD_DEG, 3.0)
    truth = rng.normal(size=(basis.shape[1], 6)) / (1.0 + np.arange(basis.shape[1])[:, None] % 15)
    seen = basis @ truth + rng.normal(0.0, NOISE, (300, 6))
    astray, _ = waves(angle_deg + rng.normal(0.0, 0.3, 300), PERIOD_DEG, 3.0)
    afresh, further = learn_series(basis, seen), learn_series(basis, seen, begun=learn_series(astray, seen))

    def off(look):
        return float(np.sqrt(np.mean((basis @ (look.coefficients - truth)) ** 2)))

    assert off(further) < 1.02 * off(afresh) < 0.6 * NOISE


def test_waves_smeared_during_an_exposure_are_the_mean_of_sharp_ones():
    angle_deg, smear_deg = np.array([3.0, 40.0, 700.0]), np.array([0.0, 2.5, 9.0])
    steps = (np.arange(4000) + 0.5) / 4000 - 0.5
    during = [
        waves(angle + smear * steps, PERIOD_DEG) for angle, smear in zip(angle_deg, smear_deg, strict=True)
    ]
    basis, slope = waves(angle_deg, PERIOD_DEG, smear_deg=smear_deg)
    assert_allclose(basis, [sharp.mean(axis=0) for sharp, _ in during], atol=1e-5)
    assert_allclose(slope, [rises.mean(axis=0) for _, rises in during], atol=1e-4)
