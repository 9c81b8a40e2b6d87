"""When a path through a run needs no other beside it, on looks made by formula."""

from dataclasses import replace

import numpy as np
import pytest

from rimgauge.signal.alone import stands_alone
from rimgauge.signal.follow import Evidence
from rimgauge.signal.looks import Look
from rimgauge.signal.place import SPEEDS, Place, chance_along

SPACING_DEG = 10.0
TRUTH_DEG = 5.0 * np.arange(240) - 20.0
TAKEN = np.arange(240)


def evidence(alike):
    """Mark, gap and spokes of a wheel that turns evenly; spokes that all look alike, or four that differ."""
    rng = np.random.default_rng(5)
    wheel = np.radians(TRUTH_DEG)
    gap = np.cos(wheel - 1.0) + 0.4 * np.cos(3.0 * wheel) + rng.normal(0.0, 0.03, 240)
    orders = (36, 72) if alike else (9, 18, 27, 36)
    spokes = np.column_stack([wave(order * wheel) for order in orders for wave in (np.cos, np.sin)])
    past = (TRUTH_DEG + 180.0) % 360.0 - 180.0
    return Evidence(
        mark_deg=np.where(np.abs(past) < 8.0, past, np.nan),
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
