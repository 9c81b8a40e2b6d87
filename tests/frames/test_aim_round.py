"""A pointer's round end is found by its outline, where a shade's border is met first; in looks drawn by hand."""

import numpy as np
import pytest
from scipy.special import ndtr

from rimgauge.capture.aim_round import round_end

U, V = np.meshgrid(np.arange(160.0), np.arange(120.0))
TIP_PX, ROW_PX, BLUR_PX = 100.0, 60.0, 1.2
NEAR_PX, LAST_U = 2.0, 140.0


def outline(half_px, length, tip_px=TIP_PX):
    """Share of each pixel that lies in a bar whose end is half an ellipse."""
    past = np.maximum(U - (tip_px - length * half_px), 0.0) / length
    return ndtr((half_px - np.hypot(past, V - ROW_PX)) / BLUR_PX)


def before(u):
    return ndtr((u - U) / BLUR_PX)


def look(wall, *things):
    """A wall, or its brightness at each place, and things (share of pixels, grey level) before it."""
    grey = np.broadcast_to(wall, U.shape)
    for share, level in things:
        grey = grey * (1.0 - share) + level * share
    return (grey + np.random.default_rng(11).normal(0.0, 0.4, U.shape)).astype(np.float32)


@pytest.mark.parametrize("half_px", [13.0, 17.0, 22.0])
@pytest.mark.parametrize("length", [0.7, 1.0])
@pytest.mark.parametrize("wall", [70.0, 185.0, np.where(V < ROW_PX + 3.0, 185.0, 60.0)])
def test_the_outline_is_followed_past_the_shade(half_px, length, wall):
    begins_px = TIP_PX - 0.8 * length * half_px
    whole = outline(half_px, length)
    seen = look(wall, (whole, 120.0), (whole * before(begins_px), 230.0))
    place = round_end(seen, (begins_px, ROW_PX - 3.0), 1.2 * half_px, LAST_U)
    assert place == pytest.approx((TIP_PX, ROW_PX), abs=NEAR_PX)


def test_the_foremost_of_two_round_borders_counts():
    whole = outline(16.0, 1.0)
    seen = look(70.0, (whole, 150.0), (outline(13.0, 1.0, TIP_PX - 6.0), 215.0))
    place = round_end(seen, (TIP_PX - 12.0, ROW_PX), 15.0, LAST_U)
    assert place == pytest.approx((TIP_PX, ROW_PX), abs=NEAR_PX)


@pytest.mark.parametrize(
    "behind",
    [
        look(70.0),
        look(70.0 + 110.0 * (np.sin(V / 3.0) > 0.0)),
        look(70.0 + 110.0 * (np.sin(U / 4.0) > 0.0)),
        look(70.0, (ndtr(14.0 - np.hypot(U - 125.0, V - ROW_PX)), 200.0)),
        look(70.0, (ndtr(U - 108.0) * ndtr(20.0 - np.abs(V - ROW_PX)), 200.0)),
    ],
    ids=["nothing", "stripes along", "stripes across", "a disc", "a square hub"],
)
def test_what_lies_behind_a_tip_is_no_round_end_of_it(behind):
    share = outline(14.0, 0.7)
    assert (
        round_end((behind * (1.0 - share) + 20.0 * share).astype(np.float32), (TIP_PX, ROW_PX), 14.0, LAST_U)
        is None
    )


def test_the_flat_end_of_a_bolt_that_stands_before_a_wall_is_none():
    bolt = before(TIP_PX) * ndtr((14.0 - np.abs(V - ROW_PX)) / BLUR_PX)
    seen = look(185.0, (bolt, 120.0), (bolt * before(TIP_PX - 8.0), 230.0))
    assert round_end(seen, (TIP_PX - 8.0, ROW_PX), 14.0, LAST_U) is None
