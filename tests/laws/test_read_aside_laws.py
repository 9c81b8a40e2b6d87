"""An edge that is read aside wherever the rim looks another way: told by the gaps, taken off, and stated."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from rimgauge.records import BoolArray, FloatArray, GapTrack, shortest_deg
from rimgauge.scene import random_curve
from rimgauge.signal.read_aside import BETWEEN, without_aside
from tests.seen import edge_track, gap_track, turning_by_mark

FRAMES, MM_PER_PX, NOISE_PX = 240, 0.12, 0.04
ANGLE_DEG: FloatArray = np.linspace(0.0, 3.3 * 360.0, FRAMES)
TURNING = turning_by_mark(ANGLE_DEG, 0.1)
DECALS = ((70.0, 80.0), (255.0, 90.0))
"""Middle and length of each [deg]."""


def look(part: bool = False, over_deg: float = 8.0) -> FloatArray:
    """How much of a decal each frame shows (n,); part: where one begins or ends a frame shows some of it, so far on."""
    inside = [0.5 * length - np.abs(shortest_deg(ANGLE_DEG - middle)) for middle, length in DECALS]
    nearest = np.max(inside, axis=0)
    return (
        np.clip(nearest / over_deg + 0.5, 0.0, 1.0) if part else np.asarray(nearest > 0.0, dtype=np.float64)
    )


def seen(
    aside_px: float, seed: int, part: bool = False, total_mm: float = 1.0
) -> tuple[GapTrack, FloatArray]:
    """A pass of a drawn rim whose gap is so much larger where a decal shows, and its true gap."""
    rng = np.random.default_rng(seed)
    curve_mm = random_curve(rng, total_mm)
    true_px = 15.0 - np.interp(ANGLE_DEG % 360.0, np.arange(720) * 0.5, curve_mm, period=360.0) / MM_PER_PX
    gap_px = true_px + aside_px * look(part) + rng.normal(0.0, NOISE_PX, FRAMES)
    return gap_track(np.arange(FRAMES) / 30.0, edge_track(gap_px, NOISE_PX, second_look=look(part))), true_px


def rms_px(track: GapTrack, true_px: FloatArray) -> float:
    return float(np.nanstd(track.sides[0].gap_px - true_px))


@pytest.mark.parametrize("seed", range(30, 36))
@pytest.mark.parametrize("aside_px", [4.0, -3.6, 0.8])
def test_what_the_edge_is_read_aside_by_is_taken_off(aside_px: float, seed: int) -> None:
    track, true_px = seen(aside_px, seed)
    kept = without_aside(track, TURNING, MM_PER_PX)
    assert rms_px(kept, true_px) < 0.15 * rms_px(track, true_px)
    nearer_px = true_px + min(aside_px, 0.0)
    assert abs(float(np.mean(kept.sides[0].gap_px - nearer_px))) < 0.2
    # What is left is stated in every frame, by two standard uncertainties and more.
    left_px = np.sqrt(max(rms_px(kept, true_px) ** 2 - NOISE_PX**2, 0.0))
    assert left_px < 2.5 * float(np.median(kept.sides[0].standard_error_px))
    said = [note for note in kept.notes if "aside" in note]
    assert len(said) == 1
    assert abs(float(said[0].split(" mm")[0].split()[-1]) - abs(aside_px) * MM_PER_PX) < 0.03


def stated_px(kept: GapTrack, look: FloatArray) -> float:
    """Standard uncertainty that a track's errors were given for what was taken off between one look and the other."""
    added_px = np.sqrt(kept.sides[0].standard_error_px ** 2 - NOISE_PX**2)
    return float(np.median(added_px / np.std(look)))


def between_px(gap_px: FloatArray, look: FloatArray) -> float:
    """By how much gaps are larger on average with the second look."""
    return float(np.mean(gap_px[look > 0.5]) - np.mean(gap_px[look < 0.5]))


@pytest.mark.parametrize("aside_px", [4.0, 0.8])
def test_what_is_taken_off_is_as_unsure_as_is_stated_where_neighbouring_frames_err_alike(
    aside_px: float,
) -> None:
    off_px, told_px = [], []
    for seed in range(60, 90):
        _, true_px = seen(aside_px, seed)
        alone_px = np.random.default_rng(seed).normal(0.0, 0.8 * NOISE_PX, FRAMES)
        # Each frame keeps 0.6 of the error before it, which doubles that of a mean over many.
        gap_px = true_px + aside_px * look() + lfilter([1.0], [1.0, -0.6], alone_px)
        side = edge_track(gap_px, NOISE_PX, second_look=look())
        kept = without_aside(gap_track(np.arange(FRAMES) / 30.0, side), TURNING, MM_PER_PX)
        off_px.append(between_px(gap_px - kept.sides[0].gap_px, look()) - aside_px)
        told_px.append(stated_px(kept, look()))
    # The curve's bends take some of what neighbours share, so that rather more is stated than is left; never less.
    assert float(np.std(off_px)) < float(np.median(told_px)) < 3.0 * float(np.std(off_px))


