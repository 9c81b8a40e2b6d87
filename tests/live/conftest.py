"""Moments of a wheel that turns at a steady pace before a camera, drawn up from a stated curve."""

from collections.abc import Callable, Iterator

import numpy as np
import pytest

from rimgauge.live import Bench, Foot, Showing
from rimgauge.live.screen import Controls
from rimgauge.records import FloatArray, Moment

SPOKES_DEG = (np.arange(32) + 0.5) * 360 / 32


def gap_mm_at(angle_deg: FloatArray) -> FloatArray:
    """Return a gap that strays 0.9 mm in all: 2.1 ± 0.45 mm, twice a revolution."""
    return 2.1 + 0.45 * np.cos(np.radians(2 * np.asarray(angle_deg)))


def turning(
    count: int, *, step_deg: float = 3.0, start_deg: float = 0.0, fps: float = 30.0, sides: int = 1
) -> Iterator[Moment]:
    image = np.full((360, 640, 3), 90, np.uint8)
    for index in range(count):
        angle_deg = (start_deg + index * step_deg) % 360
        gap_mm = float(gap_mm_at(angle_deg))
        yield Moment(
            index=index,
            time_s=index / fps,
            image=image,
            gap_mm=np.full(sides, gap_mm),
            tip_px=np.tile([340.0, 180.0], (sides, 1)),
            rim_px=np.tile([340.0 - gap_mm / 0.12, 180.0], (sides, 1)),
            angle_deg=angle_deg,
            spoke=int(np.argmin(np.abs((SPOKES_DEG - angle_deg + 180) % 360 - 180))) + 1,
        )


def showing_of(
    moment, trail, *, bench=None, foot=None, since_mm=None, since="", shift_mm=0.0, words="", **controls
):
    """Put together what a picture is drawn from."""
    return Showing(
        moment=moment,
        trail=trail,
        controls=Controls(**controls),
        bench=bench or Bench(),
        foot=foot or Foot(),
        words=words,
        since_mm=since_mm,
        since=since,
        shift_mm=shift_mm,
    )


@pytest.fixture
def showing() -> Callable[..., Showing]:
    return showing_of


@pytest.fixture
def moments() -> Callable[..., Iterator[Moment]]:
    return turning


@pytest.fixture
def spokes_deg() -> FloatArray:
    """Return the angles of the 32 spokes."""
    return SPOKES_DEG
