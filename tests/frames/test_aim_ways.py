"""Which way the rim runs, where it ends, and what is no rim or pointer, in looks made by hand."""

import numpy as np
import pytest
from scipy.special import ndtr

from rimgauge.capture.aim_look import look_still
from rimgauge.capture.aim_motion import find_mark_columns, pass_whole, running_way
from rimgauge.capture.aim_pointer import _stillness
from rimgauge.capture.aim_rim import Course, _moves, _passed, find_course
from rimgauge.capture.sources import Frame

BINS, COLUMNS = 90, 30


RED, GREY = (-40.0, -40.0, 80.0), (60.0, 60.0, 60.0)


def strips_with_a_mark(places, rng, colour_bgr=RED):
    """Strips (n, 90, 30, 3) of a plain rim; a mark 24 bins long lies at a place where one is given."""
    strips = rng.normal(120.0, 1.5, (len(places), BINS, COLUMNS, 3))
    for strip, place in zip(strips, places, strict=True):
        if place is not None:
            strip[max(place, 0) : max(place + 24, 0), 5:9] += colour_bgr
    return strips


def wall_beside(rng):
    """Strips of a mark, columns 5 to 8, beside a wall of strong colour that shows at either end as the rim moves."""
    moves_px = np.array([0.0, 6.0, 0.0, -5.0] * 30)
    strips = strips_with_a_mark([10 + 3 * (k // 4) if k % 40 == 1 else None for k in range(120)], rng)
    strips[moves_px > 0.0, 20:50, :2] += (120.0, -60.0, -60.0)
    strips[moves_px < 0.0, 20:50, -1:] += (120.0, -60.0, -60.0)
    return strips, moves_px


def test_a_wall_that_the_rim_bares_as_it_moves_isnt_taken_for_the_mark():
    strips, moves_px = wall_beside(np.random.default_rng(5))
    assert find_mark_columns(strips, moves_px) == (20, 36)
    strips[:, :, 5:9] = 120.0
    assert find_mark_columns(strips, moves_px) is None
    assert find_mark_columns(strips, 0.0 * moves_px) == (0, 120)


@pytest.mark.parametrize(("colour", "passes"), [(RED, 2), (GREY, 3)])
@pytest.mark.parametrize("way", [1, -1])
def test_a_mark_seen_twice_a_pass_tells_the_way_though_it_crosses_half_the_picture(way, colour, passes):
    places = [None] * 119
    for start in (4, 60, 110)[:passes]:
        places[start : start + 2] = [0, 52] if way > 0 else [70, 18]
    assert running_way(strips_with_a_mark(places, np.random.default_rng(2), colour)) == (way, True)


@pytest.mark.parametrize(("colour", "passes"), [(RED, 1), (GREY, 2)])
def test_a_mark_that_passes_too_seldom_is_not_enough(colour, passes):
    places = [None] * 119
    for start in (30, 90)[:passes]:
        places[start : start + 2] = [0, 52]
    assert not running_way(strips_with_a_mark(places, np.random.default_rng(2), colour))[1]


def test_two_passes_one_way_and_one_the_other_are_not_enough():
    places = [None] * 119
    places[4:6], places[60:62], places[110:112] = [0, 52], [0, 52], [70, 18]
    assert not running_way(strips_with_a_mark(places, np.random.default_rng(2)))[1]


def test_a_coloured_mark_tells_the_way_and_not_a_decal_longer_than_the_picture():
    """Its end and its beginning, alike, are seen by turns, as if it ran back; the mark is seen once a pass only."""
    rng = np.random.default_rng(3)
    places = [None] * 119
    for start in (20, 60, 100):
        places[start : start + 2] = [70, 4]
    strips = strips_with_a_mark(places, rng, GREY)
    assert running_way(strips) == (-1, True)
    marked = [None] * 119
    marked[10], marked[11] = 0, 60
    strips += strips_with_a_mark(marked, rng) - 120.0
    assert not running_way(strips)[1]
    marked[50], marked[51] = 0, 60
    strips += strips_with_a_mark(marked, rng) - 120.0
    assert running_way(strips) == (1, True)


def spokes_in(bins, rng):
    """Changes (120, 72) of a box that a spoke passes every seventh frame, seen in these bins alone."""
    change = rng.normal(0.0, 1.0, (120, 72))
    for frame in range(120):
        for place in range(int(-5.3 * frame) % 35, 72, 35):
            change[frame, place : place + 3] -= (
                12.0 * ((np.arange(72) >= bins[0]) & (np.arange(72) < bins[1]))[place : place + 3]
            )
    return change


@pytest.mark.parametrize(
    ("bins", "seen"), [((0, 72), True), ((0, 60), True), ((24, 48), False), ((0, 48), False), ((0, 0), False)]
)
def test_spokes_pass_a_box_all_along(bins, seen):
    """A rim that fills the picture but for its middle or one side hides them on the way."""
    assert pass_whole(spokes_in(bins, np.random.default_rng(4))) == seen


def test_streaks_of_a_rim_that_runs_out_are_no_spokes():
    """They shine all along the box at once, 30 grey levels strong."""
    rng = np.random.default_rng(4)
    streaks = rng.normal(0.0, 10.0, (120, 1)) * (1.0 + 0.3 * np.linspace(-1.0, 1.0, 72) ** 2)
    assert not pass_whole(streaks + rng.normal(0.0, 1.0, (120, 72)))


@pytest.mark.parametrize(
    ("faint_u", "first_u"),
    [(60.0, 60.0), (96.0, 100.0)],
    ids=["a pale rim before a pale wall", "a line of sharpening"],
)
def test_a_faint_edge_outlines_the_rim_only_by_itself(faint_u, first_u):
    edges_u, steps = np.array([faint_u, 100.0, 140.0]), np.array([-1.4, 4.9, -17.7])
    course = Course(None, 0.0, 0.0, 1.0, edges_u, steps, np.zeros(3), np.zeros(1), 1, np.zeros(1))
    assert course.outlines == (first_u, 140.0)


@pytest.mark.parametrize(("goes_along", "first_u"), [(True, 100.0), (False, 140.0)])
@pytest.mark.parametrize("moves_px", [1.0, 4.0])
def test_a_faint_edge_outlines_the_rim_only_if_it_moves_as_the_rim_does(moves_px, goes_along, first_u):
    """A black tyre from 140 to 180 px before a pale wall, and a step of 25 grey levels from 100 px on."""
    rng = np.random.default_rng(3)
    frames = []
    for index in range(60):
        move = moves_px * np.sin(index / 9.0)
        u = np.arange(320.0)
        grey = 180.0 - 150.0 * (ndtr((u - 140.0 - move) / 1.5) - ndtr((u - 180.0 - move) / 1.5))
        grey -= 25.0 * ndtr((u - 100.0 - move * goes_along) / 1.5)
        noisy = np.repeat(grey[None, :], 240, axis=0) + rng.normal(0.0, 2.0, (240, 320))
        frames.append(Frame(index, index / 30.0, np.repeat(noisy[:, :, None], 3, axis=2).astype(np.uint8)))
    course = find_course(look_still(frames)[0], frames)
    assert course.outlines[0] == pytest.approx(first_u, abs=1.5)


@pytest.mark.parametrize(("passes", "strict_u"), [(True, 140.0), (False, 100.0)])
def test_read_strictly_a_faint_edge_at_which_spokes_bunch_is_none(passes, strict_u):
    """A black tyre from 140 px on before a pale wall moves by half a pixel, and at 100 px dark things pass, or a line rests on it."""
    rng = np.random.default_rng(3)
    u, v = np.arange(320.0), np.arange(240.0)[:, None]
    frames = []
    for index in range(60):
        move = 0.5 * np.sin(index / 9.0)
        grey = 180.0 - 150.0 * (ndtr((u - 140.0 - move) / 1.5) - ndtr((u - 180.0 - move) / 1.5))
        darker = 15.0 + 120.0 * passes * (np.sin(v / 9.0 - 1.7 * index) > 0.7)
        grey = grey - darker * ndtr((u - 100.0 - move) / 1.5)
        noisy = grey + rng.normal(0.0, 2.0, (240, 320))
        frames.append(
            Frame(index, index / 30.0, np.repeat(noisy[:, :, None], 3, axis=2).clip(0, 255).astype(np.uint8))
        )
    stills = look_still(frames)
    course = find_course(stills[0], frames)
    assert course.outlines[0] == pytest.approx(100.0, abs=1.5)
    strict = course.without_passed()
    assert strict.outlines[0] == pytest.approx(strict_u, abs=1.5)
    assert strict.left_out_u == pytest.approx([100.0] if passes else [], abs=1.5)
    assert strict.seen_from(stills[1]).left_out_u == pytest.approx([219.0] if passes else [], abs=1.5)


@pytest.mark.parametrize(
    ("steps", "thin"), [((15.9, -20.7), True), ((2.3, -8.3), False)], ids=["spoke", "lip"]
)
def test_a_shining_lip_is_no_spoke(steps, thin):
    course = Course(
        None,
        0.0,
        0.0,
        1.0,
        np.array([142.0, 150.0]),
        np.array(steps),
        np.zeros(2),
        np.zeros(1),
        1,
        np.zeros(1),
    )
    assert course.is_thin == thin


def test_what_something_passes_before_is_less_of_a_pointer():
    """A bar 12 px wide ends at 150 px across, 40 px down; spokes that change it by nine noises pass before or beside it."""
    halves, still = np.full((80, 200), 6.0, np.float32), np.full((80, 200), 1.0, np.float32)
    before, beside = still.copy(), still.copy()
    before[:, :151] = 9.0
    beside[:34], beside[47:], beside[:, 151:] = 9.0, 9.0, 9.0
    worth = [float(_stillness(restless, halves)[40, 150]) for restless in (still, beside, before)]
    assert worth == pytest.approx([1.0, 1.0, 3.0 / 9.0], abs=0.01)


def test_a_decals_lines_along_the_rim_are_no_move_of_it():
    """A rim that rests: steps of its two edges, and in a third of the frames a dark line's, steeper and 5 px farther."""
    u, steps = np.arange(300.0), {60.0: 27.0, 68.0: -16.0, 150.0: 11.0, 158.0: -25.0}
    line = {66.0: -35.0, 72.0: 35.0}
    rim, decal = (
        sum(step * np.exp(-0.5 * ((u - at) / 1.5) ** 2) for at, step in some.items())
        for some in (steps, line)
    )
    profiles = np.stack([np.roll(rim + decal * (k % 3 == 0), k % 2) for k in range(30)])
    assert np.ptp(_moves(profiles) - np.arange(30) % 2) == 0


@pytest.mark.parametrize(
    ("which", "alike", "passes"), [(range(4), True, False), (range(1), False, False), (range(4), False, True)]
)
def test_spokes_pass_where_most_rows_change_and_not_all_alike_as_by_the_light(which, alike, passes):
    rng = np.random.default_rng(4)
    blocks = np.zeros((30, 4, 40))
    change = rng.normal(0.0, 3.0, (30, 4))
    for k in which:
        blocks[:, k, 15:25] = change[:, [0 if alike else k]]
    straight = [one.astype(np.float32) for one in blocks]
    assert (_passed(straight, np.zeros(30, dtype=np.intp))[20] > 1.0) == passes
