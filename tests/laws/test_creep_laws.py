"""A tip that drifts in the picture: a pointer that creeps is told from a camera that sags."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated import followed

from rimgauge.errors import NotTrustworthy
from rimgauge.records import FloatArray, GapTrack, Turning
from rimgauge.signal import without_creep

COUNT = 240
TIME_S = np.arange(COUNT) / 30.0
RIGHT = np.array([1.0, 0.0])


PART: FloatArray = TIME_S / TIME_S[-1]
PUSHED = np.clip((PART - 0.4) / 0.1, 0.0, 1.0)
"""Share of the way that is done by a push of a second, too slow for a knock."""


def seen(
    turns: float, creep_px: float, sag_px: float, part: FloatArray = PART
) -> tuple[GapTrack, Turning, FloatArray]:
    """A run whose pointer creeps toward the rim and whose camera sags by so much, and its true gaps."""
    rng = np.random.default_rng(8)
    angle_deg = 360.0 * turns * TIME_S / TIME_S[-1]
    true_px = 15.0 + 4.0 * np.cos(np.radians(angle_deg - 40.0)) + np.sin(np.radians(3.0 * angle_deg))
    tip_px = np.stack([-(creep_px + sag_px) * part, 0.0 * part], axis=1) + rng.normal(0.0, 0.02, (COUNT, 2))
    gap_px = true_px - creep_px * part + rng.normal(0.0, 0.03, COUNT)
    gaps, turning = followed(TIME_S, angle_deg, gap_px, tip_px)
    return gaps, turning, true_px


@pytest.mark.parametrize("creep_px", [0.5, -1.0, 3.0])
def test_a_pointer_that_creeps_is_named_and_taken_off(creep_px: float) -> None:
    gaps, turning, true_px = seen(2.4, creep_px, 0.0)
    found = without_creep(gaps, turning, RIGHT, 0.1)
    off_px = found.sides[0].gap_px - true_px
    # The noise alone is 0.03 px; the drift is known to a few hundredths.
    assert float(np.std(off_px)) < 0.06
    assert f"crept by {0.1 * abs(creep_px):.2f} mm" in found.notes[0]


def test_a_camera_that_sags_takes_the_rim_along_and_nothing_is_changed() -> None:
    gaps, turning, _ = seen(2.4, 0.0, 3.0)
    found = without_creep(gaps, turning, RIGHT, 0.1)
    assert (found.sides[0].gap_px == gaps.sides[0].gap_px).all()
    assert found.notes == ()


def test_a_run_too_short_to_tell_them_apart_is_refused() -> None:
    gaps, turning, _ = seen(0.8, 1.5, 0.0)
    with pytest.raises(NotTrustworthy, match=r"drifts by 1\.5 pixels"):
        without_creep(gaps, turning, RIGHT, 0.1)


@pytest.mark.parametrize(("creep_px", "sag_px"), [(1.0, 6.0), (1.0, -4.0), (2.0, 10.0)])
def test_where_pointer_and_camera_both_give_way_the_run_is_refused(creep_px: float, sag_px: float) -> None:
    gaps, turning, _ = seen(2.4, creep_px, sag_px)
    with pytest.raises(NotTrustworthy, match="both seem"):
        without_creep(gaps, turning, RIGHT, 0.1)


@pytest.mark.parametrize("pushed_px", [3.0, -5.0])
def test_a_pointer_that_is_pushed_goes_its_way_at_once_and_the_run_is_refused(pushed_px: float) -> None:
    gaps, turning, _ = seen(2.4, pushed_px, 0.0, PUSHED)
    with pytest.raises(NotTrustworthy, match="was pushed"):
        without_creep(gaps, turning, RIGHT, 0.1)


@pytest.mark.parametrize("sag_px", [3.0, -5.0, 12.0])
def test_a_camera_that_is_pushed_as_quickly_is_no_pointer(sag_px: float) -> None:
    gaps, turning, _ = seen(2.4, 0.0, sag_px, PUSHED)
    assert (without_creep(gaps, turning, RIGHT, 0.1).sides[0].gap_px == gaps.sides[0].gap_px).all()


@pytest.mark.parametrize("nearer", [0.03, -0.06])
def test_a_pointer_nearer_than_the_rim_or_farther_seems_to_move_where_the_camera_sways(nearer: float) -> None:
    sway_px = 18.0 * np.sin(2.0 * np.pi * PART) * PART
    gaps, turning, true_px = seen(2.4, nearer, 1.0 - nearer, sway_px)
    found = without_creep(gaps, turning, RIGHT, 0.1)
    # Noise alone is 0.03 px, and left alone 0.03 of the sway would be 0.23.
    assert float(np.std(found.sides[0].gap_px - true_px)) < 0.04
    assert "The camera went aside" in found.notes[0]


def test_a_pointer_that_creeps_while_the_camera_sways_is_no_matter_of_distance() -> None:
    gaps, turning, _ = seen(2.4, 0.0, 6.0, np.sin(2.0 * np.pi * PART) * PART)
    side = replace(gaps.sides[0], gap_px=gaps.sides[0].gap_px - PART)
    with pytest.raises(NotTrustworthy, match="both seem"):
        without_creep(replace(gaps, sides=(side,)), turning, RIGHT, 0.1)
