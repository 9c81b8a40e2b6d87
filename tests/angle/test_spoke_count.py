"""A wheel said to have another number of spokes than it has is refused, not bent to fit."""

from dataclasses import replace

import numpy as np
import pytest

from rimgauge.capture import open_source, track
from rimgauge.cli.demo import sample_folder
from rimgauge.errors import PlaceLost
from rimgauge.job import read_build, read_view
from rimgauge.records import WheelInView
from rimgauge.signal import find_turning, laid_out
from rimgauge.wheel import complete_wheel


@pytest.fixture(scope="module")
def filmed():
    """Return the bundled frames as tracked, and their layout for a wheel of 28 spokes."""
    folder = sample_folder()
    view = read_view(folder / "lateral_before" / "view.json")
    with open_source(str(folder / "lateral_before")) as frames:
        seen = track(frames, view)
    wheel = complete_wheel(read_build(folder / "wheel.toml"))
    return seen, laid_out(view, seen, view.scale, WheelInView.of(wheel))


@pytest.mark.parametrize("count", [24, 32, 36])
def test_a_wrong_number_of_spokes_is_refused(filmed, count):
    seen, layout = filmed
    angles_deg = (np.arange(count) + 0.5) * 360.0 / count
    with pytest.raises(PlaceLost, match="count the spokes"):
        find_turning(seen, replace(layout, spoke_angles_deg=angles_deg, flanges=()))


def test_the_right_one_is_not(filmed):
    assert np.isfinite(find_turning(*filmed).angle_deg).mean() > 0.95
