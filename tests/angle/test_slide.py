"""What passes for the rim's own slide in strips along its path, and what doesn't."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from rimgauge.capture.slide import find_slide
from rimgauge.records import FloatArray
from rimgauge.signal.slid import peaks, slid

BINS, FRAMES, STEP_BINS = 120, 60, 7
PLAIN, NOISE = 120.0, 0.5


def strips(rim: float, place: slice, comes_and_goes: float) -> NDArray[np.uint8]:
    """Strips of a rim with specks of a strength, and something in a place before it that comes and goes slowly."""
    rng = np.random.default_rng(1)
    specks = rim * rng.normal(size=BINS + FRAMES * STEP_BINS)
    bright = np.full((FRAMES, BINS), PLAIN) + rng.normal(0.0, NOISE, (FRAMES, BINS))
    for k in range(FRAMES):
        begin = (FRAMES - k) * STEP_BINS
        bright[k] += specks[begin : begin + BINS]
        bright[k, place] += comes_and_goes * np.sin(2.0 * np.pi * k / 25.0)
    return np.repeat(np.rint(bright).astype(np.uint8)[:, :, None], 3, axis=2)


@pytest.mark.parametrize("place", [slice(0, 2), slice(118, 120)])
def test_what_a_shake_brings_in_at_the_border_is_no_rim_that_rests(place: slice) -> None:
    """Before a rim that is too plain to be followed."""
    slide = find_slide(strips(0.0, place, 8.0), 1.0)
    at_rest = np.abs(slide.shift_px[slide.nats[1:].argmax(axis=1)]) < 1.5
    assert float(np.mean(at_rest & (slide.nats[1:].max(axis=1) > 4.0))) < 0.1


def test_specks_are_followed_beside_it() -> None:
    """Three grey levels of specks tell each step of the rim, whatever goes on at the border."""
    slide = find_slide(strips(3.0, slice(0, 2), 8.0), 1.0)
    assert float(np.mean(slide.shift_px[slide.nats[1:].argmax(axis=1)] == STEP_BINS)) > 0.95


def test_a_likeness_is_looked_for_no_farther_than_there_are_candidates(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A view whose scale is a thousand times too small asked for a million columns, and took ten seconds."""
    reaches: list[int] = []

    def noted(nats: NDArray[np.float32], place: FloatArray, reach: int, step_px: float) -> object:
        reaches.append(reach)
        return peaks(nats, place, reach, step_px)

    slide = find_slide(strips(3.0, slice(0, 2), 8.0), 1.0)
    monkeypatch.setattr("rimgauge.signal.slid.peaks", noted)
    slid(slide, np.arange(FRAMES) * 0.7, 1e5, 0.1)
    assert reaches
    assert max(reaches) <= slide.nats.shape[1]
