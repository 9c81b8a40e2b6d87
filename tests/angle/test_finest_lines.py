"""Where soft lines of the spokes tell no path the finest ones may, but overstate how much likelier it is than another."""

import numpy as np

from rimgauge.signal import find_turning
from tests.benchmarks.turning import drawn


def test_a_stop_that_only_the_finest_lines_tell_is_not_told_a_spoke_off():
    # Its last stop was told 16° off, with 0.4° stated: the wrong path was likelier by 18, a logarithm, than the right one.
    _, _, seen, layout = drawn("dropped and jitter", 12924)
    turning = find_turning(seen.track, layout)
    off_deg = (turning.angle_deg - seen.angle_deg + 180.0) % 360.0 - 180.0
    told = np.isfinite(off_deg)
    assert told.mean() > 0.5
    assert np.abs(off_deg[told]).max() < 0.5 * layout.spacing_deg
