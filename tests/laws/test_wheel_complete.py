"""What is left out is filled in and named; what makes no sense is refused with the field's name."""

import math
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from rimgauge.errors import BadInput
from rimgauge.wheel import READY_MADE, complete_wheel
from rimgauge.wheel.geometry import lateral_sines, spoke_lines


def test_spokes_alone_are_enough() -> None:
    wheel = complete_wheel({"spokes": 36})
    assert wheel.kind == next(iter(READY_MADE))
    assert wheel.crossings == 3
    assert wheel.flanges[:3] == ("right", "left", "right")
    assert_allclose(wheel.spoke_angles_deg, 5 + 10 * np.arange(36), rtol=0, atol=1e-12)
    for field in (
        "kind",
        "crossings",
        "first_spoke_side",
        "first_spoke_deg",
        "rim.torsion_n_m2",
        "tension.limit_n",
    ):
        assert field in wheel.assumed


def test_what_is_given_is_kept_and_not_called_assumed() -> None:
    wheel = complete_wheel(
        {
            "name": "front, touring",
            "spokes": 32,
            "crossings": 2,
            "first_spoke_side": "left",
            "first_spoke_deg": 1.5,
            "kind": "light alloy",
            "rim": {"torsion_n_m2": 17.0},
            "tension": {"right_n": 700, "left_n": 710.0, "limit_n": 900.0},
        }
    )
    assert (wheel.name, wheel.kind, wheel.crossings) == ("front, touring", "light alloy", 2)
    assert wheel.flanges[0] == "left"
    assert wheel.spoke_angles_deg[0] == 1.5
    assert wheel.rim.torsion_n_m2 == 17.0
    assert (wheel.tension.right_n, wheel.tension.left_n, wheel.tension.limit_n) == (700, 710, 900)
    assert {"rim.axial_n", "hub.left_flange_offset_mm", "tolerance.dish_mm"} <= set(wheel.assumed)
    assert not {"rim.torsion_n_m2", "kind", "tension.right_n"} & set(wheel.assumed)


@pytest.mark.parametrize("given", [{}, {"right_n": 900.0}, {"left_n": 450.0}])
def test_tensions_of_a_dished_wheel_balance_sideways(given: dict[str, float]) -> None:
    wheel = complete_wheel({"spokes": 32, "kind": "box-section alloy, dished rear", "tension": given})
    right, left = lateral_sines(spoke_lines(wheel), wheel)
    assert_allclose(wheel.tension.right_n * right, wheel.tension.left_n * left, rtol=1e-12, atol=0)
    assert wheel.tension.right_n > wheel.tension.left_n
    for side, value in given.items():
        assert getattr(wheel.tension, side) == value


@pytest.mark.parametrize("kind", READY_MADE)
def test_every_class_stays_under_its_limit(kind: str) -> None:
    tension = complete_wheel({"spokes": 28, "kind": kind}).tension
    assert max(tension.right_n, tension.left_n) < tension.limit_n


@pytest.mark.parametrize("kind", READY_MADE)
@pytest.mark.parametrize("limit_n", [500.0, 1500.0])
def test_an_assumed_tension_stays_under_a_limit_that_is_given(kind: str, limit_n: float) -> None:
    usual = complete_wheel({"spokes": 28, "kind": kind}).tension
    tension = complete_wheel({"spokes": 28, "kind": kind, "tension": {"limit_n": limit_n}}).tension
    assert max(tension.right_n, tension.left_n) < 0.95 * limit_n
    assert tension.right_n <= usual.right_n


def test_there_are_at_least_six_classes() -> None:
    assert len(READY_MADE) >= 6


@pytest.mark.parametrize(
    ("spokes", "crossings"), [(36, 3), (28, 3), (24, 2), (20, 2), (16, 1), (18, 0), (4, 0)]
)
def test_crossings_left_out_are_what_the_flange_has_room_for(spokes: int, crossings: int) -> None:
    assert complete_wheel({"spokes": spokes}).crossings == crossings


def test_two_right_spokes_for_each_left_one() -> None:
    wheel = complete_wheel({"spokes": 24, "side_pattern": "RRL", "kind": "box-section alloy, dished rear"})
    assert wheel.flanges == ("right", "right", "left") * 8
    assert wheel.crossings == 1  # eight left spokes leave room for no more
    assert "first_spoke_side" not in wheel.assumed
    run = spoke_lines(wheel).toward_hub[:, 0]
    means = np.where(np.array(wheel.flanges) == "right", wheel.tension.right_n, wheel.tension.left_n)
    assert_allclose(means @ run, 0.0, rtol=0, atol=1e-9)  # statics: the rim is not pulled sideways
    assert wheel.tension.left_n > wheel.tension.right_n  # half as many hold against a gentler slant


