"""What the window compares the gap with: the signs of gap and rim, and the spoke's own place."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from rimgauge.bench import to_compare
from rimgauge.live.trail import CELLS
from rimgauge.records import Edge
from rimgauge.wheel import complete_wheel, influence
from tests.laws.simulated import simulated_pass, wave
from tests.seen import lateral_view

BOX = (0, 0, 10, 10)


def view(direction, side):
    edge = Edge(side=side, pointer_box=BOX, rim_box=BOX)
    return lateral_view(direction=direction, image_size=(100, 100), edges=(edge,))


@pytest.mark.parametrize(
    ("direction", "side", "toward"),
    [("lateral", "left", 1), ("lateral", "right", -1), ("radial", "outer", -1)],
)
def test_a_turn_moves_the_gap_as_the_rim_moves_to_or_from_the_pointer(direction, side, toward):
    wheel = complete_wheel({"spokes": 32, "first_spoke_deg": 3.0})
    answer = influence(wheel)
    moved = answer.lateral_mm if direction == "lateral" else answer.radial_mm
    steps = to_compare(view(direction, side), wheel, [(7, 0.25), (8, -0.125)], None).steps
    assert [(step.spoke, step.flange, step.turns) for step in steps] == [
        (7, "right", 0.25),
        (8, "left", -0.125),
    ]
    expected = [toward * 0.25 * moved[6, 6], toward * -0.125 * moved[7, 7]]
    assert_allclose([step.planned_mm for step in steps], expected, rtol=1e-12, atol=0)


@pytest.mark.parametrize(("side", "toward"), [("left", 1), ("right", -1)])
def test_the_gap_before_is_the_mean_gap_and_the_runout_toward_or_from_the_pointer(side, toward):
    before = simulated_pass(wave(2, 0.3), gaps_mm=((side, 2.0),))
    wheel = complete_wheel({"spokes": 32})
    drawn = to_compare(view("lateral", side), wheel, [], before).before_mm
    around = 2.0 * np.pi * (np.arange(CELLS) + 0.5) / CELLS
    assert_allclose(drawn, 2.0 + toward * 0.3 * np.cos(2 * around), rtol=0, atol=0.02)
    assert to_compare(view("lateral", side), wheel, [], None).before_mm is None
