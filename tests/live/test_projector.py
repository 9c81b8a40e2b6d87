"""The projector picture can be read from the back and by everyone."""

import itertools

import numpy as np
import pytest

from rimgauge.live import draw_projector, extend, ink, no_trail
from rimgauge.live.plot import gap_range_mm


@pytest.fixture
def shown(moments):
    """Return the last moment and the trail after one and a half revolutions."""
    trail = no_trail()
    for moment in moments(181):
        trail = extend(trail, moment)
    return moment, trail


def relative_luminance(colour):
    """WCAG 2.2, "relative luminance" (from memory); colours are blue-green-red."""
    share = np.array(colour[::-1]) / 255
    linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


@pytest.mark.parametrize("shades", [ink.DARK, ink.LIGHT])
@pytest.mark.parametrize("name", ["words", "quiet", "curve", "here"])
def test_everything_drawn_stands_out_from_the_ground(shades, name):
    # WCAG 2.2, success criterion 1.4.3: 4.5 to 1 (from memory)
    light, dark = sorted(
        (relative_luminance(getattr(shades, name)), relative_luminance(shades.ground)), reverse=True
    )
    assert (light + 0.05) / (dark + 0.05) > 4.5


@pytest.mark.parametrize("size", [(1280, 720), (1920, 1080)])
def test_the_gap_is_written_at_least_a_tenth_of_the_height(shown, size, spokes_deg):
    picture = draw_projector(*shown, spoke_angles_deg=spokes_deg, size=size)
    assert picture.shape == (size[1], size[0], 3)
    left = picture[: size[1] // 2, : int(0.4 * size[0])]
    rows = np.flatnonzero((left == ink.DARK.words).all(axis=2).any(axis=1))
    assert len(rows) > size[1] / 10


def test_dark_and_light_differ_in_ground(shown, spokes_deg):
    for dark, shades in ((True, ink.DARK), (False, ink.LIGHT)):
        picture = draw_projector(*shown, spoke_angles_deg=spokes_deg, dark=dark)
        assert tuple(picture[2, 2]) == shades.ground


def test_the_pointers_place_is_marked_on_the_curve(shown, spokes_deg):
    moment, trail = shown
    picture = draw_projector(moment, trail, spoke_angles_deg=spokes_deg)
    columns = np.flatnonzero((picture[470:620] == ink.DARK.here).all(axis=2).sum(axis=0) > 100)
    left, right = 36 + 50, 1280 - 36
    assert columns.mean() == pytest.approx(left + moment.angle_deg / 360 * (right - left), abs=2)


def test_the_curve_follows_the_gap(shown, spokes_deg):
    moment, trail = shown
    picture = draw_projector(moment, trail, spoke_angles_deg=spokes_deg)
    low, high, _ = gap_range_mm(trail)
    for angle_deg in (20.0, 45.0, 90.0, 300.0):
        column = round(86 + angle_deg / 360 * (1280 - 36 - 86))
        rows = np.flatnonzero((picture[462:633, column] == ink.DARK.curve).all(axis=1))
        expected = (high - trail.now_mm[int(angle_deg * 2)]) / (high - low) * 170
        assert rows.mean() == pytest.approx(expected, abs=2.5)


def test_the_camera_picture_is_shown_whole_and_undistorted(shown, spokes_deg):
    picture = np.full((360, 640, 3), (10, 200, 10), np.uint8)
    canvas = draw_projector(*shown, spoke_angles_deg=spokes_deg, picture=picture)
    rows, columns = np.nonzero((canvas == (10, 200, 10)).all(axis=2))
    assert np.ptp(columns) / np.ptp(rows) == pytest.approx(640 / 360, rel=0.01)


@pytest.mark.parametrize("spokes", [4, 20, 36, 60])
@pytest.mark.parametrize("sides", [("right",), ("right", "left"), ("outer",)])
def test_any_number_of_spokes_and_sides_can_be_drawn_before_anything_is_seen(moments, spokes, sides):
    moment = next(moments(1, sides=len(sides)))
    angles = np.arange(spokes) * 360 / spokes
    picture = draw_projector(moment, no_trail(), spoke_angles_deg=angles, sides=sides)
    assert (picture != ink.DARK.ground).any()


def test_the_scale_never_makes_a_true_wheel_look_bad():
    trail = no_trail()
    for low, high in itertools.pairwise([1.0, 1.001, 1.002]):
        now = np.full_like(trail.now_mm, low)
        now[:10] = high
        bottom, top, _ = gap_range_mm(type(trail)(now_mm=now, earlier_mm=trail.earlier_mm))
        assert top - bottom >= 1.0
        assert bottom <= low <= high <= top