def test_a_spoke_is_as_long_as_builders_reckon() -> None:
    # L² = R² + r² + w² − 2Rr·cos(720°·crossings/spokes), common practice.
    lines = spoke_lines(complete_wheel({"spokes": 36, "crossings": 3}))
    expected = math.sqrt(301**2 + 22.5**2 + 36**2 - 2 * 301 * 22.5 * math.cos(math.radians(60)))
    assert_allclose(lines.length_mm, expected, rtol=1e-12, atol=0)


@pytest.mark.parametrize(
    ("build", "field"),
    [
        ({}, "spokes"),
        ({"spokes": 0}, "spokes"),
        ({"spokes": 62}, "spokes"),
        ({"spokes": 21}, "spokes"),
        ({"spokes": 36, "kind": "wooden"}, "box-section alloy"),
        ({"spokes": 36, "first_spoke_side": "top"}, "first_spoke_side"),
        ({"spokes": 36, "side_pattern": ""}, "side_pattern"),
        ({"spokes": 36, "side_pattern": "RR"}, "side_pattern"),
        ({"spokes": 36, "side_pattern": "RLX\n"}, "side_pattern"),
        ({"spokes": 32, "side_pattern": "RRL"}, "side_pattern"),
        ({"spokes": 24, "side_pattern": "RRL", "first_spoke_side": "left"}, "side_pattern"),
        ({"spokes": 24, "side_pattern": "RRL", "crossings": 3}, "at most 2"),
        ({"spokes": 36, "first_spoke_deg": 10.0}, "first_spoke_deg"),
        ({"spokes": 36, "first_spoke_deg": math.nan}, "first_spoke_deg"),
        ({"spokes": 36, "crossings": -1}, "crossings"),
        ({"spokes": 36, "crossings": 5}, "at most 4"),
        ({"spokes": 18, "crossings": 2}, "crossings"),
        ({"spokes": 4, "spoke_angles_deg": [0.0, 90.0, 80.0, 270.0]}, "spoke_angles_deg"),
        ({"spokes": 4, "spoke_angles_deg": [0.0, 90.0, 180.0, 360.0]}, "spoke_angles_deg"),
        ({"spokes": 4, "spoke_angles_deg": [0.0, 90.0, 180.0]}, "spoke_angles_deg"),
        ({"spokes": 4, "spoke_angles_deg": [0.0, 90.0, math.nan, 200.0]}, "spoke_angles_deg"),
        (
            {"spokes": 4, "spoke_angles_deg": [0.0, 90.0, 180.0, 270.0], "first_spoke_deg": 9.0},
            "first_spoke_deg",
        ),
        ({"spokes": 36, "rim": {"torsion_n_m2": -25.0}}, "rim.torsion_n_m2"),
        ({"spokes": 36, "rim": {"effective_diameter_mm": 0.602}}, "rim.effective_diameter_mm"),
        ({"spokes": 36, "rim": {"axial_n": math.inf}}, "rim.axial_n"),
        ({"spokes": 36, "hub": {"left_flange_offset_mm": -36.0}}, "hub.left_flange_offset_mm"),
        ({"spokes": 36, "spoke": {"turn_mm": math.nan}}, "spoke.turn_mm"),
        ({"spokes": 36, "tension": {"limit_n": 0.0}}, "tension.limit_n"),
        ({"spokes": 36, "tension": {"right_n": -1.0}}, "tension.right_n"),
        ({"spokes": 36, "tension": {"limit_n": 130.0}}, "tension.limit_n = 130 makes no sense"),
        ({"spokes": 36, "tension": {"right_n": 102.0}}, "in kilograms-force, write 1000"),
        (
            {"spokes": 36, "tension": {"limit_n": 3000.0}},
            "tension.limit_n = 3000 is more than the spokes bear",
        ),
        ({"spokes": 36, "tolerance": {"lateral_mm": 0.0}}, "tolerance.lateral_mm"),
    ],
)
def test_nonsense_is_refused_by_name(build: dict[str, Any], field: str) -> None:
    with pytest.raises(BadInput) as trouble:
        complete_wheel(build)
    assert field in str(trouble.value)
    assert "\n" not in str(trouble.value)


def test_thick_spokes_bear_more_and_thin_ones_as_much_as_their_ends() -> None:
    """By section: 780 N/mm² of 2 mm and of 2.6 mm are 2450 and 4141 N."""
    thick = {"right_diameter_mm": 2.6, "left_diameter_mm": 2.6}
    assert (
        complete_wheel({"spokes": 36, "spoke": thick, "tension": {"limit_n": 4100.0}}).tension.limit_n
        == 4100.0
    )
    thin = {"right_diameter_mm": 1.5, "left_diameter_mm": 1.5}
    assert (
        complete_wheel({"spokes": 36, "spoke": thin, "tension": {"limit_n": 2400.0}}).tension.limit_n
        == 2400.0
    )
    with pytest.raises(BadInput, match="may break from about 2450 N on"):
        complete_wheel({"spokes": 36, "spoke": thin, "tension": {"limit_n": 2500.0}})