@pytest.mark.parametrize("seed", range(30, 34))
def test_frames_read_between_that_are_told_for_whole_don_t_draw_it_along(seed: int) -> None:
    track, _ = seen(4.0, seed)
    partly_px = track.sides[0].gap_px + 4.0 * (look(part=True, over_deg=4.0) - look())
    side = edge_track(partly_px, NOISE_PX, second_look=look())
    kept = without_aside(gap_track(track.time_s, side), TURNING, MM_PER_PX).sides[0]
    taken_px = between_px(partly_px - kept.gap_px, look())
    assert abs(taken_px - 4.0) < 0.35


@pytest.mark.parametrize("seed", range(30, 34))
def test_decal_frames_in_which_the_edge_was_read_right_don_t_hide_the_step(seed: int) -> None:
    track, _ = seen(4.0, seed)
    right = (look() > 0.0) & (np.random.default_rng(seed).random(FRAMES) < 0.15)
    gap_px = track.sides[0].gap_px - 4.0 * right
    side = edge_track(gap_px, NOISE_PX, second_look=look())
    kept = without_aside(gap_track(track.time_s, side), TURNING, MM_PER_PX).sides[0]
    assert abs(between_px(gap_px - kept.gap_px, look()) - 4.0) < 0.2


@pytest.mark.parametrize("seed", range(30, 34))
def test_what_is_too_little_to_say_is_taken_off_without_a_word(seed: int) -> None:
    track, _ = seen(0.3, seed)
    kept = without_aside(track, TURNING, MM_PER_PX)
    assert abs(between_px(track.sides[0].gap_px - kept.sides[0].gap_px, look()) - 0.3) < 0.15
    assert not kept.notes


@pytest.mark.parametrize("seed", range(30, 42))
def test_a_rims_own_bends_are_not_taken_for_a_step(seed: int) -> None:
    track, _ = seen(0.0, seed, total_mm=2.0)
    kept = without_aside(track, TURNING, MM_PER_PX)
    np.testing.assert_array_equal(kept.sides[0].gap_px, track.sides[0].gap_px)
    assert not kept.notes


def test_a_joint_that_steps_and_a_dent_stay_where_no_second_look_comes_with_them() -> None:
    track, true_px = seen(0.0, 30)
    away: FloatArray = shortest_deg(ANGLE_DEG - 180.0)
    step: BoolArray = (away > 0.0) & (away < 30.0)
    dent_px = 4.0 * np.exp(-0.5 * ((away + 60.0) / 1.5) ** 2)
    damage_px = np.where(step, 3.0 * (1.0 - away / 30.0), 0.0) + dent_px
    hurt = edge_track(track.sides[0].gap_px + damage_px, NOISE_PX, second_look=look())
    kept = without_aside(gap_track(track.time_s, hurt), TURNING, MM_PER_PX)
    assert rms_px(kept, true_px + damage_px) < 1.5 * NOISE_PX


def test_what_is_read_between_two_places_is_left_out_and_said() -> None:
    track, true_px = seen(4.0, 31, part=True)
    kept = without_aside(track, TURNING, MM_PER_PX)
    partly = (look(True) > 0.0) & (look(True) < 1.0)
    assert partly.sum() > 10
    np.testing.assert_array_equal(np.isnan(kept.sides[0].gap_px), partly)
    assert [why == BETWEEN for why in kept.lost] == partly.tolist()
    assert rms_px(kept, true_px) < 0.15 * rms_px(track, true_px)


def test_frames_that_tell_no_look_are_left_as_unsure_as_the_rest() -> None:
    track, _ = seen(4.0, 32)
    shown = np.where(np.arange(FRAMES) % 9 == 0, np.nan, look())
    side = edge_track(track.sides[0].gap_px, NOISE_PX, second_look=shown)
    kept = without_aside(gap_track(track.time_s, side), TURNING, MM_PER_PX)
    assert np.isnan(kept.sides[0].gap_px[::9]).all()
    assert np.isfinite(np.delete(kept.sides[0].gap_px, np.s_[::9])).all()


@pytest.mark.parametrize("shown", [np.ones(FRAMES), np.where(np.arange(FRAMES) < 60, look(), np.nan)])
def test_one_look_alone_or_too_few_frames_tell_nothing(shown: FloatArray) -> None:
    track, _ = seen(4.0, 33)
    side = edge_track(track.sides[0].gap_px, NOISE_PX, second_look=shown)
    kept = without_aside(gap_track(track.time_s, side), TURNING, MM_PER_PX)
    np.testing.assert_array_equal(kept.sides[0].gap_px, side.gap_px)
    np.testing.assert_array_equal(kept.sides[0].standard_error_px, side.standard_error_px)
