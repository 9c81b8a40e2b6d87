"""Wheels without a mark, followed from the spoke that stood at the pointer in the first frame."""

import re
from dataclasses import replace

import numpy as np
import pytest
from hand_motion import draw_motion
from seen_angle import Bench, begun_at, film, layout_of, spoke_angles
from seen_spokes import ALONG_THE_AXLE

from rimgauge.errors import NotTrustworthy, PlaceLost, RimgaugeError
from rimgauge.signal import find_turning
from rimgauge.signal.follow import Evidence
from rimgauge.signal.its_way import check_way
from rimgauge.signal.place import FASTEST_STEPS, SPEEDS
from rimgauge.signal.unmarked import counted_through

START_DEG = 0.3
"""How far from the pointer the spoke stood that was told."""


def unmarked_film(kind, seed):
    """A film begun with spoke 5 near the pointer, of a wheel without a mark; and its layout."""
    rng = np.random.default_rng(seed)
    bench = Bench(spoke_angles_deg=spoke_angles(32, False, rng), exposure_s=0.004)
    motion = draw_motion(kind, rng, 3.0)
    begin_deg = float(bench.spoke_angles_deg[4]) + rng.choice([-START_DEG, START_DEG])
    seen = film(begun_at(motion, begin_deg), bench, rng)
    bare = replace(
        seen.track, mark_px=np.full(len(seen.angle_deg), np.nan), mark_strength=np.zeros(len(seen.angle_deg))
    )
    return bare, seen.angle_deg, replace(layout_of(bench), start_spoke=5)


@pytest.mark.parametrize(("kind", "seed"), [("stops", 43), ("rocking", 42)])
def test_no_spoke_is_passed_over_from_the_one_the_film_begins_at(kind, seed):
    track, truth_deg, layout = unmarked_film(kind, seed)
    turning = find_turning(track, layout)
    off = (turning.angle_deg - truth_deg + 180.0) % 360.0 - 180.0
    told = np.isfinite(off)
    assert told.mean() > 0.6
    assert np.abs(off[told]).max() < 0.5 * layout.spacing_deg
    assert np.median(np.abs(off[told])) < 1.0
    assert turning.standard_uncertainty_deg.min() > 0.4
    assert turning.evidence[0] == "spoke 5 at the start"


def test_without_spokes_or_over_more_frames_than_can_be_followed_at_once_a_mark_is_asked_for():
    track, _, layout = unmarked_film("steady", 42)
    with pytest.raises(NotTrustworthy, match="spokes must be seen"):
        find_turning(replace(track, spoke_profile=track.spoke_profile[:, :0]), layout)


def test_a_wheel_that_turns_less_than_once_is_refused():
    rng = np.random.default_rng(26)
    bench = Bench(spoke_angles_deg=spoke_angles(32, False, rng), exposure_s=0.004)
    motion = draw_motion("steady", rng, 0.8)
    begin_deg = float(bench.spoke_angles_deg[0])
    seen = film(begun_at(motion, begin_deg), bench, rng)
    with pytest.raises(RimgaugeError, match=r"turned only|told in only|can't be followed"):
        find_turning(seen.track, replace(layout_of(bench), start_spoke=1))


def believed(path_deg, evidence, *, marked):
    """Whether a path (n,) is told; where it isn't the reason must be the way the wheel turns."""
    try:
        check_way(path_deg, evidence, marked=marked)
    except PlaceLost as trouble:
        return (
            re.search(
                f"which way the wheel turns, {'for its spokes' if marked else 'and without a mark'}",
                str(trouble),
            )
            is None
        )
    return True


@pytest.mark.parametrize(
    ("seen", "slid", "told"), [(20, 5, True), (2, 5, False), (20, -5, False), (0, 5, False)]
)
def test_a_path_is_refused_whose_mirror_image_the_slide_does_not_speak_against(seen, slid, told):
    """Five degrees a frame; the slide is seen in some frames, or says that the wheel goes the other way."""
    path_deg = 5.0 * np.arange(100.0)
    by_speed = np.ones((100, SPEEDS))
    by_speed[10 : 10 + seen, FASTEST_STEPS + slid] = np.exp(2.0)
    mark_deg = np.where(np.arange(100) == 0, 0.0, np.nan)
    evidence = Evidence(mark_deg, np.full(100, 0.8), 0.0, by_speed=by_speed)
    assert believed(path_deg, evidence, marked=False) == told


@pytest.mark.parametrize(("way", "told"), [(1, True), (0, False), (-1, False)])
def test_a_path_is_told_from_its_mirror_image_by_what_the_rim_shows_again(way, told):
    mark_deg = np.where(np.arange(100) == 0, 0.0, np.nan)
    evidence = Evidence(mark_deg, np.full(100, 0.8), 0.0, way=lambda *_: way)
    for path_deg in (5.0 * np.arange(100.0), -5.0 * np.arange(100.0)):
        assert believed(path_deg, evidence, marked=False) == told


@pytest.mark.parametrize(
    ("seen_deg", "way", "told"), [(0.5, 0, False), (8.0, 0, True), (0.5, 1, True), (0.5, -1, False)]
)
def test_with_a_mark_too_a_path_is_believed_only_where_something_but_looks_tells_the_way(seen_deg, way, told):
    """7.2° a frame, 50 frames a turn; the mark shows at one place a turn, or on its way past the pointer."""
    for path_deg in (7.2 * np.arange(200.0), -7.2 * np.arange(200.0)):
        off_deg = (path_deg + 180.0) % 360.0 - 180.0
        mark_deg = np.where(np.abs(off_deg) < seen_deg, off_deg, np.nan)
        evidence = Evidence(mark_deg, np.full(200, 0.8), 0.0, way=lambda *_: way)
        assert believed(path_deg, evidence, marked=True) == told


