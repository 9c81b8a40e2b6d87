"""Where a pointer ends in the mean look of its box, beside other things that end nearer to the rim."""

import numpy as np
import pytest
from scipy.special import ndtr

from rimgauge.capture import pointer
from rimgauge.capture.pointer import find_tip, learn_pointer
from rimgauge.capture.shift import MARGIN_PX

U, V = np.meshgrid(np.arange(48.0), np.arange(54.0))
TIP_PX, ROW_PX, NOISE = 38.0, 27.0, 0.5
NEAR_PX, ASIDE_PX = 1.0, 3.0


def box(low_u, high_u, low_v, high_v):
    """Share of each pixel that lies in a box, a little blurred."""
    return (ndtr(U - low_u) - ndtr(U - high_u)) * (ndtr(V - low_v) - ndtr(V - high_v))


def round_ended(half_px):
    """Share of each pixel that lies in a bar with a round end."""
    past_u = np.maximum(U - (TIP_PX - half_px), 0.0)
    return ndtr(half_px - np.hypot(past_u, V - ROW_PX))


def look(wall, *things):
    """A mean look: things (share of pixels, grey level) before a wall."""
    grey = np.full(U.shape, wall)
    for share, level in things:
        grey = grey * (1.0 - share) + level * share
    return grey + np.random.default_rng(5).normal(0.0, NOISE, U.shape)


PALE_HUB = look(35.0, (box(44.0, 99.0, 2.0, 52.0), 130.0), (round_ended(16.0), 220.0))
LINES = look(
    130.0,
    *((box(u, u + 1.5, -9.0, 99.0), level) for u, level in ((41.0, 175.0), (44.5, 90.0))),
    (round_ended(5.0), 30.0),
)
BAND = look(35.0, (box(41.0, 45.5, -9.0, 99.0), 150.0), (round_ended(13.0), 225.0))


@pytest.mark.parametrize(
    "seen", [PALE_HUB, LINES, BAND], ids=["a hub", "lines of the rim", "spokes that pass"]
)
def test_what_stands_nearer_to_the_rim_is_no_tip(seen, monkeypatch):
    assert find_tip(seen, NOISE, "the box") == (
        pytest.approx(TIP_PX, abs=NEAR_PX),
        pytest.approx(ROW_PX, abs=ASIDE_PX),
    )
    monkeypatch.setattr(pointer, "_body", lambda *_: None)
    assert find_tip(seen, NOISE, "the box")[0] > TIP_PX + 3.0


def test_a_line_printed_on_a_pointer_wider_than_its_box_isnt_where_it_ends():
    seen = look(130.0, (box(-9.0, TIP_PX, -9.0, 99.0), 220.0), (box(-9.0, 25.0, 22.0, 32.0), 190.0))
    assert find_tip(seen, NOISE, "the box")[0] == pytest.approx(TIP_PX, abs=NEAR_PX)


@pytest.mark.parametrize("half_px", [4.0, 9.0, 20.0])
@pytest.mark.parametrize("wall", [35.0, 150.0])
def test_a_round_end_is_found_where_nothing_else_stands(half_px, wall):
    tip = find_tip(look(wall, (round_ended(half_px), 220.0)), NOISE, "the box")
    assert tip == (pytest.approx(TIP_PX, abs=NEAR_PX), pytest.approx(ROW_PX, abs=ASIDE_PX))


def shown(first_px, *things):
    """Ten frames' patches of a box that begins at first_px, with the margin that a look wants."""
    rng = np.random.default_rng(6)
    grey = look(*things)[:, first_px - MARGIN_PX :]
    noisy = grey + rng.normal(0.0, 2.0, (10, *grey.shape))
    return noisy[:, :, : 28 + 2 * MARGIN_PX].astype(np.float32)


@pytest.mark.parametrize("outside_px", [-4, 1, 2])
def test_a_tip_that_lies_just_outside_its_box_is_read_where_it_is(outside_px, monkeypatch):
    patches = shown(first := 11 - outside_px, 150.0, (round_ended(9.0), 40.0))
    tip_px = TIP_PX - first
    assert (tip_px > 27.0) == (outside_px > 0)
    assert learn_pointer(patches, "the box").tip_u == pytest.approx(tip_px, abs=NEAR_PX)
    monkeypatch.setattr(pointer, "_tip_beyond", lambda *_: None)
    monkeypatch.setattr(pointer, "_end_beyond", lambda *_: None)
    assert (learn_pointer(patches, "the box").tip_u < tip_px - 1.5) == (outside_px > 0)


def test_a_stripe_of_the_wall_that_goes_on_past_the_tip_is_no_part_of_it():
    stripe = (box(-9.0, 99.0, 2.0, 12.0), 90.0)
    patches = shown(15, 150.0, stripe, (round_ended(9.0), 40.0))
    assert learn_pointer(patches, "the box").tip_u == pytest.approx(TIP_PX - 15.0, abs=NEAR_PX)


def corner():
    """Share of each pixel that lies in the right-angled corner of a card."""
    return ndtr((TIP_PX - U - np.abs(V - ROW_PX)) / np.sqrt(2.0))


@pytest.mark.parametrize("outside_px", [2, 3])
@pytest.mark.parametrize(
    "end", [round_ended(13.0), corner(), box(-9.0, TIP_PX, 15.0, 39.0)], ids=["round", "a corner", "flat"]
)
def test_an_end_that_lies_farther_outside_its_box_is_read_nearly_where_it_is(end, outside_px, monkeypatch):
    first = 11 - outside_px
    patches, tip_px = shown(first, 150.0, (end, 40.0)), TIP_PX - first
    # Blur takes a corner's point off.
    assert learn_pointer(patches, "the box").tip_u == pytest.approx(tip_px, abs=2.0 * NEAR_PX)
    monkeypatch.setattr(pointer, "_tip_beyond", lambda *_: None)
    assert learn_pointer(patches, "the box").tip_u == pytest.approx(tip_px, abs=2.0 * NEAR_PX)


@pytest.mark.parametrize(
    ("rows", "grey"), [((-9.0, 99.0), 110.0), ((21.0, 33.0), 40.0)], ids=["a line", "a spot right ahead"]
)
def test_what_stands_beyond_the_box_is_no_end_of_a_pointer_that_ends_in_it(rows, grey):
    first = 13
    patches = shown(first, 150.0, (box(first + 28.0, first + 30.5, *rows), 20.0), (round_ended(9.0), grey))
    assert learn_pointer(patches, "the box").tip_u == pytest.approx(TIP_PX - first, abs=NEAR_PX)
