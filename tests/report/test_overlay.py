"""The overlay marks what was measured where it was measured."""

import numpy as np
import pytest

from rimgauge.report.marked import overlay

GREY = 128


@pytest.fixture
def frame() -> np.ndarray:
    return np.full((360, 640, 3), GREY, np.uint8)


def changed(frame: np.ndarray, picture: np.ndarray) -> np.ndarray:
    return (picture[: frame.shape[0]] != frame).any(axis=2)


def test_the_frame_itself_is_left_alone(frame):
    overlay(frame, np.array([300, 180]), np.array([330, 180]), 2.13, np.array([1.0, 0.0]), label="before")
    assert (frame == GREY).all()


def test_the_tip_itself_stays_in_sight_inside_its_ring(frame):
    picture = overlay(frame, np.array([300, 180]), np.array([330, 180]), 2.13, np.array([1.0, 0.0]), label="")
    marks = changed(frame, picture)
    assert not marks[179:182, 299:302].any()
    assert marks[180, 306:311].any()


@pytest.mark.parametrize("along", [(1.0, 0.0), (0.0, 1.0), (-0.6, 0.8)])
def test_the_rim_edge_is_drawn_through_its_place_across_the_gap(frame, along):
    along = np.array(along)
    rim = np.array([330.0, 170.0])
    picture = overlay(frame, rim - 30 * along, rim, 2.13, along, label="")
    for step in (-30, 0, 20):
        x, y = np.round(rim + step * np.array([-along[1], along[0]])).astype(int)
        blue, _, red = picture[y, x].astype(int)
        assert blue > red + 60


def test_the_legend_is_added_below_and_covers_nothing(frame):
    nothing = np.full(2, np.nan)
    picture = overlay(frame, nothing, nothing, np.nan, np.array([1.0, 0.0]), label="no rim seen here")
    assert picture.shape[0] > frame.shape[0]
    assert (picture[:360] == frame).all()
    assert (picture[360:] < 100).any()


def test_two_sides_are_both_marked_and_the_value_stays_inside_the_picture():
    small = np.full((120, 160), GREY, np.uint8)
    tips, rims = np.array([[2.0, 60.0], [158.0, 60.0]]), np.array([[12.0, 60.0], [148.0, 60.0]])
    picture = overlay(small, tips, rims, np.array([1.0, 1.0]), np.array([1.0, 0.0]), label="")
    marks = (picture[:120] != GREY).any(axis=2)
    assert marks[:, :40].any()
    assert marks[:, -40:].any()
