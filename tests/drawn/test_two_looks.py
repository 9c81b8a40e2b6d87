"""Two looks of a rim's edge, as with decals that come and go, are told from one that merely varies."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from rimgauge.capture.patch import GreyArray
from rimgauge.capture.two_looks import two_looks
from rimgauge.records import BoolArray, FloatArray

FRAMES = 200
X: FloatArray = np.arange(-5.0, 6.0)
ALL: BoolArray = np.ones(FRAMES, dtype=bool)
SHOWN: FloatArray = (np.arange(FRAMES) // 20 % 2).astype(np.float64)


def profiles(share: FloatArray, background: float = 6.0) -> GreyArray:
    """An edge before a background that varies, with a bright line before it by a share (n,) of that."""
    rng = np.random.default_rng(6)
    edge = 60.0 + (60.0 + rng.normal(0.0, background, FRAMES))[:, None] * ndtr(-X / 0.8)
    line = 45.0 * np.exp(-0.5 * ((X + 2.0) / 0.9) ** 2)
    return np.asarray(edge + share[:, None] * line + rng.normal(0.0, 1.0, edge.shape), dtype=np.float32)


def test_the_second_look_is_told_frame_by_frame_however_the_background_varies() -> None:
    found = two_looks(profiles(SHOWN), ALL)
    np.testing.assert_array_equal(np.abs(found - found[0]), SHOWN)


def test_the_second_look_is_told_where_something_else_differs_by_more() -> None:
    shine = np.random.default_rng(9).uniform(0.0, 100.0, FRAMES)[:, None] * ndtr(X - 2.0)
    found = two_looks((profiles(SHOWN) + shine).astype(np.float32), ALL)
    assert np.ptp(found) == 1.0
    assert float(np.max(np.abs(np.abs(found - np.median(found[:20])) - SHOWN))) < 0.4


def test_a_frame_that_shows_part_of_it_is_told_as_that() -> None:
    share = SHOWN.copy()
    share[20] = 0.5
    found = two_looks(profiles(share), ALL)
    assert abs(found[20] - 0.5) < 0.15
    assert set(np.delete(found, 20)) == {0.0, 1.0}


def test_frames_that_are_not_believed_or_not_seen_tell_nothing() -> None:
    seen, good = profiles(SHOWN), ALL.copy()
    seen[3, 4] = np.nan
    good[5] = False
    found = two_looks(seen, good)
    assert np.isnan(found[[3, 5]]).all()
    assert np.isfinite(np.delete(found, [3, 5])).all()


@pytest.mark.parametrize(
    "share",
    [
        np.zeros(FRAMES),
        np.linspace(0.0, 1.0, FRAMES),
        0.5 + 0.5 * np.sin(np.arange(FRAMES) / 7.0),
        # A valve, a joint or a hand.
        (np.arange(FRAMES) % 50 < 4).astype(np.float64),
    ],
)
def test_one_look_that_varies_or_shows_briefly_is_one(share: FloatArray) -> None:
    assert np.isnan(two_looks(profiles(share), ALL)).all()


def test_too_few_frames_or_columns_tell_no_look() -> None:
    seen = profiles(SHOWN)
    assert np.isnan(two_looks(seen, np.arange(FRAMES) < 30)).all()
    assert np.isnan(two_looks(seen[:, :4], ALL)).all()
    assert np.isnan(two_looks(seen, ~ALL)).all()
