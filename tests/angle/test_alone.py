"""When a path through a run needs no other beside it, on looks made by formula."""

from dataclasses import replace

import numpy as np
import pytest

from rimgauge.signal.alone import stands_alone
from rimgauge.signal.astray import slipped as slipped_frames
from rimgauge.signal.course import Course, _less_sure
from rimgauge.signal.follow import Evidence, follow
from rimgauge.signal.looks import Look
from rimgauge.signal.place import SPEEDS, Place, chance_along
from rimgauge.signal.sightings import MarkLearnt

SPACING_DEG = 10.0
TRUTH_DEG = 5.0 * np.arange(240) - 20.0
TAKEN = np.arange(240)


def evidence(alike, truth_deg=TRUTH_DEG, mark_seen_deg=8.0):
    """Mark, gap and spokes of a wheel that turns evenly; spokes that all look alike, or four that differ."""
    rng = np.random.default_rng(5)
    wheel = np.radians(truth_deg)
    gap = np.cos(wheel - 1.0) + 0.4 * np.cos(3.0 * wheel) + rng.normal(0.0, 0.03, 240)
    orders = (36, 72) if alike else (9, 18, 27, 36)
    spokes = np.column_stack([wave(order * wheel) for order in orders for wave in (np.cos, np.sin)])
    past = (truth_deg + 180.0) % 360.0 - 180.0
    return Evidence(
        mark_deg=np.where(np.abs(past) < mark_seen_deg, past, np.nan),
        mark_sd_deg=np.full(240, 0.8),
        hidden_deg=2.0,
        looks=(Look(gap[:, None], 360.0), Look(spokes + rng.normal(0.0, 0.05, spokes.shape), 40.0, 0.05)),
    )


def along(path_deg):
    return Place(path_deg, chance_along(path_deg), np.zeros((240, SPEEDS)), 0.0)


def test_the_true_path_stands_alone_where_spokes_can_be_told_from_their_neighbours():
    assert stands_alone(along(TRUTH_DEG), evidence(alike=False), SPACING_DEG)


def test_where_all_spokes_look_alike_other_paths_are_looked_for():
    assert not stands_alone(along(TRUTH_DEG), evidence(alike=True), SPACING_DEG)


@pytest.mark.parametrize("alike", [True, False])
def test_a_path_that_passes_a_spoke_over_between_two_marks_never_stands_alone(alike):
    # From soon after the mark's second pass to shortly before its third.
    over = (TAKEN > 80) & (TAKEN < 144)
    assert not stands_alone(along(TRUTH_DEG + SPACING_DEG * over), evidence(alike), SPACING_DEG)


@pytest.mark.parametrize(
    "path_deg",
    [
        -TRUTH_DEG,
        TRUTH_DEG + 8.0 * np.sin(np.radians(TRUTH_DEG)),
        TRUTH_DEG + SPACING_DEG * (TAKEN > 120),
        TRUTH_DEG + 180.0,
    ],
    ids=["mirrored", "warped the same way each turn", "slipped by a spoke half way", "half a turn off"],
)
def test_another_path_never_stands_alone(path_deg):
    assert not stands_alone(along(path_deg), evidence(alike=False), SPACING_DEG)


@pytest.mark.parametrize("missing", ["mark", "spokes", "gap", "a gap that comes back", "sureness"])
def test_nor_the_true_one_where_something_is_missing(missing):
    seen, path = evidence(alike=False), along(TRUTH_DEG)
    gap, spokes = seen.looks
    if missing == "mark":
        seen = replace(seen, mark_deg=np.full(240, np.nan))
    elif missing == "spokes":
        seen = replace(seen, looks=(gap,))
    elif missing == "gap":
        seen = replace(seen, looks=(spokes,))
    elif missing == "a gap that comes back":
        noise = Look(np.random.default_rng(6).normal(size=(240, 1)), 360.0)
        seen = replace(seen, looks=(noise, spokes))
    else:
        path = replace(path, chance=0.9 * path.chance + 0.1 * chance_along(TRUTH_DEG + 180.0))
    assert not stands_alone(path, seen, SPACING_DEG)


def test_the_mirror_image_is_followed_too_where_a_mark_seen_once_a_turn_does_not_tell_the_way():
    """Learning that begins either way comes to the true path alone, and would be sure of it."""
    truth_deg = TRUTH_DEG + 20.0 * np.sin(TAKEN / 15.0)
    seen = replace(evidence(False, truth_deg, mark_seen_deg=2.4), hidden_deg=1.0)
    found = follow(seen, SPACING_DEG)
    for path_deg in (truth_deg, -truth_deg):
        off_deg = [
            (path - path_deg + 180.0) % 360.0 - 180.0
            for path in (found.place.angle_deg, *(rival.angle_deg for rival in found.rivals))
        ]
        assert min(float(np.abs(off).max()) for off in off_deg) < 0.5 * SPACING_DEG


def test_frames_that_look_otherwise_while_the_wheel_turns_back_are_left_out_and_no_others():
    """From frame 100 to 104, where the wheel turns back, and from 180 to 184, where it goes on, the look is missed."""
    angle_deg = np.concatenate([5.0 * TAKEN[:103], 5.0 * (204 - TAKEN[103:])])
    missed = np.where(np.isin(TAKEN, [*range(100, 105), *range(180, 185)]), 0.8, 0.05)
    known = np.zeros(240)
    course = Course(
        angle_deg, known, np.ones(240, dtype=bool), False, missed, np.ones(240), 1.0, MarkLearnt(), 0.0
    )
    slipped = np.flatnonzero(slipped_frames(course, TAKEN, SPACING_DEG))
    assert {*range(100, 105)} <= set(slipped) <= {*range(95, 110)}


def test_frames_that_look_otherwise_no_more_than_all_others_are_kept():
    """Faint spokes: noise is most of every look, so that what is missed says nothing of these frames."""
    angle_deg = np.concatenate([5.0 * TAKEN[:103], 5.0 * (204 - TAKEN[103:])])
    missed = np.where(np.isin(TAKEN, np.arange(100, 105)), 0.8, 0.55)
    course = Course(
        angle_deg,
        np.zeros(240),
        np.ones(240, dtype=bool),
        False,
        missed,
        np.ones(240),
        1.0,
        MarkLearnt(),
        0.0,
    )
    assert not slipped_frames(course, TAKEN, SPACING_DEG).any()


def test_where_an_abrupt_course_goes_its_own_way_by_chance_the_smooth_one_is_as_sure_as_before():
    off_deg = np.repeat([0.0, 0.5, -0.9, 3.0], 60)
    smooth = Course(
        TRUTH_DEG,
        np.full(240, 0.5),
        np.ones(240, dtype=bool),
        False,
        np.zeros(240),
        np.ones(240),
        1.0,
        MarkLearnt(),
        0.0,
    )
    spread_deg = _less_sure(smooth, TRUTH_DEG + off_deg).spread_deg
    assert (spread_deg[:180] == 0.5).all()
    # So far off, that what is beyond chance is unsure too.
    assert (spread_deg[180:] > 2.5).all()
    assert (spread_deg[180:] < 3.0).all()
