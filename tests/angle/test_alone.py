"""A path needs no rivals only when it is the true one: not its mirror image, not warped, not off by a spoke."""

from dataclasses import replace

import numpy as np
import pytest

from rimgauge.signal.alone import stands_alone
from rimgauge.signal.follow import Evidence
from rimgauge.signal.looks import Look
from rimgauge.signal.place import FASTEST_STEPS, SPEEDS, STEPS, Place

SPACING_DEG, PERIOD_DEG = 11.25, 45.0
TURNED_DEG = np.cumsum(5.0 + 1.5 * np.sin(np.arange(400) / 17.0)) + 200.0


def evidence() -> Evidence:
    """What a wheel shows that turns by about 5° a frame: its mark near 0, the gap, its spokes and its own slide."""
    rng = np.random.default_rng(4)
    turned = np.radians(TURNED_DEG)
    gap = np.cos(turned) + 0.4 * np.cos(3.0 * turned + 1.0) + 0.3 * np.sin(7.0 * turned)
    phases = turned[:, None] * (360.0 / PERIOD_DEG) * np.arange(1, 5)
    spokes = np.hstack([np.cos(phases), np.sin(phases + 0.3)])
    off_deg = (TURNED_DEG + 180.0) % 360.0 - 180.0
    mark_deg = np.where(np.abs(off_deg) < 6.0, off_deg, np.nan)
    by_speed = np.ones((len(turned), SPEEDS))
    by_speed[np.arange(1, len(turned)), np.rint(np.diff(TURNED_DEG)).astype(int) + FASTEST_STEPS] = np.exp(
        2.0
    )
    return Evidence(
        mark_deg=mark_deg,
        mark_sd_deg=np.full(len(turned), 1.0),
        hidden_deg=2.0,
        looks=(
            Look((gap + rng.normal(0.0, 0.05, len(gap)))[:, None], 360.0),
            Look(spokes + rng.normal(0.0, 0.1, spokes.shape), PERIOD_DEG),
        ),
        by_speed=by_speed,
    )


def place(angle_deg: np.ndarray, elsewhere: float = 0.0) -> Place:
    """A path (n,), sure of itself but for a chance of being half a turn away."""
    chance = np.zeros((len(angle_deg), STEPS))
    here = np.rint(angle_deg * STEPS / 360.0).astype(int) % STEPS
    chance[np.arange(len(here)), here] = 1.0 - elsewhere
    chance[np.arange(len(here)), (here + STEPS // 2) % STEPS] = elsewhere
    return Place(angle_deg, chance, np.zeros((len(angle_deg), SPEEDS)), 0.0)


def test_the_true_path_stands_alone_though_its_grid_is_coarse() -> None:
    assert stands_alone(place(np.rint(TURNED_DEG)), evidence(), SPACING_DEG)


@pytest.mark.parametrize(
    "angle_deg",
    [
        -TURNED_DEG,
        TURNED_DEG + 8.0 * np.sin(np.radians(TURNED_DEG)),
        TURNED_DEG + SPACING_DEG * (np.arange(400) > 200),
        TURNED_DEG + 180.0,
    ],
    ids=["mirrored", "warped the same way each turn", "slipped by a spoke half way", "half a turn off"],
)
def test_another_path_does_not(angle_deg: np.ndarray) -> None:
    assert not stands_alone(place(angle_deg), evidence(), SPACING_DEG)


@pytest.mark.parametrize(
    "missing", ["mark", "spokes", "gap that comes back", "slide and moving mark", "no doubt"]
)
def test_nor_where_something_is_missing(missing: str) -> None:
    seen, path = evidence(), place(TURNED_DEG, 0.1 if missing == "no doubt" else 0.0)
    rng = np.random.default_rng(5)
    seen = {
        "mark": lambda: replace(seen, mark_deg=np.full(400, np.nan)),
        "spokes": lambda: replace(seen, looks=seen.looks[:1]),
        "gap that comes back": lambda: replace(
            seen, looks=(Look(rng.normal(size=(400, 1)), 360.0), seen.looks[1])
        ),
        "slide and moving mark": lambda: replace(
            seen, by_speed=None, mark_deg=np.where(np.abs(seen.mark_deg) < 2.6, 0.0, np.nan)
        ),
        "no doubt": lambda: seen,
    }[missing]()
    assert not stands_alone(path, seen, SPACING_DEG)


def test_the_mark_alone_tells_the_way_by_where_in_its_box_it_is_seen() -> None:
    seen = replace(evidence(), by_speed=None)
    assert stands_alone(place(TURNED_DEG), seen, SPACING_DEG)
    assert not stands_alone(place(-TURNED_DEG), seen, SPACING_DEG)
