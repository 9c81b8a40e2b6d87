"""Stretches of a run across which nobody counted: the mark or the gap must tie them."""

import numpy as np
import pytest

from rimgauge.signal.counted import but_for_uncounted

SPACING_DEG = 9.0
TIME_S = np.arange(300) / 30.0
LOST = slice(130, 150)
"""Frames that part the run in two."""


def parted_run(turns, passed_over, *, seed=1, size_px=2.0, sides=1):
    """Gaps by true angles of a wheel that goes evenly, and a course that passed spokes over while it was lost."""
    rng = np.random.default_rng(seed)
    true_deg = np.linspace(20.0, 20.0 + 360.0 * turns, 300)
    orders = np.arange(1, 6)
    wave = np.radians(true_deg)[:, None] * orders
    parts = rng.normal(size=(2, 5, sides)) * size_px / orders[:, None]
    gaps = (np.cos(wave) @ parts[0] + np.sin(wave) @ parts[1]).T + rng.normal(0.0, 0.08, (sides, 300))
    usable = np.ones(300, dtype=bool)
    usable[LOST] = False
    course_deg = true_deg + np.where(np.arange(300) < LOST.stop, 0.0, passed_over * SPACING_DEG)
    return gaps, course_deg, usable


def kept(gaps, course_deg, usable, *marked):
    at_mark = np.zeros(300, dtype=bool)
    at_mark[list(marked)] = True
    return but_for_uncounted(gaps, course_deg, TIME_S, usable, at_mark, SPACING_DEG)


@pytest.mark.parametrize("passed_over", [-4, -1, 1, 2, 4])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_stretch_whose_gap_belongs_to_other_spokes_is_left_out(passed_over, seed):
    gaps, course_deg, usable = parted_run(2.5, passed_over, seed=seed)
    assert not kept(gaps, course_deg, usable, 5, 120)[LOST.stop :].any()
    assert kept(gaps, course_deg, usable, 5, 120)[: LOST.start].all()


@pytest.mark.parametrize("sides", [1, 2])
def test_a_stretch_whose_gap_comes_back_is_kept_without_a_mark(sides):
    gaps, course_deg, usable = parted_run(2.5, 0, sides=sides)
    assert (kept(gaps, course_deg, usable, 5, 120) == usable).all()


def test_a_second_pointer_that_is_soon_lost_or_never_seen_with_the_first_changes_nothing():
    for passed_over in (0, 2):
        gaps, course_deg, usable = parted_run(2.5, passed_over)
        alone = kept(gaps, course_deg, usable, 5, 120)
        second = np.where(np.arange(300) < 90, gaps[0], np.nan)
        assert (kept(np.stack([gaps[0], second]), course_deg, usable, 5, 120) == alone).all()
        assert (kept(np.stack([second, gaps[0]]), course_deg, usable, 5, 120) == alone).all()
        assert alone[LOST.stop :].all() == (passed_over == 0)


def test_a_stretch_of_a_part_of_the_rim_that_was_not_seen_before_is_left_out_unless_the_mark_is_seen_in_it():
    gaps, course_deg, usable = parted_run(0.9, 0)
    assert not kept(gaps, course_deg, usable, 5)[LOST.stop :].any()
    assert (kept(gaps, course_deg, usable, 5, 250) == usable).all()


def test_a_gap_that_is_noise_alone_ties_nothing():
    gaps, course_deg, usable = parted_run(2.5, 0, size_px=0.0)
    assert not kept(gaps, course_deg, usable, 5)[LOST.stop :].any()


def test_of_a_part_of_the_rim_that_was_not_seen_before_a_short_loss_is_bridged_by_what_a_hand_can_do():
    gaps, course_deg, usable = parted_run(0.9, 0)
    usable[:] = True
    usable[LOST.stop - 2 : LOST.stop] = False
    assert (kept(gaps, course_deg, usable, 5) == usable).all()


def test_where_no_stretch_shows_the_mark_the_longest_one_ties_the_others():
    gaps, course_deg, usable = parted_run(2.5, 3)
    left = kept(gaps, course_deg, usable)
    assert left[LOST.stop :].all()
    assert not left[: LOST.start].any()


def test_frames_whose_gap_was_not_seen_tell_nothing_and_a_run_in_one_piece_is_left_alone():
    gaps, course_deg, usable = parted_run(2.5, 0)
    gaps[:, ::7] = np.nan
    assert (kept(gaps, course_deg, usable, 5) == usable).all()
    gaps[:, LOST.stop :] = np.nan
    assert not kept(gaps, course_deg, usable, 5)[LOST.stop :].any()
    whole = np.ones(300, dtype=bool)
    assert (kept(gaps, course_deg, whole) == whole).all()
