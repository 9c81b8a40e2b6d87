"""Sizes of the things that a scale or a turn is taken from, as their standards print them."""

from math import sqrt

import pytest
from numpy.testing import assert_allclose

from rimgauge.signal.scale import CARD_MM, CARD_SPREAD_MM, COINS_MM
from rimgauge.wheel import complete_wheel, ready_made_names


def test_the_short_side_of_a_bank_card():
    # ISO/IEC 7810, ID-1 (read): 53.98 mm, an unused card 53.92 to 54.03; a rectangle of that width has a/√3.
    assert CARD_MM == 53.98
    assert_allclose(CARD_SPREAD_MM, (54.03 - 53.92) / 2 / sqrt(3), rtol=1e-9, atol=0)


def test_coins_have_the_diameters_that_their_mints_print():
    assert COINS_MM == {"1-euro": 23.25, "2-euro": 25.75, "50-cent": 24.25, "us-quarter": 24.26}


@pytest.mark.parametrize("kind", ready_made_names())
def test_a_turn_of_a_nipple_is_one_pitch_of_56_to_the_inch(kind):
    # Thread on 2.0 mm wire (read; reproduces DIN 79012): 25.4/56 mm, printed 0.45357.
    turn_mm = complete_wheel({"spokes": 36, "kind": kind}).spoke.turn_mm
    assert_allclose(turn_mm, 0.45357, rtol=0, atol=0.5e-4)
