"""The spokes' look as a series of waves."""

import numpy as np

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
