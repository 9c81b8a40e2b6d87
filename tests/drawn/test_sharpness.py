"""How blurred an edge is, told frame by frame from its mean profiles."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from rimgauge.capture.edge import EdgeShape
from rimgauge.capture.pointer import learn_pointer
from rimgauge.capture.sharpness import edge_blurs, outline_blur_px
from rimgauge.capture.shift import MARGIN_PX
from rimgauge.errors import NotTrustworthy
from rimgauge.records import FloatArray

SHAPE = EdgeShape(blur_px=1.2, slope=0.0, bend_per_px=0.0, second_step_px=None, outside_px=6, inside_px=7)
FRAMES = 120


def test_the_blur_is_told_whatever_brightness_contrast_and_place() -> None:
    rng = np.random.default_rng(8)
    x: FloatArray = np.arange(-SHAPE.outside_px, SHAPE.inside_px + 1.0)
    blur_px = 1.2 + 0.9 * np.sin(np.arange(FRAMES) / 9.0) ** 2
    place_px, contrast, light = (
        rng.normal(0.0, 0.1, FRAMES),
        rng.uniform(60, 120, FRAMES),
        rng.uniform(20, 50, FRAMES),
    )
    profiles = light[:, None] + contrast[:, None] * ndtr((x - place_px[:, None]) / blur_px[:, None])
    profiles = (profiles + rng.normal(0.0, 0.5, profiles.shape)).astype(np.float32)
    profiles[7, 3] = np.nan
    good = np.arange(FRAMES) != 11
    found = edge_blurs(profiles, good, SHAPE)
    assert np.isnan(found[[7, 11]]).all()
    off = np.delete(found / blur_px - 1.0, [7, 11])
    # Half a grey level of noise in each pixel at a contrast of 60 leaves two per cent.
    assert float(np.std(off)) < 0.03
    assert abs(float(np.mean(off))) < 0.02


def test_no_frames_or_too_few_columns_tell_no_blur() -> None:
    profiles = np.zeros((FRAMES, SHAPE.outside_px + SHAPE.inside_px + 1), dtype=np.float32)
    assert np.isnan(edge_blurs(profiles, np.zeros(FRAMES, dtype=bool), SHAPE)).all()
    profiles[:, 4:] = np.nan
    assert np.isnan(edge_blurs(profiles, np.ones(FRAMES, dtype=bool), SHAPE)).all()


def bar(blur_px: float, noise: float = 2.0) -> FloatArray:
    """Pictures of a dark bar with a straight end before a wall whose light falls off, with noise."""
    u, v = np.meshgrid(np.arange(60.0 + 2 * MARGIN_PX), np.arange(54.0 + 2 * MARGIN_PX))
    across = ndtr((v - 20.0) / blur_px) - ndtr((v - 50.0) / blur_px)
    wall = 170.0 - 0.5 * u
    bar = wall - 120.0 * across * ndtr((50.0 - u) / blur_px)
    return bar + np.random.default_rng(3).normal(0.0, noise, (30, *bar.shape))


@pytest.mark.parametrize("blur_px", [1.0, 2.0, 4.0])
def test_the_blur_of_a_still_outline_is_told_beside_a_slanted_wall_and_what_moves(blur_px: float) -> None:
    look = bar(blur_px).mean(axis=0)
    weight = np.ones_like(look)
    look[:, -6:] += np.random.default_rng(4).normal(0.0, 15.0, (len(look), 6))
    weight[:, -8:] = 1e-4
    # Differences over two pixels blur by one more.
    assert outline_blur_px(look, weight) == pytest.approx(np.hypot(blur_px, 1.0), rel=0.12)


@pytest.mark.parametrize("noise", [2.0, 8.0])
def test_pictures_more_blurred_than_can_be_followed_are_refused(noise: float) -> None:
    """However noisy they are: noise makes a blurred outline look sharper unless it is smoothed first."""
    learn_pointer(bar(4.5, noise).astype(np.float32), "the box")
    with pytest.raises(
        NotTrustworthy, match=r"no pointer can be measured in the box: it is blurred by 5\.\d pixels"
    ):
        learn_pointer(bar(5.2, noise).astype(np.float32), "the box")
