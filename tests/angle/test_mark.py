"""The mark in strips along the rim's path, where other things of strong colour pass too."""

import numpy as np
import pytest

from rimgauge.capture.mark import STRIP_BINS, find_mark

VIEW_DEG, MARK_DEG, DECAL_DEG = 14.0, 3.0, 22.0
DOT_DEG, DOT = 2.0, (105, 105, 190)
RIM, RED, BLUE = (150.0, 150.0, 150.0), (40.0, 40.0, 220.0), (190.0, 110.0, 50.0)


def colours(angle_deg: np.ndarray, decals: tuple[float, ...]) -> np.ndarray:
    """Strips (n, bins, 3) of a wheel with a blue mark at 0 and red decals that begin at angles."""
    place = (np.arange(STRIP_BINS) / (STRIP_BINS - 1) - 0.5) * VIEW_DEG
    on_rim = (angle_deg[:, None] - place) % 360.0
    strips = np.empty((*on_rim.shape, 3))
    strips[:] = RIM
    for begin in decals:
        strips[(on_rim - begin) % 360.0 < DECAL_DEG] = RED
    strips[(on_rim + MARK_DEG / 2.0) % 360.0 < MARK_DEG] = BLUE
    noisy = strips + np.random.default_rng(1).normal(0.0, 1.5, strips.shape)
    return np.clip(np.rint(noisy), 0.0, 255.0).astype(np.uint8)


def test_light_that_falls_off_along_the_strip_moves_no_mark():
    angle_deg = np.arange(-6.0, 6.0, 0.5).repeat(2)
    angle_deg = np.concatenate([angle_deg, np.linspace(20.0, 340.0, 200)])
    light = np.linspace(1.1, 0.9, STRIP_BINS)[:, None]
    strips = np.rint(colours(angle_deg, ()) * light).astype(np.uint8)
    mark_px, strength = find_mark(strips, (STRIP_BINS - 1) / 2.0, 1.0)
    cut = np.isfinite(mark_px) & (strength <= 0.5)
    true_deg = (angle_deg + 180.0) % 360.0 - 180.0
    off_deg = mark_px * VIEW_DEG / (STRIP_BINS - 1) - true_deg
    assert cut.sum() > 4
    assert np.abs(off_deg[np.isfinite(mark_px)]).max() < 0.1


def test_a_mark_is_found_beside_decals_of_a_stronger_colour_that_are_longer_than_the_picture():
    angle_deg = np.arange(0.0, 800.0, 5.0) - 40.0
    px_per_bin = 4.0
    mark_px, _ = find_mark(colours(angle_deg, (60.0, 190.0, 285.0)), (STRIP_BINS - 1) / 2.0, px_per_bin)
    seen = np.flatnonzero(np.isfinite(mark_px))
    true_deg = (angle_deg + 180.0) % 360.0 - 180.0
    assert set(np.flatnonzero(np.abs(true_deg) < 4.0)) <= set(seen)
    by_px_deg = mark_px[seen] / px_per_bin * VIEW_DEG / (STRIP_BINS - 1)
    assert np.abs(by_px_deg - true_deg[seen]).max() < 0.5


def test_a_hand_in_one_stretch_of_the_film_is_not_taken_for_the_mark_that_comes_round():
    angle_deg = np.arange(0.0, 1500.0, 5.0) - 40.0
    strips = colours(angle_deg, ())
    # Redder than the mark is blue, and there for a second and a half; it hides a third of the strip as it moves.
    for frame in range(130, 175):
        first = 2 * (frame - 130)
        strips[frame, first : first + 40] = RED
    mark_px, _ = find_mark(strips, (STRIP_BINS - 1) / 2.0, 1.0)
    true_deg = (angle_deg + 180.0) % 360.0 - 180.0
    shown = (np.abs(true_deg) < 4.0) & ~((angle_deg >= 610.0) & (angle_deg < 835.0))
    assert shown.sum() >= 4
    assert np.isfinite(mark_px[shown]).all()
    assert np.abs(true_deg[np.isfinite(mark_px)]).max() < 10.0


def with_dots(angle_deg: np.ndarray, begins: tuple[float, ...]) -> np.ndarray:
    """Strips of a wheel with dots shorter than the mark and of a fainter colour that begin at angles."""
    place = (np.arange(STRIP_BINS) / (STRIP_BINS - 1) - 0.5) * VIEW_DEG
    strips = colours(angle_deg, ())
    for begin in begins:
        strips[(angle_deg[:, None] - place - begin) % 360.0 < DOT_DEG] = DOT
    return strips


@pytest.mark.parametrize(
    ("angle_deg", "dots_deg"),
    [
        (np.arange(-41.0, 309.0, 2.0), (60.0, 140.0, 230.0, 280.0)),
        (np.concatenate([np.arange(-40.8, 40.0, 1.2), np.arange(40.0, 300.0, 4.0)]), (120.0, 230.0)),
        (np.arange(-151.0, 499.0, 2.0), (60.0, 120.0, 240.0, 300.0)),
    ],
    ids=["no slower than they", "of which two came by", "in more than a third of the film"],
)
def test_a_mark_is_not_given_up_for_dots_beside_it(
    angle_deg: np.ndarray, dots_deg: tuple[float, ...]
) -> None:
    """It shows in one stretch of the film, as a hand does, and in no frame by a sliver that would hide the dots from the search."""
    mark_px, _ = find_mark(with_dots(angle_deg, dots_deg), (STRIP_BINS - 1) / 2.0, 1.0)
    true_deg = (angle_deg + 180.0) % 360.0 - 180.0
    assert np.isfinite(mark_px[np.abs(true_deg) < 4.0]).all()
    assert np.abs(true_deg[np.isfinite(mark_px)]).max() < 10.0
