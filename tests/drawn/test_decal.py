"""A decal that begins close behind the edge: what it draws the fit aside by is told, taken off and stated."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from rimgauge.capture import texture
from rimgauge.capture.decal import Decal, find_decal
from rimgauge.capture.edge import EdgeShape, fit_edge
from rimgauge.capture.texture import Evened, evened, mean_profiles
from rimgauge.capture.texture_gaps import Gaps
from rimgauge.records import BoolArray, FloatArray

FRAMES, ROWS, COLUMNS, ROW_PX, FINE = 200, 48, 44, 23.5, 8
SHAPE = EdgeShape(
    blur_px=1.2, slope=0.03, bend_per_px=0.0, second_step_px=None, outside_px=8, inside_px=3, white=math.inf
)
SHOWN: BoolArray = np.arange(FRAMES) // 25 % 2 == 1
"""Frames in which the decal passes."""


def drawn(
    band: float = 0.0,
    background: float = 0.0,
    worn: tuple[float, float, float] = (0.0, 0.0, 0.0),
    seed: int = 5,
) -> tuple[FloatArray, FloatArray, Evened]:
    """Errors of the fitted places (n,) and of the corrected ones of an edge of 90 grey levels, and what the pass told.

    band: so many times brighter or darker is the rim from 2.5 to 6 px behind its edge where the decal passes.
    background: so many grey levels brighter is what lies before the edge in these frames.
    worn: of the rim in these frames, instead: so much brighter, so many pixels more blurred, and so much brighter again
    with each pixel behind its edge.
    """
    rng = np.random.default_rng(seed)
    u = (np.arange(COLUMNS * FINE) + 0.5) / FINE - 0.5
    lines = u - SHAPE.slope * (np.arange(ROWS)[:, None] - ROW_PX)
    brighter, softer_px, shade = worn
    places = 22.0 + 2.0 * np.sin(np.arange(FRAMES) / 9.0)
    frames = []
    for place, shown in zip(places, SHOWN, strict=True):
        stains = gaussian_filter(rng.normal(size=(ROWS, COLUMNS * FINE)), (12.0, 3.0 * FINE), mode="wrap")
        rim = 150.0 + 2.0 * stains / stains.std()
        rim = rim + shown * 90.0 * band * ((lines >= place + 2.5) & (lines < place + 6.0))
        behind = np.clip(lines - place, 0.0, 8.0)
        rim = rim + shown * 90.0 * ((1.0 + brighter) * (1.0 + shade * behind) - 1.0)
        scene = np.where(lines >= place, rim, 60.0 + shown * background)
        seen = gaussian_filter(scene, (0.0, (SHAPE.blur_px + shown * softer_px) * FINE), mode="nearest")
        grey = seen.reshape(ROWS, COLUMNS, FINE).mean(axis=2)
        frames.append(np.rint(grey + rng.normal(0.0, 1.5, grey.shape)))
    patches = np.asarray(frames, dtype=np.float32)
    fit = fit_edge(patches, places, ROW_PX, SHAPE)
    profiles = mean_profiles(patches, fit.place_px, fit.slope, ROW_PX, SHAPE)
    gaps = Gaps(np.arange(FRAMES) / 30.0, fit.place_px, fit.standard_error_px, np.zeros(FRAMES))
    found = evened(profiles, fit.place_px, gaps, np.ones(FRAMES, dtype=bool), SHAPE)
    before = fit.place_px - places
    return before, before + np.nan_to_num(found.correction_px), found


def step_px(off: FloatArray) -> float:
    """By how much errors differ where the decal passes."""
    return float(np.median(off[SHOWN]) - np.median(off[~SHOWN]))


@pytest.mark.parametrize(("band", "background"), [(-0.9, 0.0), (0.8, 0.0), (-0.9, 12.0)])
def test_a_decal_draws_the_edge_aside_no_longer_and_what_is_left_is_stated(
    band: float, background: float
) -> None:
    before, after, found = drawn(band, background)
    stated = float(np.median(found.standard_error_px))
    assert abs(step_px(before)) > 0.2
    assert abs(step_px(after)) < 0.1 * abs(step_px(before))
    # What is left of the step is half of it in all frames; two standard uncertainties hold it.
    assert 0.5 * abs(step_px(after)) < 2.0 * stated < 0.5 * abs(step_px(before))


@pytest.mark.parametrize("worn", [(0.2, 0.0, 0.03), (0.25, 0.3, 0.0), (0.25, 0.15, 0.0), (0.2, 0.2, 0.02)])
def test_a_worn_or_faded_stretch_is_not_taken_for_a_decal(worn: tuple[float, float, float]) -> None:
    before, after, found = drawn(worn=worn)
    assert abs(step_px(after)) < abs(step_px(before)) + 0.02
    assert 0.5 * abs(step_px(after)) < 2.0 * float(np.median(found.standard_error_px))


def test_a_rim_without_a_decal_is_left_alone() -> None:
    before, after, _ = drawn()
    assert abs(step_px(before)) < 0.02
    assert float(np.std(after)) < 1.05 * float(np.std(before))


def profiles_of(share: FloatArray, nearest_px: float = -8.0) -> tuple[FloatArray, FloatArray]:
    """Profiles of an edge at 0 behind which a dark band shows by a share (m,) of it, and their places."""
    fine = np.arange(-20.0, 20.0, 1.0 / FINE)
    x = np.arange(nearest_px, 8.0)
    rim = np.where(fine >= 0.0, 90.0, 0.0)
    band = np.where((fine >= 3.0) & (fine < 6.0), -80.0, 0.0)
    lines = gaussian_filter(rim + share[:, None] * band, (0.0, SHAPE.blur_px * FINE), mode="nearest")
    grey = np.array([np.interp(x, fine, line) for line in lines])
    return grey + np.random.default_rng(3).normal(0.0, 0.5, grey.shape), x


def test_the_share_of_a_decal_is_told_and_its_ends_are_less_sure() -> None:
    share = np.repeat([0.0, 1.0, 0.5, 0.0, 1.0], [30, 30, 4, 30, 30])
    found = find_decal(*profiles_of(share), SHAPE.blur_px)
    assert found is not None
    np.testing.assert_allclose(found.share, share, rtol=0.0, atol=0.05)
    assert abs(found.shift_px) < 2.0 * found.error_px
    half = found.variance[60:64] - found.variance[0]
    np.testing.assert_allclose(half, (0.5 * found.shift_px) ** 2, rtol=0.5, atol=found.error_px**2)


@pytest.mark.parametrize(
    ("share", "nearest_px"),
    [
        # A valve or a joint shows in few frames; stains make no two heaps; the edge's foot must be seen.
        (np.repeat([0.0, 1.0], [95, 5]), -8.0),
        (np.linspace(0.0, 1.0, 100), -8.0),
        (np.repeat([0.0, 1.0], [50, 50]), -2.0),
    ],
)
def test_what_is_no_decal_is_not_taken_for_one(share: FloatArray, nearest_px: float) -> None:
    assert find_decal(*profiles_of(share, nearest_px), SHAPE.blur_px) is None


def test_where_the_edge_alone_lies_aside_no_band_is_seen() -> None:
    _, x = profiles_of(np.zeros(1))
    aside = np.where(SHOWN, 0.6, 0.0)[:, None]
    grey = 45.0 * (1.0 + np.vectorize(math.erf)((x - aside) / (SHAPE.blur_px * math.sqrt(2.0))))
    assert find_decal(grey + np.random.default_rng(4).normal(0.0, 0.5, grey.shape), x, SHAPE.blur_px) is None


def test_an_edge_without_contrast_tells_no_decal() -> None:
    x = np.arange(-8.0, 8.0)
    band = np.where((x >= 4.0) & (x < 7.0), 80.0, 0.0)
    assert find_decal(np.where(SHOWN[:, None], band, 0.0), x, SHAPE.blur_px) is None


def evened_with(
    monkeypatch: pytest.MonkeyPatch, told: Decal | None, shape: EdgeShape = SHAPE, unseen: int = 0
) -> Evened:
    """What is told by profiles of a plain edge, of which the first so many aren't seen, if the decal's part is as told."""
    profiles, _ = profiles_of(np.zeros(FRAMES), -SHAPE.outside_px)
    wide = texture.widened(shape)
    grey = np.full((FRAMES, wide.outside_px + wide.inside_px + 1), np.nan, dtype=np.float32)
    grey[unseen:, : profiles.shape[1]] = profiles[unseen:, : grey.shape[1]]
    place = 22.0 + 2.0 * np.sin(np.arange(FRAMES) / 9.0)
    gaps = Gaps(np.arange(FRAMES) / 30.0, place, np.full(FRAMES, 0.02), np.zeros(FRAMES))
    monkeypatch.setattr(texture, "find_decal", lambda *_: told)
    monkeypatch.setattr(texture, "restless", lambda *_: None)
    return evened(grey, place, gaps, np.ones(FRAMES, dtype=bool), shape)


def test_what_a_decal_leaves_unsure_goes_into_each_frame(monkeypatch: pytest.MonkeyPatch) -> None:
    unseen = 20
    wide = texture.widened(SHAPE)
    nothing = np.zeros(min(wide.outside_px + wide.inside_px + 1, 16))
    told = Decal(SHOWN[unseen:].astype(np.float64), 0.4, 0.3, nothing)
    plain, found = (evened_with(monkeypatch, each, unseen=unseen) for each in (None, told))
    added = found.standard_error_px**2 - plain.standard_error_px**2
    np.testing.assert_allclose(added[unseen:], told.variance, rtol=1e-6)
    moved = found.correction_px - np.nan_to_num(plain.correction_px)
    np.testing.assert_allclose(moved[unseen:], 0.4 * told.share, atol=1e-9)
    # A frame without a profile shows all of it or nothing.
    np.testing.assert_allclose(added[:unseen], 0.2**2 + 0.15**2, rtol=1e-6)
    np.testing.assert_allclose(moved[:unseen], 0.2, atol=1e-9)


def test_an_edge_of_two_steps_is_not_asked_for_a_decal(monkeypatch: pytest.MonkeyPatch) -> None:
    told = Decal(SHOWN.astype(np.float64), 0.4, 0.3, np.zeros(16))
    two = replace(SHAPE, second_step_px=3.0)
    plain, found = (evened_with(monkeypatch, each, two) for each in (None, told))
    np.testing.assert_array_equal(found.correction_px, plain.correction_px)
    np.testing.assert_array_equal(found.standard_error_px, plain.standard_error_px)
