"""Texture beside the edge: what it moves a fit by is told by the whole pass, and stated."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from rimgauge.capture.edge import EdgeShape, fit_edge
from rimgauge.capture.texture import evened, mean_profiles
from rimgauge.records import FloatArray

FRAMES, ROWS, COLUMNS, ROW_PX, FINE = 160, 48, 44, 23.5, 8
SHAPE = EdgeShape(
    blur_px=1.2, slope=0.03, bend_per_px=0.0, second_step_px=None, outside_px=8, inside_px=4, white=math.inf
)


def drawn(strength: float, seed: int) -> tuple[np.ndarray, FloatArray]:
    """Frames of an edge whose rim has stains of a share of its contrast, alike over a few pixels, and its places."""
    rng = np.random.default_rng(seed)
    u = (np.arange(COLUMNS * FINE) + 0.5) / FINE - 0.5
    lines = u - SHAPE.slope * (np.arange(ROWS)[:, None] - ROW_PX)
    places = 22.0 + 2.0 * np.sin(np.arange(FRAMES) / 9.0)
    frames = []
    for place in places:
        stains = gaussian_filter(rng.normal(size=(ROWS, COLUMNS * FINE)), (12.0, 3.0 * FINE), mode="wrap")
        rim = (lines >= place) * (1.0 + strength * stains / stains.std())
        seen = gaussian_filter(90.0 * rim, (0.0, SHAPE.blur_px * FINE), mode="nearest")
        grey = 60.0 + seen.reshape(ROWS, COLUMNS, FINE).mean(axis=2)
        frames.append(np.rint(grey + rng.normal(0.0, 1.5, grey.shape)))
    return np.asarray(frames, dtype=np.float32), places


@pytest.mark.parametrize(("strength", "least_gain"), [(0.12, 2.0), (0.0, 0.95)])
def test_what_texture_moves_the_edge_by_is_taken_off_and_stated(strength: float, least_gain: float) -> None:
    frames, places = drawn(strength, seed=12)
    fit = fit_edge(frames, places, ROW_PX, SHAPE)
    profiles = mean_profiles(frames, fit.place_px, fit.slope, ROW_PX, SHAPE)
    good = np.ones(FRAMES, dtype=bool)
    found = evened(profiles, fit.place_px, fit.place_px, fit.standard_error_px, good, SHAPE)
    before = fit.place_px - places
    after = before + found.correction_px
    assert float(np.std(before)) > least_gain * float(np.std(after))
    # The texture's covariance is itself found from these frames, and its grain isn't quite the model's.
    assert 0.4 < float(np.median(found.standard_error_px)) / float(np.std(after)) < 1.4
    if strength:
        assert float(np.std(before)) > 3.0 * float(np.median(fit.standard_error_px))


def test_too_few_frames_or_pixels_leave_the_fit_as_it_is() -> None:
    frames, places = drawn(0.12, seed=3)
    fit = fit_edge(frames, places, ROW_PX, SHAPE)
    profiles = mean_profiles(frames, fit.place_px, fit.slope, ROW_PX, SHAPE)
    for good in (np.arange(FRAMES) < 30, np.zeros(FRAMES, dtype=bool)):
        found = evened(profiles, fit.place_px, fit.place_px, fit.standard_error_px, good, SHAPE)
        assert np.isnan(found.correction_px).all()
        assert (found.standard_error_px == fit.standard_error_px).all()
