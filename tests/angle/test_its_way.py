"""A wheel turned so evenly that its mark shows once a turn has a double: one that goes the other way from each pass to the next."""

import numpy as np
import pytest

from rimgauge.errors import PlaceLost
from rimgauge.signal.follow import Evidence
from rimgauge.signal.its_way import check_way
from rimgauge.signal.looks import Look

FRAMES, SPOKES = 170, 20


def evidence_along(path_deg: np.ndarray, rim: int) -> Evidence:
    """A gap that is hardly told from its noise, clear spokes, and a mark in the frame a turn that is nearest to it."""
    rng = np.random.default_rng(25)
    off_deg = (path_deg + 180.0) % 360.0 - 180.0
    step_deg = float(path_deg[1] - path_deg[0])
    mark_deg = np.where(np.abs(off_deg) < 0.5 * step_deg, off_deg, np.nan)
    turned = np.radians(path_deg)[:, None]
    gap = np.cos(turned + 0.3) + 0.5 * np.cos(2.0 * turned) + 0.3 * rng.normal(size=(FRAMES, 1))
    spokes = np.cos(SPOKES * turned * [1.0, 1.0, 2.0] + [0.0, 1.6, 0.4])
    spokes += 0.05 * rng.normal(size=spokes.shape)
    looks = (Look(gap, 360.0), Look(spokes, 4.0 * 360.0 / SPOKES))
    return Evidence(mark_deg, np.full(FRAMES, 0.8), 0.0, looks=looks, way=lambda *_: rim)


@pytest.mark.parametrize(
    ("frames_a_turn", "rim", "told"),
    [(25.09, 0, False), (25.09, 1, True), (25.09, -1, False), (25.5, 0, True)],
)
def test_a_path_is_refused_that_looks_like_one_the_other_way_round_from_pass_to_pass(
    frames_a_turn: float, rim: int, told: bool
) -> None:
    """Its mirror image the mark excludes, by 46 nats; in half a frame more a turn the spokes exclude the double too."""
    path_deg = 360.0 / frames_a_turn * np.arange(FRAMES) + 3.0
    evidence = evidence_along(path_deg, rim)
    if told:
        check_way(path_deg, evidence, marked=True)
    else:
        with pytest.raises(PlaceLost, match="which way the wheel turns"):
            check_way(path_deg, evidence, marked=True)
