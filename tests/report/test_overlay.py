"""The overlay marks what was measured where it was measured, on the frame that shows the worst place best."""

from dataclasses import replace

import numpy as np
import pytest

from rimgauge.errors import BadInput
from rimgauge.pipeline import other_side, worst_frame
from rimgauge.records import FrameValues
from rimgauge.report.marked import overlay
from tests.laws.simulated import simulated_pass, wave

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


def test_the_frame_is_near_the_worst_place_of_the_worse_side_has_a_gap_there_and_is_the_clearest(runout):
    measured = runout(1.0, sides=2)
    worse = measured.sides[0]
    worst = int(np.argmax(np.abs(worse.curve_mm)))
    worst_deg = float(worse.curve_angle_deg[worst])
    off_deg = np.array([40.0, -1.0, 361.0, 0.5, 0.0])
    gap_mm = np.full((2, 5), 2.0)
    gap_mm[0, 4] = np.nan  # the worse side was covered where the other was seen best
    frames = FrameValues(
        time_s=np.arange(5.0),
        angle_deg=worst_deg + off_deg,
        gap_mm=gap_mm,
        quality=np.array([1.0, 0.6, 0.9, 0.7, 1.0]),
    )
    assert worst_frame(replace(measured, frames=frames)) == (2, worst_deg, float(worse.curve_mm[worst]))


def test_the_picture_is_of_the_worst_place_though_the_pointer_stands_ahead_of_the_first():
    ahead_deg = 4.0
    measured = simulated_pass(wave(2, 0.4), gaps_mm=(("right", 2.0), ("left", 2.0)))
    number = measured.sides.index(measured.worse_side)
    basis = replace(measured.basis, ahead_mm=np.full(2, np.radians(ahead_deg) * measured.basis.rim_radius_mm))
    moved = replace(
        measured,
        basis=basis,
        frames=replace(measured.frames, quality=np.ones(len(measured.frames.time_s))),
    )
    index, worst_deg, _ = worst_frame(moved)
    assert np.isfinite(moved.frames.gap_mm[number, index])
    off_deg = (moved.frames.angle_deg[index] - ahead_deg - worst_deg + 180.0) % 360.0 - 180.0
    assert abs(off_deg) <= 2.0


def test_the_larger_side_stands_for_the_other_direction(runout):
    measured = runout(1.0, sides=2)
    assert other_side(measured, "radial") is measured.sides[0]
    with pytest.raises(BadInput, match="lateral too"):
        other_side(measured, "lateral")
