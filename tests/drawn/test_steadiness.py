"""What a pass must bear: jumps of the pointer that last, in made-up tracks, and a camera's first pictures."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from rimgauge.capture import open_source, track
from rimgauge.capture.follower import SEEN, EdgeFollower, Sightings
from rimgauge.capture.sift import moved_left_out, vague_left_out
from rimgauge.capture.steadiness import stretches
from rimgauge.job import read_view


def tips_px(count: int, jumps: dict[int, float]) -> np.ndarray:
    rng = np.random.default_rng(5)
    tips = rng.normal(0.0, 0.05, (count, 2))
    for frame, by_px in jumps.items():
        tips[frame:, 0] += by_px
    return tips


def test_each_lasting_jump_begins_a_stretch_and_shake_begins_none():
    good = np.ones(300, dtype=bool)
    assert stretches(tips_px(300, {}), good).max() == 0
    found = stretches(tips_px(300, {60: 2.0, 180: -3.0}), good)
    assert list(np.flatnonzero(np.diff(found))) == [59, 179]


def test_a_sway_goes_on_where_frames_are_missing_and_a_knock_behind_a_hand_is_seen():
    time = np.arange(300)
    round_px = 3.0 * np.stack([np.sin(2.0 * np.pi * time / 90.0), np.cos(2.0 * np.pi * time / 90.0)], axis=1)
    across_px = 3.0 * np.stack([np.sin(2.0 * np.pi * time / 30.0), np.zeros(300)], axis=1)
    good = (time < 100) | (time >= 112)
    for sway_px in (round_px, across_px):
        assert stretches(tips_px(300, {}) + sway_px, good).max() == 0
    knocked = stretches(tips_px(300, {105: 2.0}), good)
    assert list(np.flatnonzero(np.diff(knocked))) == [99]


def sightings(jumps: dict[int, float], error_px: float = 0.05) -> Sightings:
    tip_px = tips_px(300, jumps)
    same = np.ones(300)
    return Sightings(
        gap_px=same,
        standard_error_px=error_px * same,
        quality=same,
        tip_px=tip_px,
        rim_px=np.zeros_like(tip_px),
        shift_px=0.0 * same,
        shift_error_px=0.05 * same,
        place_px=same,
        profile=np.zeros((300, 1), dtype=np.float32),
        lost=np.zeros(300, dtype=np.uint8),
        white=np.zeros(300, dtype=bool),
        look=np.full(300, np.nan),
        blur_px=np.full(300, np.nan),
    )


def test_frames_far_less_sure_than_usual_go_but_not_for_less_than_a_tenth_of_a_pixel():
    seen = sightings({}, error_px=0.015)
    seen.standard_error_px[[40, 80]] = 0.09, 0.11
    assert list(np.flatnonzero(vague_left_out(seen).lost)) == [80]
    faint = sightings({}, error_px=0.05)
    faint.standard_error_px[[40, 80]] = 0.14, 0.16
    assert list(np.flatnonzero(vague_left_out(faint).lost)) == [80]


def test_a_jump_of_either_pointer_ends_the_stretch_of_both():
    left, right = moved_left_out([sightings({60: 2.0}), sightings({180: 2.0})])
    assert (left.lost == right.lost).all()
    assert list(np.flatnonzero(left.lost == SEEN)) == list(range(60, 180))


@pytest.mark.parametrize(("there_px", "found"), [(50, True), (65, False)])
def test_an_edge_that_was_hidden_is_sought_as_far_as_the_rim_can_have_gone(there_px: int, found: bool):
    # It moves by half a pixel a frame and was hidden in five; a line beside the rim, 25 px further in, looks the same.
    follower = EdgeFollower.__new__(EdgeFollower)
    shape = SimpleNamespace(outside_px=4, inside_px=4)
    follower.outline = SimpleNamespace(template=np.ones(10), lead_px=0.0, front_px=0, shape=shape)
    follower.last_px, follower.usual_move_px, follower.missed, follower.bridged = 40.0, 0.5, 5, 99
    scores = np.where(np.arange(90) == there_px, 0.0, -100.0)
    place_px = follower._next(scores, np.zeros((8, 90), dtype=np.float32))
    assert (abs(place_px - there_px) < 1.0) == found


@pytest.mark.parametrize("grey", [0, 255])
def test_blank_pictures_among_the_first_do_not_spoil_what_is_learnt(grey: int) -> None:
    folder = Path(__file__).resolve().parents[2] / "sample_frames" / "lateral_before"
    frames = list(itertools.islice(open_source(str(folder)), 80))
    view = read_view(folder / "view.json")
    spoilt = [
        replace(frame, image=np.full_like(frame.image, grey)) if index in (0, 1, 7) else frame
        for index, frame in enumerate(frames)
    ]
    whole, seen = (track(iter(each), view).sides[0].gap_px for each in (frames, spoilt))
    assert list(np.flatnonzero(np.isfinite(whole) & ~np.isfinite(seen))) == [0, 1, 7]
    both = np.isfinite(whole) & np.isfinite(seen)
    # Three frames of sixty fewer to learn from.
    assert float(np.median(np.abs((whole - seen)[both]))) < 0.05
