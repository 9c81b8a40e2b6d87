"""The mixture of colours that shows a pointer, on strips drawn here before walls of the same and of another brightness."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from rimgauge.capture.mixture import BRIGHTNESS, best_mixture, mixed
from rimgauge.capture.shift import MARGIN_PX, find_shift, learn_look

ROWS, COLUMNS, BLUR_PX, NOISE = 45 + 2 * MARGIN_PX, 40 + 2 * MARGIN_PX, 0.9, 3.0
WALL = np.array([150.0, 150.0, 150.0])
YELLOW = np.array([85.0, 158.0, 159.0])
"""As bright as the wall: 0.114 · 85 + 0.587 · 158 + 0.299 · 159 = 150.0."""
DARK = np.array([60.0, 65.0, 70.0])


def draw(
    rng: np.random.Generator, du: float, colour: NDArray[np.float64], *, light: float = 1.0, jpeg: int = 0
) -> NDArray[np.uint8]:
    """A strip with a round end before the wall, in colours, with noise of its own in each; kept as JPEG if asked."""
    v, u = np.mgrid[:ROWS, :COLUMNS].astype(float)
    u, v = u - du - 20.3, v - ROWS / 2.0
    depth = np.where(u < 0.0, 14.0 - np.abs(v), 14.0 - np.hypot(u, v))
    inside = ndtr(depth / BLUR_PX)[..., None]
    picture = light * (WALL + (colour - WALL) * inside) + rng.normal(0.0, NOISE, (ROWS, COLUMNS, 3))
    kept = np.clip(np.rint(picture), 0, 255).astype(np.uint8)
    if not jpeg:
        return kept
    _, coded = cv2.imencode(".jpg", kept, [cv2.IMWRITE_JPEG_QUALITY, jpeg])
    return np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR), dtype=np.uint8)


def inner(pictures: list[NDArray[np.uint8]]) -> NDArray[np.uint8]:
    """What the look compares."""
    return np.array(pictures)[:, MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX]


@pytest.mark.parametrize("jpeg", [0, 85])
def test_a_pointer_as_bright_as_the_wall_is_followed_by_its_colour(jpeg: int) -> None:
    rng = np.random.default_rng(21)
    assert abs(float((YELLOW - WALL) @ BRIGHTNESS)) < 0.1
    first = [draw(rng, du, YELLOW, jpeg=jpeg) for du in rng.normal(0.0, 0.3, 40)]
    mixture = best_mixture(inner(first), 1)
    assert mixture is not None
    shifts = rng.normal(0.0, 0.3, 40)
    later = [draw(rng, du, YELLOW, jpeg=jpeg) for du in shifts]
    look = learn_look(np.array([mixed(each, mixture) for each in first]))
    errors = find_shift(look, np.array([mixed(each, mixture) for each in later])).du_px - shifts
    # One colour of contrast 65 under noise 3 allows 0.02 px; a JPEG keeps colours at half of the pixels, coarsely.
    assert float(np.std(errors)) < (0.15 if jpeg else 0.025)
    by_brightness = learn_look(np.array([mixed(each, None) for each in first]))
    lost = find_shift(by_brightness, np.array([mixed(each, None) for each in later])).du_px - shifts
    assert float(np.std(lost)) > 3.0 * float(np.std(errors))


def test_the_mixture_keeps_the_level_and_the_noise_of_the_brightness() -> None:
    rng = np.random.default_rng(22)
    first = inner([draw(rng, 0.0, YELLOW) for _ in range(40)])
    mixture = best_mixture(first, 1)
    levels = np.array([mixed(each, mixture) for each in first])
    grey = np.array([mixed(each, None) for each in first])
    assert float(np.median(levels)) == pytest.approx(float(np.median(grey)), abs=10.0)
    # The mixture's own noise is counted with what coding may do to it, one level a colour of 3.
    assert float(levels.std(axis=0).mean()) == pytest.approx(float(grey.std(axis=0).mean()), rel=0.1)


def test_bands_that_pass_behind_a_dark_pointer_dont_make_it_told_by_a_colour() -> None:
    rng = np.random.default_rng(24)
    pictures = [draw(rng, 0.0, DARK) for _ in range(40)]
    # Every other frame is looked at, and of those every other one shows the bands half a band on: spokes at an even speed.
    for k, picture in enumerate(pictures):
        first = 4 + 4 * (k // 2 % 2)
        for u in range(first, COLUMNS, 8):
            picture[:14, u : u + 4] = picture[-14:, u : u + 4] = (250, 90, 40)
    assert best_mixture(inner(pictures), 1) is None


def test_black_first_frames_and_flicker_leave_the_mixture_as_it_is() -> None:
    rng = np.random.default_rng(23)
    steady = [draw(rng, 0.0, YELLOW) for _ in range(40)]
    flickering = [draw(rng, 0.0, YELLOW, light=1.0 + 0.2 * np.sin(i)) for i in range(40)]
    black = [np.zeros_like(each) for each in steady[:6]]
    plain, disturbed = best_mixture(inner(steady), 1), best_mixture(inner(black + flickering), 1)
    assert plain is not None
    assert disturbed is not None
    one, other = (m[0, :3] / np.linalg.norm(m[0, :3]) for m in (plain, disturbed))
    assert float(one @ other) > 0.98


@pytest.mark.parametrize("colour", [DARK, WALL, np.array([40.0, 40.0, 200.0])], ids=["dark", "wall", "red"])
def test_where_brightness_tells_the_place_or_nothing_does_it_is_left_alone(
    colour: NDArray[np.float64],
) -> None:
    rng = np.random.default_rng(24)
    assert best_mixture(inner([draw(rng, 0.0, colour) for _ in range(40)]), 1) is None


def test_too_few_frames_tell_no_mixture() -> None:
    rng = np.random.default_rng(25)
    assert best_mixture(inner([draw(rng, 0.0, YELLOW) for _ in range(7)]), 1) is None
