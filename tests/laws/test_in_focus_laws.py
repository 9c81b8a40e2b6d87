"""A camera whose focus hunts is refused by what it does to the gap, and by nothing else."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

import numpy as np
import pytest

from rimgauge import pipeline
from rimgauge.errors import NotTrustworthy
from rimgauge.records import FloatArray, GapTrack
from rimgauge.scene import random_curve
from rimgauge.signal.in_focus import check_focus
from tests.seen import edge_track, gap_track, lateral_view, turning_by_mark

FRAMES, MM_PER_PX, NOISE_PX = 240, 0.12, 0.04
ANGLE_DEG: FloatArray = np.linspace(0.0, 3.3 * 360.0, FRAMES)
TIME_S: FloatArray = np.arange(FRAMES) / 30.0
HUNTING: FloatArray = 1.0 + 0.4 * np.sin(2.0 * np.pi * TIME_S / 1.3)
"""Blur of a camera that goes in and out of focus every 1.3 seconds [px]."""


def seen(
    blur_px: FloatArray,
    by_blur_px: float,
    seed: int,
    look: FloatArray | None = None,
    noise_px: float = NOISE_PX,
) -> GapTrack:
    """A pass of a drawn rim whose gap grows by so much as the blur grows e times."""
    rng = np.random.default_rng(seed)
    curve_mm = random_curve(rng, 1.5)
    gap_px = 15.0 - np.interp(ANGLE_DEG % 360.0, np.arange(720) * 0.5, curve_mm, period=360.0) / MM_PER_PX
    gap_px = gap_px + by_blur_px * np.log(blur_px) + rng.normal(0.0, noise_px, FRAMES)
    told_px = blur_px * np.exp(rng.normal(0.0, 0.04, FRAMES))
    return gap_track(TIME_S, edge_track(gap_px, noise_px, second_look=look, blur_px=told_px))


def check(track: GapTrack) -> None:
    check_focus(track, turning_by_mark(ANGLE_DEG, 0.1))


@pytest.mark.parametrize("seed", range(50, 56))
@pytest.mark.parametrize("by_blur_px", [0.6, -1.2])
def test_a_gap_that_moves_as_the_focus_hunts_is_refused(by_blur_px: float, seed: int) -> None:
    with pytest.raises(NotTrustworthy, match="in and out of focus") as refused:
        check(seen(HUNTING, by_blur_px, seed))
    moved_px = abs(by_blur_px) * float(np.std(np.log(HUNTING)))
    assert abs(float(str(refused.value).split("±")[1].split()[0]) - moved_px) < 0.1


@pytest.mark.parametrize("seed", range(50, 56))
def test_a_blur_that_leaves_the_gap_alone_and_one_that_hardly_varies_are_not(seed: int) -> None:
    check(seen(HUNTING, 0.0, seed))
    check(seen(HUNTING, 0.15, seed))
    check(seen(HUNTING**0.2, 1.2, seed))


@pytest.mark.parametrize("seed", range(50, 56))
def test_a_blur_that_varies_as_in_good_films_is_not_held_against_a_gap_that_goes_with_it(seed: int) -> None:
    check(seen(HUNTING**0.2, 3.0, seed))
    with pytest.raises(NotTrustworthy):
        check(seen(HUNTING**0.45, 3.0, seed))


def test_a_rough_gap_goes_with_the_blur_by_chance_alone() -> None:
    for seed in range(50, 56):
        check(seen(HUNTING, 0.0, seed, noise_px=3.0))


def test_a_rim_that_comes_nearer_the_camera_at_the_same_place_in_each_turn_is_not() -> None:
    check(seen(1.0 + 0.4 * np.sin(np.radians(2.0 * ANGLE_DEG)), 1.2, 50))


def test_a_decal_that_looks_blurred_is_no_hunting_focus() -> None:
    look: FloatArray = (np.abs(ANGLE_DEG % 360.0 - 180.0) < 80.0).astype(np.float64)
    track = seen(np.where(look > 0.0, 1.8, 1.0), 1.0, 51, look)
    check(track)
    with pytest.raises(NotTrustworthy):
        check(seen(np.where(look > 0.0, 1.8, 1.0) * HUNTING, 1.0, 51, look))


def test_what_nobody_knows_of_the_blur_is_not_held_against_a_pass() -> None:
    check(seen(np.full(FRAMES, np.nan), 0.0, 52))
    gap_px = 15.0 + np.sin(np.radians(ANGLE_DEG))
    check(gap_track(TIME_S, edge_track(gap_px, NOISE_PX)))
    short = gap_track(TIME_S[:60], edge_track(gap_px[:60] + HUNTING[:60], NOISE_PX, blur_px=HUNTING[:60]))
    check_focus(short, turning_by_mark(ANGLE_DEG[:60], 0.1))


@pytest.fixture
def what_see_makes_of(monkeypatch: pytest.MonkeyPatch) -> Callable[[GapTrack], GapTrack]:
    """What a measurement goes on with of a track, at a known scale and angle."""

    def made(track: GapTrack) -> GapTrack:
        for name, told in (
            ("known_scale", SimpleNamespace(mm_per_px=MM_PER_PX)),
            ("track", track),
            ("_through_the_lens", track),
            ("laid_out", None),
            ("find_turning", turning_by_mark(ANGLE_DEG, 0.1)),
        ):
            monkeypatch.setattr(pipeline, name, lambda *_, told=told: told)
        return pipeline.see([], lateral_view(), SimpleNamespace())[0]

    return made


def test_a_measurement_asks_for_the_focus_and_for_a_second_look(what_see_makes_of) -> None:
    with pytest.raises(NotTrustworthy, match="in and out of focus"):
        what_see_makes_of(seen(HUNTING, 1.2, 50))
    look: FloatArray = (np.abs(ANGLE_DEG % 360.0 - 180.0) < 80.0).astype(np.float64)
    aside = seen(np.where(look > 0.0, 2.0, 1.0), 4.0, 50, look)
    kept = what_see_makes_of(aside)
    moved_px = aside.sides[0].gap_px - kept.sides[0].gap_px
    assert abs(float(np.median(moved_px[look > 0.0])) - 4.0 * np.log(2.0)) < 0.3
