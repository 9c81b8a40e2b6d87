"""Which edge is taken for the outline, on drawn steps whose places are known."""

import math

import numpy as np
import pytest
from scipy.special import ndtr

from rimgauge.capture.edge import fit_edge
from rimgauge.capture.outline import close_scores, learn_outline, nearest_edge, outline_scores, rival_edges
from rimgauge.records import FloatArray

ROWS, COLUMNS, ROW_PX, ROOM_PX, FRAMES = 81, 70, 40.0, 18, 24
APART_PX, BLUR_PX = 14.0, 1.0


def draw(rng: np.random.Generator, places: FloatArray, second_grey: float) -> FloatArray:
    """A rim 70 grey levels darker than what lies before it, and darker by so much again further in."""
    u = np.arange(COLUMNS) - places[:, None]
    grey = 140.0 - 70.0 * ndtr(u / BLUR_PX) - second_grey * ndtr((u - APART_PX) / BLUR_PX)
    noise = rng.normal(0.0, 2.0, (len(places), ROWS, COLUMNS))
    return np.asarray(grey[:, None, :] + noise, dtype=np.float32)


@pytest.mark.parametrize("share", [0.4, 0.5, 0.7, 1.0])
@pytest.mark.parametrize("seed", range(3))
def test_a_seam_further_in_is_not_taken_for_the_outline(share: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    places = 33.0 + 2.5 * np.sin(np.linspace(0.0, 5.0, FRAMES)) + rng.uniform(-0.3, 0.3, FRAMES)
    patches = draw(rng, places, 70.0 * share)
    outline = learn_outline(patches, 0.0, ROW_PX, ROOM_PX)
    scores = outline_scores(patches, outline)
    found = np.array([nearest_edge(each, outline) for each in scores])
    assert np.abs(found - places).max() < 1.0
    rivals = rival_edges(scores, outline, found)
    assert rivals == pytest.approx([APART_PX], abs=1.0)


def test_a_decal_that_comes_and_goes_close_behind_the_edge_does_not_draw_the_fit_aside() -> None:
    rng = np.random.default_rng(4)
    places = 33.0 + rng.uniform(-2.0, 2.0, FRAMES)
    u = np.arange(COLUMNS) - places[:, None]
    decal = np.arange(FRAMES) % 4 < 2
    bright = 150.0 * (ndtr((u - 5.0) / 1.4) - ndtr((u - 9.5) / 1.4)) * decal[:, None]
    grey = 140.0 - 80.0 * ndtr(u / 1.4) + bright
    patches = np.asarray(grey[:, None, :] + rng.normal(0.0, 2.0, (FRAMES, ROWS, COLUMNS)), dtype=np.float32)
    outline = learn_outline(patches, 0.0, ROW_PX, ROOM_PX)
    off = fit_edge(patches, places, ROW_PX, outline.shape).place_px - places
    # With four pixels of the rim in the band the two differ by 0.6 px.
    assert abs(float(np.median(off[decal]) - np.median(off[~decal]))) < 0.12


def test_a_single_edge_has_no_rival() -> None:
    rng = np.random.default_rng(9)
    places = 33.0 + rng.uniform(-3.0, 3.0, FRAMES)
    patches = draw(rng, places, 0.0)
    outline = learn_outline(patches, 0.0, ROW_PX, ROOM_PX)
    assert len(rival_edges(outline_scores(patches, outline), outline, places)) == 0
    assert math.isfinite(nearest_edge(outline_scores(patches, outline)[0], outline))


def test_an_edge_with_something_close_before_it_is_found_by_its_nearest_surroundings() -> None:
    rng = np.random.default_rng(4)
    places = np.full(FRAMES, 36.0) + rng.uniform(-0.3, 0.3, FRAMES)
    patches = draw(rng, places, 0.0)
    outline = learn_outline(patches, 0.0, ROW_PX, ROOM_PX)
    spoke = patches[0].copy()
    spoke[: 3 * ROWS // 4, 28:32] += 90.0
    full = nearest_edge(outline_scores(spoke[np.newaxis], outline)[0], outline, 36.0, 2.0)
    close = nearest_edge(close_scores(spoke, outline), outline, 36.0, 2.0, close=True)
    assert math.isnan(full)
    assert close == pytest.approx(float(places[0]), abs=0.5)