@pytest.mark.parametrize(
    ("sd_deg", "forward", "backward"),
    [(4.0, False, False), (3.4, True, False), (2.0, True, False), (1.5, True, True)],
)
def test_a_mark_seen_twice_must_speak_more_for_a_wheel_turned_backward(sd_deg, forward, backward):
    """7.2° apart, against 14.4 in mirror image: each is off by 7.2 of that, by 3.2, 4.5, 13 and 18 nats for both."""
    for way, told in ((1, forward), (-1, backward)):
        path_deg = 7.2 * way * np.arange(200.0)
        mark_deg = np.where(np.arange(200) < 2, path_deg, np.nan)
        evidence = Evidence(mark_deg, np.full(200, sd_deg), 0.0)
        assert believed(path_deg, evidence, marked=True) == told
    assert not believed(path_deg, evidence, marked=False)


def test_a_start_that_the_mark_contradicts_is_refused():
    rng = np.random.default_rng(42)
    bench = Bench(spoke_angles_deg=spoke_angles(32, False, rng), exposure_s=0.004)
    motion = draw_motion("steady", rng, 3.0)
    seen = film(begun_at(motion, float(bench.spoke_angles_deg[4])), bench, rng)
    with pytest.raises(NotTrustworthy, match=r"begins with spoke 5 at the pointer, not 9"):
        find_turning(seen.track, replace(layout_of(bench), start_spoke=9))


def test_a_film_that_begins_between_two_spokes_is_refused():
    rng = np.random.default_rng(42)
    # Along the axle, where spokes cross their box as the rim does; nearer the hub they cross it slowly, many at once.
    across = {"sight": ALONG_THE_AXLE, "strip_deg": 14.0, "spoke_box_deg": 8.5, "spoke_box_at_deg": 0.0}
    bench = Bench(spoke_angles_deg=spoke_angles(32, False, rng), exposure_s=0.004, marked=False, **across)
    motion = draw_motion("steady", rng, 3.0)
    between_deg = float(bench.spoke_angles_deg[4]) + 0.48 * 360.0 / 32
    seen = film(begun_at(motion, between_deg), bench, rng)
    with pytest.raises(NotTrustworthy, match="begins between two"):
        find_turning(seen.track, replace(layout_of(bench), start_spoke=5))


@pytest.mark.parametrize(("passed_over", "counted"), [(0, True), (1, False), (-2, False)])
def test_behind_a_stretch_that_is_lost_spokes_are_counted_on_only_where_the_gap_comes_back(
    passed_over, counted
):
    rng = np.random.default_rng(7)
    angle_deg, orders = 4.0 * np.arange(240.0), np.arange(1, 7)
    phase = np.radians(angle_deg)[:, None] * orders + rng.uniform(0.0, 6.3, 6)
    gaps_px = np.cos(phase) @ (2.0 / orders) + rng.normal(0.0, 0.1, 240)
    told = (np.arange(240) < 150) | (np.arange(240) >= 160)
    path_deg = angle_deg + np.where(np.arange(240) >= 160, passed_over * 11.25, 0.0)
    kept = counted_through(gaps_px[None, :], path_deg, np.arange(len(told)) / 30.0, told, 11.25)
    assert np.array_equal(kept, told if counted else told & (np.arange(240) < 150))


@pytest.mark.parametrize("passed_over", [0, 16])
def test_a_saddle_looks_nearly_the_same_half_a_turn_on_and_is_counted_on_only_where_it_is_not(passed_over):
    """Waves of 4 px twice round the rim, of 0.3 px otherwise, seen to 0.1 px; 16 spokes of 32 are half a turn."""
    rng = np.random.default_rng(0)
    angle_deg, orders, later = 4.0 * np.arange(500.0), np.arange(1, 7), np.arange(500) >= 262
    phase = np.radians(angle_deg)[:, None] * orders + rng.uniform(0.0, 6.3, 6)
    gaps_px = np.cos(phase) @ np.where(orders == 2, 4.0, 0.3) + rng.normal(0.0, 0.1, 500)
    told = (np.arange(500) < 250) | later
    path_deg = angle_deg + np.where(later, passed_over * 11.25, 0.0)
    kept = counted_through(gaps_px[None, :], path_deg, np.arange(len(told)) / 30.0, told, 11.25)
    assert kept[later].all() == kept[later].any() == (passed_over == 0)


def test_a_film_lost_from_the_beginning_or_before_the_rim_came_round_is_not_counted_on():
    angle_deg, time_s = 4.0 * np.arange(140.0), np.arange(140) / 30.0
    gaps_px = np.cos(np.radians(angle_deg))[None, :]
    assert not counted_through(gaps_px, angle_deg, time_s, np.arange(140) >= 5, 11.25).any()
    told = (np.arange(140) < 40) | (np.arange(140) > 60)
    told[90:] = False
    assert np.array_equal(counted_through(gaps_px, angle_deg, time_s, told, 11.25), np.arange(140) < 40)
