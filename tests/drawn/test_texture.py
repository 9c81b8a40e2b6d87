"""Texture beside the edge: what it moves a fit by is told by the whole pass, and stated."""

from __future__ import annotations

import math
import tracemalloc

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.interpolate import LSQUnivariateSpline
from scipy.ndimage import gaussian_filter

from rimgauge.capture import texture
from rimgauge.capture.edge import EdgeFit, EdgeShape, fit_edge
from rimgauge.capture.texture import _scatter, evened, mean_profiles
from rimgauge.capture.texture_gaps import DEGREE, Gaps, _smooth, restless
from rimgauge.records import FloatArray

FRAMES, ROWS, COLUMNS, ROW_PX, FINE = 160, 48, 44, 23.5, 8
SHAPE = EdgeShape(
    blur_px=1.2, slope=0.03, bend_per_px=0.0, second_step_px=None, outside_px=8, inside_px=4, white=math.inf
)


def drawn(strength: float, seed: int, alike_frames: float = 0.0) -> tuple[np.ndarray, FloatArray]:
    """Frames of an edge whose rim has stains of a share of its contrast, alike over a few pixels, and its places.

    alike_frames: long stains, the same in all rows, pass as slowly as that; without it each frame shows others.
    """
    rng = np.random.default_rng(seed)
    u = (np.arange(COLUMNS * FINE) + 0.5) / FINE - 0.5
    lines = u - SHAPE.slope * (np.arange(ROWS)[:, None] - ROW_PX)
    places = 22.0 + 2.0 * np.sin(np.arange(FRAMES) / 9.0)
    frames = []
    long = np.empty(0)
    if alike_frames:
        long = gaussian_filter(
            rng.normal(size=(FRAMES, COLUMNS * FINE)), (alike_frames, 3.0 * FINE), mode="wrap"
        )
        long /= long.std()
    for k, place in enumerate(places):
        stains = gaussian_filter(rng.normal(size=(ROWS, COLUMNS * FINE)), (12.0, 3.0 * FINE), mode="wrap")
        rim = (lines >= place) * (1.0 + strength * (long[k] if alike_frames else stains / stains.std()))
        seen = gaussian_filter(90.0 * rim, (0.0, SHAPE.blur_px * FINE), mode="nearest")
        grey = 60.0 + seen.reshape(ROWS, COLUMNS, FINE).mean(axis=2)
        frames.append(np.rint(grey + rng.normal(0.0, 1.5, grey.shape)))
    return np.asarray(frames, dtype=np.float32), places


def gaps(fit: EdgeFit) -> Gaps:
    """Those of a pointer that stands still."""
    return Gaps(np.arange(FRAMES) / 30.0, fit.place_px, fit.standard_error_px, np.zeros(FRAMES))


@pytest.mark.parametrize(("strength", "least_gain"), [(0.12, 2.0), (0.0, 0.95)])
def test_what_texture_moves_the_edge_by_is_taken_off_and_stated(strength: float, least_gain: float) -> None:
    frames, places = drawn(strength, seed=12)
    fit = fit_edge(frames, places, ROW_PX, SHAPE)
    profiles = mean_profiles(frames, fit.place_px, fit.slope, ROW_PX, SHAPE)
    good = np.ones(FRAMES, dtype=bool)
    found = evened(profiles, fit.place_px, gaps(fit), good, SHAPE)
    before = fit.place_px - places
    after = before + found.correction_px
    assert float(np.std(before)) > least_gain * float(np.std(after))
    # A standard deviation by 160 frames that share some texture is itself known to about 8 %.
    assert 0.8 < float(np.median(found.standard_error_px)) / float(np.std(after)) < 1.2
    if strength:
        assert float(np.std(before)) > 3.0 * float(np.median(fit.standard_error_px))


