"""An edge of which too little is seen to tell two steps."""

import numpy as np
import pytest

from rimgauge.capture.shape import EdgeShape, _fitted_steps


@pytest.mark.parametrize("seconds", [None, (1.5, 3.0)])
def test_too_few_places_for_two_steps_leave_one(seconds):
    plain = EdgeShape(
        blur_px=1.0,
        slope=0.0,
        bend_per_px=0.0,
        second_step_px=None,
        outside_px=0,
        inside_px=0,
        white=np.inf,
    )
    shape, place = _fitted_steps(np.array([-2.0, 0.0, 2.0]), np.array([50.0, 90.0, 120.0]), plain, seconds)
    assert shape.second_step_px is None
    assert shape.blur_px == plain.blur_px
    assert place == 0.0
