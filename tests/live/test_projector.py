"""The projector picture can be read from the back and by everyone."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from rimgauge.live import Bench, Foot, Step, draw_projector, extend, ink, no_trail
from rimgauge.live.bench import change_here_mm, change_words, mean_shift_mm, share_reached
from rimgauge.live.plot import CENTRE_SHARE, RADIUS_SHARE, factor_for, gap_range_mm
from rimgauge.live.projector import _missing_words
from rimgauge.live.screen import all_keys
from rimgauge.live.trail import CELLS, extremes_deg, spread_mm
from rimgauge.records import nearest_spoke, turn_words


@pytest.fixture
def shown(moments):
    """Return the last moment and the trail after one and a half revolutions."""
    trail = no_trail()
    for moment in moments(181):
        trail = extend(trail, moment)
    return moment, trail


@pytest.fixture
def drawn(shown, spokes_deg, showing):
    """Draw it."""
    return lambda **more: draw_projector(
        showing(*shown, **{k: v for k, v in more.items() if k not in ("size", "picture", "sides")}),
        spoke_angles_deg=spokes_deg,
        **{k: v for k, v in more.items() if k in ("size", "picture", "sides")},
    )


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
def test_the_gap_is_written_at_least_a_tenth_of_the_height(drawn, size):
    picture = drawn(size=size)
    assert picture.shape == (size[1], size[0], 3)
    left = picture[: size[1] // 2, : int(0.4 * size[0])]
    rows = np.flatnonzero((left == ink.DARK.words).all(axis=2).any(axis=1))
    assert len(rows) > size[1] / 10


@pytest.mark.parametrize("size", [(1280, 720), (1920, 1080)])
@pytest.mark.parametrize("planned", [True, False])
def test_the_list_of_keys_leaves_the_margin_free(shown, spokes_deg, showing, size, planned):
    listed = all_keys(lesson=False, planned=planned, before=True, live=False)
    said = replace(showing(*shown, keys=True), keys=listed)
    picture = draw_projector(said, spoke_angles_deg=spokes_deg, size=size)
    margin = picture[: size[1] // 2, size[0] - round(36 * size[1] / 720) + 1 :]
    assert (margin == ink.DARK.ground).all()


def test_dark_and_light_differ_in_ground(drawn):
    for dark, shades in ((True, ink.DARK), (False, ink.LIGHT)):
        picture = drawn(dark=dark)
        assert tuple(picture[2, 2]) == shades.ground


def test_the_pointers_place_is_marked_on_the_curve(shown, drawn):
    moment, _ = shown
    picture = drawn()
    columns = np.flatnonzero((picture[462:612] == ink.DARK.here).all(axis=2).sum(axis=0) > 100)
    left, right = 36 + 50, 1280 - 36
    assert columns.mean() == pytest.approx(left + moment.angle_deg / 360 * (right - left), abs=2)


def test_the_curve_follows_the_gap(shown, drawn):
    _, trail = shown
    picture = drawn()
    low, high, _ = gap_range_mm(trail)
    for angle_deg in (20.0, 45.0, 90.0, 300.0):
        column = round(86 + angle_deg / 360 * (1280 - 36 - 86))
        rows = np.flatnonzero((picture[454:625, column] == ink.DARK.curve).all(axis=1))
        expected = (high - trail.now_mm[int(angle_deg * 2)]) / (high - low) * 170
        assert rows.mean() == pytest.approx(expected, abs=2.5)


def test_the_camera_picture_is_shown_whole_and_undistorted(drawn):
    picture = np.full((360, 640, 3), (10, 200, 10), np.uint8)
    canvas = drawn(picture=picture)
    rows, columns = np.nonzero((canvas == (10, 200, 10)).all(axis=2))
    assert np.ptp(columns) / np.ptp(rows) == pytest.approx(640 / 360, rel=0.01)


@pytest.mark.parametrize("spokes", [4, 20, 36, 60])
@pytest.mark.parametrize("sides", [("right",), ("right", "left"), ("outer",)])
@pytest.mark.parametrize("shape", [False, True])
def test_any_number_of_spokes_and_sides_can_be_drawn_before_anything_is_seen(
    moments, showing, spokes, sides, shape
):
    moment = next(moments(1, sides=len(sides)))
    angles = np.arange(spokes) * 360 / spokes
    scene = showing(moment, no_trail(), shape=shape)
    picture = draw_projector(scene, spoke_angles_deg=angles, sides=sides)
    assert (picture != ink.DARK.ground).any()


def test_the_scale_never_makes_a_true_wheel_look_bad():
    trail = no_trail()
    for low, high in itertools.pairwise([1.0, 1.001, 1.002]):
        now = np.full_like(trail.now_mm, low)
        now[:10] = high
        bottom, top, _ = gap_range_mm(type(trail)(now_mm=now, earlier_mm=trail.earlier_mm))
        assert top - bottom >= 1.0
        assert bottom <= low <= high <= top


def test_an_earlier_measurement_is_drawn_in_dashes_at_the_same_mean(shown, drawn, moments):
    _, trail = shown
    before_mm = 5.0 + 0.2 * np.cos(np.radians(np.arange(720) / 2))
    bench = Bench(before_mm=before_mm)
    shift_mm = mean_shift_mm(bench, trail)
    assert before_mm.mean() + shift_mm == pytest.approx(trail.now_mm.mean(), abs=1e-6)
    with_dashes, without = (drawn(bench=bench, shift_mm=shift_mm, before=before) for before in (True, False))
    inside = (slice(462, 622), slice(90, 1240))
    added = (with_dashes[inside] == ink.DARK.words).all(axis=2).any(axis=0)
    had = (without[inside] == ink.DARK.words).all(axis=2).any(axis=0)
    # dashes and the spaces between them are of one length
    assert 0.3 < (added & ~had).mean() < 0.75


def test_a_shift_that_would_be_written_as_nothing_is_not_written(drawn):
    bench = Bench(before_mm=np.full(720, 2.1))
    unmoved, hardly, moved = (drawn(bench=bench, shift_mm=shift_mm) for shift_mm in (0.0, -0.004, -0.006))
    legend = slice(430, 450), slice(30, 640)
    assert (unmoved[legend] == hardly[legend]).all()
    assert (unmoved[legend] != moved[legend]).any()


def test_the_worst_places_are_named_and_pointed_at(shown, drawn, spokes_deg):
    _, trail = shown
    # gap 2.1 + 0.45 cos 2a: largest at 0 and 180 degrees, smallest at 90 and 270
    least = nearest_spoke(extremes_deg(trail)[0], spokes_deg)
    assert min(abs(spokes_deg[least - 1] - at) for at in (90.0, 270.0)) < 360 / 32
    picture = drawn()
    column = round(86 + (np.nanargmin(trail.now_mm) + 0.5) / 720 * (1280 - 36 - 86))
    below = picture[454:625, column - 2 : column + 3]
    assert (below == ink.DARK.words).all(axis=2).any()


def test_what_is_still_missing_of_the_wheel_is_named_once_most_of_it_was_seen(shown, spokes_deg):
    _, trail = shown
    every = 360 / len(spokes_deg)

    def unseen(first, last):
        """Unseen: from the middle before one spoke to that after another, which may lie beyond the mark."""
        gap = np.full(CELLS, 3.0)
        gap[np.arange(round((first - 1) * every * 2), round(last * every * 2)) % CELLS] = np.nan
        return replace(trail, now_mm=gap)

    def said(first, last):
        assert np.isnan(spread_mm(unseen(first, last)))
        return _missing_words(unseen(first, last), spokes_deg)

    count = len(spokes_deg)
    assert said(5, 6).endswith("% of the wheel seen, not yet spokes 5 to 6")
    assert said(count, count + 1).endswith(f"% of the wheel seen, not yet spokes {count} to 1")
    # 11 degrees are bridged, as `measure` does; the bundled film never shows 8 of them, and had no figure.
    assert spread_mm(unseen(4, 4)) == 0.0
    assert said(1, count - 2).endswith("% of the wheel seen")
    # A glimpse every ten degrees leaves no long stretch unseen, and nearly all of the wheel.
    glimpses = np.full(CELLS, np.nan)
    glimpses[::20] = 3.0
    assert np.isnan(spread_mm(replace(trail, now_mm=glimpses)))


def test_the_shape_is_a_circle_out_by_the_stated_factor(drawn, shown):
    picture = drawn(shape=True)[36:392, 768:1244]
    on = (picture == ink.DARK.curve).all(axis=2)
    rows, columns = np.nonzero(on)
    # 0.45 mm each way twice round: an oval; by the factor its axes differ by 2 * 0.45 * factor / 311 radii
    factor = factor_for(0.45)
    radius = RADIUS_SHARE * 356
    far = np.hypot(rows - CENTRE_SHARE * 356, columns - (1244 - 768) / 2)
    assert far.max() / far.min() == pytest.approx(
        (1 + 0.45 * factor / 311) / (1 - 0.45 * factor / 311), rel=0.05
    )
    assert far.mean() == pytest.approx(radius, rel=0.03)


@pytest.mark.parametrize(("reach_mm", "factor"), [(0.9, 100), (0.45, 200), (0.05, 1000), (20.0, 2)])
def test_the_factor_keeps_the_shape_inside_three_tenths_of_the_radius(reach_mm, factor):
    # 0.3 * 311 mm / reach, rounded down to 1, 2 or 5 times a power of ten
    assert factor_for(reach_mm) == factor


def test_the_change_since_the_last_nipple_turn_is_told_at_its_place_only(shown, showing, spokes_deg):
    moment, trail = shown
    spoke = moment.spoke
    step = Step(spoke=spoke, flange="left", turns=0.25, planned_mm=-0.2)
    since_mm = trail.now_mm + 0.1
    there = showing(moment, trail, bench=Bench(steps=(step,)), since_mm=since_mm)
    assert change_here_mm(there) == pytest.approx(-0.1, abs=0.02)
    assert share_reached(there, spokes_deg) == pytest.approx(0.5, abs=0.1)
    elsewhere = Step(spoke=(spoke + 7) % 32 + 1, flange="left", turns=0.25, planned_mm=-0.2)
    away = showing(moment, trail, bench=Bench(steps=(elsewhere,)), since_mm=since_mm)
    assert np.isnan(share_reached(away, spokes_deg))
    assert np.isnan(change_here_mm(showing(moment, trail)))


def test_a_change_under_the_noise_is_none_and_it_is_said_since_when(shown, showing, spokes_deg):
    moment, trail = shown
    for change_mm, words in ((0.01, "Gap here: unchanged"), (0.1, "Gap here: 0.10 mm narrower")):
        scene = showing(moment, trail, since_mm=trail.now_mm + change_mm, since="since spoke 7 was turned")
        assert change_words(scene, spokes_deg) == [words, "since spoke 7 was turned"]


def test_the_legend_of_the_dashes_ends_before_the_total(drawn):
    before_mm = np.full(720, 2.0)
    for size in ((1280, 720), (1920, 1080)):
        picture = drawn(bench=Bench(before_mm=before_mm), shift_mm=0.29, size=size)
        unit = size[1] / 720
        row = picture[round(416 * unit) : round(440 * unit)]
        quiet, words = (
            np.flatnonzero((row == colour).all(axis=2).any(axis=0))
            for colour in (ink.DARK.quiet, ink.DARK.words)
        )
        assert quiet.max() + 10 * unit < words.min()


@pytest.mark.parametrize("words", ["", "Look: the lesson's sentence."])
def test_how_things_stand_is_written_larger_than_the_keys(drawn, words):
    picture = drawn(foot=Foot(state="FROZEN", keys="space goes on"), words=words)
    block = (picture[690:, 36:220] == ink.DARK.here).all(axis=2)
    assert block.any(axis=1).sum() >= 24
    assert block.any(axis=0).sum() > 80


@pytest.mark.parametrize(
    ("turns", "words"),
    [
        (0.25, "tighten 1/4 turn"),
        (-0.125, "loosen 1/8 turn"),
        (1.5, "tighten 1 1/2 turns"),
        (1.0, "tighten 1 turn"),
    ],
)
def test_a_turn_is_said_in_eighths(turns, words):
    assert turn_words(turns) == words