def test_a_long_pass_is_told_part_by_part_with_the_same_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    frames, places = drawn(0.12, seed=12)
    fit = fit_edge(frames, places, ROW_PX, SHAPE)
    profiles = mean_profiles(frames, fit.place_px, fit.slope, ROW_PX, SHAPE)
    x = np.arange(-SHAPE.outside_px, profiles.shape[1] - SHAPE.outside_px, dtype=np.float64)
    seen = np.tile(profiles.astype(np.float64), (150, 1))
    place_px = np.tile(fit.place_px, 150)
    peaks, told = [], []
    for together in (1000, len(seen)):
        monkeypatch.setattr("rimgauge.capture.parts.TOGETHER", together)
        tracemalloc.start()
        told.append(texture._told(seen, place_px, x, SHAPE))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    # The search for the likeliest ends where no run can tell more, and sums differ in their last digit.
    assert_allclose(told[0].step_px, told[1].step_px, rtol=0.0, atol=3e-4)
    assert_allclose(told[0].error_px, told[1].error_px, rtol=1e-3)
    # Beside the profiles nothing of their size is held.
    assert peaks[0] < seen.nbytes < 0.5 * peaks[1]


@pytest.mark.parametrize(("alike_frames", "most"), [(3.0, 2.0), (6.0, 1.4)])
def test_stains_that_pass_as_slowly_as_the_rim_moves_are_stated(alike_frames: float, most: float) -> None:
    ratios = []
    for seed in (12, 13, 14):
        frames, places = drawn(0.12, seed, alike_frames)
        fit = fit_edge(frames, places, ROW_PX, SHAPE)
        profiles = mean_profiles(frames, fit.place_px, fit.slope, ROW_PX, SHAPE)
        found = evened(profiles, fit.place_px, gaps(fit), np.ones(FRAMES, dtype=bool), SHAPE)
        error_px = float(np.std(fit.place_px - places + found.correction_px))
        ratios.append(float(np.median(found.standard_error_px)) / error_px)
    # Each drawing holds some ten to twenty stains: three of them tell the ratio to about a fifth, twice that. Where
    # three frames share a stain the gaps do tell the share, and what is stated is rather too much than too little.
    assert 0.6 < float(np.mean(ratios)) < most


def test_too_few_frames_or_pixels_leave_the_fit_as_it_is() -> None:
    frames, places = drawn(0.12, seed=3)
    fit = fit_edge(frames, places, ROW_PX, SHAPE)
    profiles = mean_profiles(frames, fit.place_px, fit.slope, ROW_PX, SHAPE)
    every = np.ones(FRAMES, dtype=bool)
    one_pixel = np.where(np.arange(profiles.shape[1]) < profiles.shape[1] - 1, np.nan, profiles)
    for good, seen in (
        (np.arange(FRAMES) < 30, profiles),
        (~every, profiles),
        (every, one_pixel.astype(np.float32)),
    ):
        found = evened(seen, fit.place_px, gaps(fit), good, SHAPE)
        assert np.isnan(found.correction_px).all()
        # The rows don't see the texture; that gaps differ by it from frame to frame tells it.
        assert 0.7 < float(np.median(found.standard_error_px) / np.std(fit.place_px - places)) < 1.3


@pytest.mark.parametrize("alike_frames", [0.0, 1.0, 4.0])
def test_right_errors_are_not_made_smaller_though_neighbouring_frames_share_them(alike_frames: float) -> None:
    rng = np.random.default_rng(9)
    time_s, error_px = np.arange(240) / 30.0, rng.normal(size=240)
    if alike_frames:
        error_px = gaussian_filter(error_px, alike_frames)
    error_px *= 0.02 / error_px.std()
    gap_px = 20.0 + 4.0 * np.sin(2.0 * np.pi * 0.36 * time_s) + error_px
    profiles = np.full((240, 17), np.nan, dtype=np.float32)
    stated = Gaps(time_s, gap_px, np.full(240, 0.02), np.zeros(240))
    found = evened(profiles, gap_px, stated, np.ones(240, dtype=bool), SHAPE)
    # What white errors of so many frames say of their own size is known to about 5 %; three times that.
    assert 0.02 <= float(found.standard_error_px.min()) <= float(found.standard_error_px.max()) < 0.02 * 1.16


