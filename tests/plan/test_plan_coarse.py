"""Readings in coarse steps, as from a ruler, are not planned as if they were exact."""

from dataclasses import replace

import numpy as np
import pytest
from wheels import as_done, out_of_true

from rimgauge.plan import Known, Wishes, make_plan
from rimgauge.plan.choosing import LEFT_UNSEEN
from rimgauge.plan.stating import state_problem
from rimgauge.records import Readings
from tests.benchmarks.coarse import in_steps

HALF_MM = 0.5


@pytest.fixture(scope="module")
def ruler(wheel):
    """Return what was read with a ruler, and what the wheel is like."""
    true = out_of_true(wheel, 3, lateral_mm=2.5)
    return in_steps(true, HALF_MM), true


@pytest.mark.parametrize(
    ("written", "step_mm"),
    [
        ([0.0, 0.5, -1.5, 2.0], 0.5),
        ([0.3, 0.8, -0.2, 1.3], 0.5),  # counted from a middle that is no whole step
        ([3.0, 1.0, 0.0, 0.0], 1.0),
        ([0.25, 0.5, np.nan, 0.0], 0.25),
        ([0.1, 0.5, 0.0, 1.0], 0.0),
        ([0.2, 0.4, 0.0, 1.0], 0.0),
        ([0.75, 0.31, 0.5, 0.25], 0.0),
    ],
)
def test_a_coarse_step_is_told_from_the_readings(written, step_mm):
    lateral = np.array(written)
    readings = Readings(lateral_mm=lateral, radial_mm=lateral * np.nan, tension_n=lateral * np.nan)
    assert readings.steps_mm[0] == step_mm
    alike = replace(readings, radial_mm=np.zeros(4))
    assert alike.steps_mm == (step_mm, step_mm), "readings that are all alike are from the same indicator"


def test_the_rim_behind_coarse_readings_is_nearer_to_the_truth_than_they_are(wheel, answer, ruler):
    readings, true = ruler
    line = state_problem(readings, wheel, answer, Wishes()).lateral
    centred = true.lateral_mm - true.lateral_mm.mean()
    read = readings.lateral_mm - readings.lateral_mm.mean()
    assert np.std(line.start_mm - line.start_mm.mean() - centred) < 0.6 * np.std(read - centred)


def test_no_runout_below_what_the_readings_hide_is_promised(wheel, answer, ruler):
    readings, true = ruler
    plan, exact = (make_plan(each, wheel, answer) for each in (readings, true))
    assert plan.corrections
    assert plan.predicted.lateral_mm > 0.6 * HALF_MM > exact.predicted.lateral_mm
    (said,) = (note for note in plan.notes if "as from a ruler" in note)
    assert "lateral runout in steps of 0.5 mm and radial runout in steps of 0.5 mm" in said
    assert "about 0.3 mm of lateral runout" in said
    assert plan.readings is readings, "what was read is kept as it was read"
    assert not any("as from a ruler" in note for note in exact.notes)


def test_a_tolerance_that_a_ruler_cannot_tell_ends_in_no_turns_and_says_so(wheel, answer):
    """What is seen is mended; where next to nothing is seen any more, what is hidden is no reason to turn."""
    strict = replace(wheel, tolerance=replace(wheel.tolerance, lateral_mm=0.2))
    readings = in_steps(out_of_true(wheel, 3, lateral_mm=1.5), HALF_MM)
    assert make_plan(readings, strict, answer).corrections
    one = np.where(np.arange(36) == 4, HALF_MM, 0.0)
    plan = make_plan(replace(readings, lateral_mm=np.zeros(36), radial_mm=one), strict, answer)
    assert (plan.refused, plan.corrections) == (None, ())
    assert plan.before.lateral_mm > 0.2
    assert plan.notes[-1] == LEFT_UNSEEN


def test_readings_that_have_all_become_alike_are_as_coarse_as_those_of_the_round_before(wheel, answer, ruler):
    readings, _ = ruler
    done = as_done(make_plan(readings, wheel, answer), readings)
    alike = replace(readings, lateral_mm=np.zeros(36), radial_mm=np.zeros(36))
    assert make_plan(alike, wheel, answer).before.lateral_mm == 0.0, "nothing tells the step"
    plan = make_plan(alike, wheel, answer, earlier=(done,))
    assert plan.before.lateral_mm > 0.6 * HALF_MM
    assert any("As far as such readings tell" in note for note in plan.notes)


def test_fine_readings_are_planned_as_before(wheel, answer):
    """In steps of a tenth nothing is smoothed: what is read stands."""
    readings = in_steps(out_of_true(wheel, 3, lateral_mm=2.0), 0.1)
    line = state_problem(readings, wheel, answer, Wishes()).lateral
    np.testing.assert_allclose(
        line.start_mm, readings.lateral_mm - readings.lateral_mm.mean(), rtol=0, atol=1e-12
    )
    assert line.hidden_mm == 0.0


@pytest.mark.parametrize("alike_mm", [0.0, 3.0])
def test_readings_that_are_all_one_number_are_doubted_before_a_wheel_is_called_true(wheel, answer, alike_mm):
    alike, unread = np.full(36, alike_mm), np.full(36, np.nan)
    stuck = Readings(lateral_mm=alike, radial_mm=alike, tension_n=unread)
    notes = make_plan(stuck, wheel, answer).notes
    assert notes[0].startswith(
        f"Every lateral reading is {alike_mm:g} mm and every radial reading is {alike_mm:g} mm"
    )
    assert any(note.startswith("As far as such readings tell") for note in notes)
    half = replace(out_of_true(wheel, 1, lateral_mm=2.0), radial_mm=alike)
    assert make_plan(half, wheel, answer).notes[0].startswith(f"Every radial reading is {alike_mm:g} mm")


def test_a_doubt_of_the_readings_is_told_too_where_a_direction_was_not_measured_again(wheel, answer):
    """Every lateral reading is one number, as of a gauge that is stuck, and radial runout was out before the last round."""
    stuck, unread = np.full(36, 0.3), np.full(36, np.nan)
    readings = Readings(lateral_mm=stuck, radial_mm=unread, tension_n=unread)
    notes = " ".join(make_plan(readings, wheel, answer, known=Known(unseen=frozenset({"radial"}))).notes)
    assert "is the gauge stuck" in notes
    assert "radial runout was out of its tolerance" in notes
