"""When the plan stops, and what it says then."""

from dataclasses import replace

import numpy as np
import pytest
from wheels import out_of_true

from rimgauge.plan import make_plan
from rimgauge.records import Tension


def _refused(readings, wheel, answer) -> str:
    plan = make_plan(readings, wheel, answer)
    assert plan.refused is not None
    assert plan.corrections == ()
    assert plan.predicted.lateral_mm == plan.before.lateral_mm
    assert plan.cautions
    return plan.refused


def test_no_readings(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=1.0)
    unread = np.full(36, np.nan)
    assert "no runout readings" in _refused(
        replace(readings, lateral_mm=unread, radial_mm=unread), wheel, answer
    )


def test_a_stretch_without_readings(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=1.0)
    holes = readings.lateral_mm.copy()
    holes[[35, 0, 1]] = np.nan
    assert "3 spokes in a row" in _refused(replace(readings, lateral_mm=holes), wheel, answer)


def test_single_missing_readings_are_bridged(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=1.5)
    holes = readings.lateral_mm.copy()
    holes[[3, 17]] = np.nan
    plan = make_plan(replace(readings, lateral_mm=holes), wheel, answer)
    assert plan.refused is None
    assert plan.corrections


def test_mean_tension_over_the_limit(wheel, answer):
    tight = replace(wheel, tension=Tension(right_n=1000.0, left_n=1000.0, limit_n=950.0))
    assert "over the limit of 950 N" in _refused(out_of_true(wheel, 0, lateral_mm=1.0), tight, answer)


def test_a_slack_spoke(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=1.0)
    tension = readings.tension_n.copy()
    tension[6] = 80.0
    assert "spoke 7 on the right side is slack or broken" in _refused(
        replace(readings, tension_n=tension), wheel, answer
    )


@pytest.mark.parametrize("direction", ["lateral", "radial"])
def test_runout_that_is_damage(wheel, answer, direction):
    readings = out_of_true(wheel, 0, lateral_mm=1.0)
    name = f"{direction}_mm"
    far = np.cos(np.radians(wheel.spoke_angles_deg) * 2) * 5.0
    assert "beyond what nipples can mend" in _refused(replace(readings, **{name: far}), wheel, answer)


def test_a_bend_too_sharp_for_nipples(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=1.0, tension=False, radial=False)
    kink = np.zeros(36)
    kink[[9, 10]] = 3.0, -3.0
    assert "rim itself seems bent" in _refused(replace(readings, lateral_mm=kink), wheel, answer)


def test_a_tension_limit_that_leaves_no_room(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=1.5)
    full = replace(wheel, tension=Tension(right_n=1000.0, left_n=1000.0, limit_n=1000.0))
    even = replace(readings, tension_n=np.full(36, 1000.0))
    assert "tension limit is in the way" in _refused(even, full, answer)


def test_true_enough_is_left_alone(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=0.3)
    plan = make_plan(replace(readings, radial_mm=readings.radial_mm * 0.1), wheel, answer)
    assert plan.refused is None
    assert plan.corrections == ()
    assert any("true enough" in note for note in plan.notes)


def test_a_tilted_rim_points_to_the_axle(wheel, answer):
    tilt = np.cos(np.radians(wheel.spoke_angles_deg) - 1.0)
    readings = replace(out_of_true(wheel, 0, lateral_mm=1.0), lateral_mm=tilt)
    assert any("axle" in note for note in make_plan(readings, wheel, answer).notes)


def test_a_spoke_that_lost_its_tension_is_named(wheel, answer):
    lost = -0.9 * 1000.0 / answer.tension_n[20, 20]
    readings = replace(
        out_of_true(wheel, 0, lateral_mm=1.0, tension=False, radial=False),
        lateral_mm=answer.lateral_mm[:, 20] * lost,
    )
    assert any("spoke 21 (right side)" in note for note in make_plan(readings, wheel, answer).notes)


def test_assumed_tension_is_said(wheel, answer):
    with_tension = make_plan(out_of_true(wheel, 0, lateral_mm=1.0), wheel, answer)
    without = make_plan(out_of_true(wheel, 0, lateral_mm=1.0, tension=False), wheel, answer)
    assert any("was not read but assumed" in caution for caution in without.cautions)
    assert not any("was not read but assumed" in caution for caution in with_tension.cautions)


def test_cautions_name_the_maker_a_mechanic_and_the_eyes(wheel, answer):
    text = " ".join(make_plan(out_of_true(wheel, 0, lateral_mm=1.0), wheel, answer).cautions)
    for word in ("maker", "mechanic", "eye protection", "crack", "seized", "Before riding"):
        assert word in text
