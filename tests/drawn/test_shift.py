"""The pointer's shift against known ones, on a pointer drawn here, shaken and crossed by spokes."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from rimgauge.capture.edge import LEAST_QUALITY
from rimgauge.capture.shift import AGREES, MARGIN_PX, Look, find_shift, learn_look

ROWS, COLUMNS, BLUR_PX, NOISE = 45 + 2 * MARGIN_PX, 40 + 2 * MARGIN_PX, 0.9, 2.0


def draw(
    rng: np.random.Generator, du: float, dv: float, *, contrast: float = 100.0, spoke_px: float | None = None
) -> NDArray[np.float32]:
    """A strip with a round end, edges blurred exactly where they are straight, and a bright slanted spoke."""
    v, u = np.mgrid[:ROWS, :COLUMNS].astype(float)
    u, v = u - du - 20.3, v - dv - ROWS / 2.0
    depth = np.where(u < 0.0, 14.0 - np.abs(v), 14.0 - np.hypot(u, v))
    picture = 150.0 - contrast * ndtr(depth / BLUR_PX)
    if spoke_px is not None:
        across = u + 0.3 * v - spoke_px
        picture = picture + (220.0 - picture) * (ndtr((across + 2.0) / 0.7) - ndtr((across - 2.0) / 0.7))
    return np.rint(picture + rng.normal(0.0, NOISE, picture.shape)).astype(np.float32)


def learnt(rng: np.random.Generator, shake_px: float) -> tuple[Look, float]:
    """Look from 30 shaken frames, a third of them crossed by a spoke; and the middle of the shake along u."""
    shifts = rng.normal(0.0, shake_px, (30, 2))
    frames = [draw(rng, *shift, spoke_px=30.0 - i if i % 3 == 0 else None) for i, shift in enumerate(shifts)]
    return learn_look(np.array(frames)), float(np.median(shifts[:, 0]))


@pytest.mark.parametrize("shake_px", [0.3, 1.5])
def test_shake_is_found_to_a_hundredth_of_a_pixel_and_past_spokes(shake_px: float) -> None:
    rng = np.random.default_rng(8)
    look, middle = learnt(rng, shake_px)
    shifts = rng.normal(0.0, shake_px, (60, 2))
    crossed = np.arange(60) % 3 == 0
    frames = [
        draw(rng, *shift, spoke_px=float(i % 20 - 10) if crossed[i] else None)
        for i, shift in enumerate(shifts)
    ]
    found = find_shift(look, np.array(frames))
    errors = found.du_px - shifts[:, 0]
    stated = float(np.median(found.standard_error_px))
    # By the noise and the strip's slopes the limit is 0.007 px.
    assert float(np.std(errors[~crossed])) < 0.012
    assert float(np.std(errors[crossed])) < 0.04
    assert abs(float(np.median(errors)) + middle) < 0.03
    assert 0.5 < stated / float(np.std(errors[~crossed])) < 2.0


def test_a_faint_pointer_is_not_drawn_to_half_pixels() -> None:
    rng = np.random.default_rng(9)
    look = learn_look(np.array([draw(rng, 0.0, 0.0, contrast=15.0) for _ in range(40)]))
    found = find_shift(look, np.array([draw(rng, 0.25, 0.0, contrast=15.0) for _ in range(40)])).du_px
    # Sixty noisy looks of 40 frames tell the mean to 0.02 px.
    assert float(np.mean(found)) == pytest.approx(0.25, abs=0.05)


def test_a_hand_before_the_pointer_is_seen() -> None:
    rng = np.random.default_rng(10)
    look, _ = learnt(rng, 0.1)
    hand = draw(rng, 0.0, 0.0)
    hand[:, 15:] = 175.0 + rng.normal(0.0, NOISE, hand[:, 15:].shape)
    plain, covered = find_shift(look, np.array([draw(rng, 0.0, 0.0), hand])).agrees
    assert plain > 0.8
    assert covered < 0.4


@pytest.mark.parametrize("start", [(0.0, 0.0), (9.0, -12.0), (40.0, 0.0)])
def test_what_moved_beyond_the_margin_is_not_seen_there_wherever_it_is_sought(
    start: tuple[float, float],
) -> None:
    rng = np.random.default_rng(10)
    look, middle = learnt(rng, 0.3)
    moved = [(0.5, 0.2), (0.0, MARGIN_PX - 0.8), (MARGIN_PX + 5.0, 0.0), (0.0, -MARGIN_PX - 9.0)]
    frames = np.array([draw(rng, *by) for by in moved])
    found = find_shift(look, frames, start)
    assert (found.agrees[1:] < LEAST_QUALITY).all()
    # The frame that did not move is found from any start.
    assert abs(found.du_px[0] - 0.5 + middle) < 0.05
    assert found.agrees[0] > AGREES