def test_what_varies_from_frame_to_frame_is_told_beside_a_rim_of_many_bends() -> None:
    rng = np.random.default_rng(4)
    time_s, noise, texture = np.arange(240) / 30.0, rng.normal(0.0, 0.02, 240), rng.normal(0.0, 0.05, 240)
    phase = 2.0 * np.pi * 0.36 * time_s
    gap_px = sum(4.0 / order**2 * np.cos(order * phase + order**2) for order in range(1, 9))
    gap_px += noise + 0.6 * texture
    gap_px[rng.random(240) < 0.05] = np.nan
    found = restless(time_s, gap_px, -texture)
    assert found is not None
    # Within three standard deviations of what so many frames can tell.
    assert abs(found.share - 0.6) < 3.0 * math.sqrt(found.share_variance) < 0.15
    assert abs(found.variance / 0.02**2 - 1.0) < 3.0 * math.sqrt(2.0 / found.freedom)
    assert restless(time_s[:20], gap_px[:20], texture[:20]) is None


def test_a_rims_own_bends_are_not_taken_for_texture_where_corrections_are_alike_for_long() -> None:
    # Bends as short as eight frames, and smaller corrections twice as long, which say nothing of the gaps.
    rng = np.random.default_rng(6)
    frames = np.arange(240)
    noise, correction_px = rng.normal(0.0, 0.02, 240), 0.3 * np.sin(2.0 * np.pi * frames / 16.0 + 0.4)
    found = restless(frames / 30.0, 30.0 + np.sin(2.0 * np.pi * frames / 8.0) + noise, correction_px)
    assert found is not None
    # Pieces of six frames and more, as such corrections ask for, leave half a pixel of these bends.
    assert math.sqrt(found.variance) < 0.04


def test_a_spline_follows_what_it_can_and_without_weights_tells_nothing() -> None:
    time_s = np.arange(100) / 30.0
    values = np.stack([time_s**5 - time_s, 40.0 + time_s**2], axis=1)
    knots = np.concatenate([time_s[:1].repeat(DEGREE + 1), time_s[6:-6:4], time_s[-1:].repeat(DEGREE + 1)])
    uneven = np.where(np.arange(100) % 3 == 0, 0.01, 1.0)
    assert_allclose(_smooth(time_s, values, knots, uneven), values, rtol=0.0, atol=1e-8)
    assert np.isnan(_smooth(time_s, values, knots, np.zeros(100))).all()


def test_frames_that_fit_worse_count_less_in_a_spline_and_in_what_profiles_scatter_by() -> None:
    rng = np.random.default_rng(9)
    time_s, weight = np.arange(100) / 30.0, rng.uniform(0.05, 1.0, 100)
    values = rng.normal(0.0, 1.0, (100, 2))
    knots = np.concatenate([time_s[:1].repeat(DEGREE + 1), time_s[6:-6:4], time_s[-1:].repeat(DEGREE + 1)])
    # FITPACK's own way, whose weights multiply what is left, not its square.
    reference = [
        LSQUnivariateSpline(time_s, each, time_s[6:-6:4], np.sqrt(weight), k=DEGREE)(time_s)
        for each in values.T
    ]
    assert_allclose(_smooth(time_s, values, knots, weight), np.stack(reference, axis=1), rtol=0.0, atol=1e-9)
    profiles, usual = rng.normal(0.0, 1.0, (60, 5)), np.arange(60) != 7
    profiles[7] = 1e6
    kept = profiles[usual]
    assert_allclose(
        _scatter(profiles, np.zeros((60, 3)), np.zeros((3, 5)), usual), kept.T @ kept / 59.0, rtol=1e-12
    )
