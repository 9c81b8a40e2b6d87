"""What a plan may be made on: the wheel as it is now, not as it was before the turns."""

from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner
from plan_bench import COMMON, a_pass, run_plan, write_readings
from wheels import out_of_true, turns_of

from rimgauge.cli.plan import command
from rimgauge.correcting import correct
from rimgauge.errors import BadInput
from rimgauge.job import keep_pass, plans, read_plan, verify_job, write_pass


@pytest.fixture
def planned_job(bench, wheel, job):
    """Return a job, its folder the current one, in which a round was planned on lateral runout, and the wheel as it was."""
    before = out_of_true(wheel, 1, lateral_mm=2.0)
    keep_pass(job, a_pass("lateral", before.lateral_mm, wheel))
    run_plan()
    return job, before


def test_turns_are_not_planned_twice_on_lateral_runout_from_before_them(wheel, job):
    before = out_of_true(wheel, 1, lateral_mm=2.0)
    keep_pass(job, a_pass("lateral", before.lateral_mm, wheel))
    keep_pass(job, a_pass("radial", before.radial_mm, wheel))
    run_plan()
    keep_pass(job, a_pass("radial", 0.3 * before.radial_mm, wheel))
    said = r"pass-01\.json is from before the corrections of round 1.*if nothing was turned since, add --done none\)"
    with pytest.raises(BadInput, match=said):
        run_plan()
    run_plan("--done", "none")
    anew = read_plan(job.folder / "plan-02.json")
    assert anew.round == 1
    assert anew.readings.radial_mm.tolist() == (0.3 * before.radial_mm).tolist()
    keep_pass(job, a_pass("lateral", 0.3 * before.lateral_mm, wheel))
    run_plan()
    assert read_plan(job.folder / "plan-03.json").round == 2


def test_a_direction_measured_after_a_plan_that_was_let_be_keeps_what_was_learnt(wheel, answer, planned_job):
    """Round 1 done, round 2 planned on lateral runout and left; then radial is measured too: round 1 still counts."""
    job, before = planned_job
    turned = turns_of(read_plan(job.folder / "plan-01.json"), 36)
    after_mm = before.lateral_mm + 0.8 * answer.lateral_mm @ turned
    keep_pass(job, a_pass("lateral", after_mm, wheel))
    run_plan()
    keep_pass(job, a_pass("radial", before.radial_mm, wheel))
    run_plan("--done", "none")
    both = read_plan(job.folder / "plan-03.json")
    assert both.round == 2
    assert [done.turns.tolist() for done in both.earlier] == [turned.tolist()]
    assert both.before.radial_mm is not None


def test_a_measurement_from_before_the_turns_is_not_planned_on_in_its_job(bench, wheel, planned_job):
    """Else the next plan would learn from its readings as if they were of after the turns."""
    job, before = planned_job
    keep_pass(job, a_pass("lateral", 0.3 * before.lateral_mm, wheel))
    with pytest.raises(
        BadInput, match=r"pass-01\.json is from before .* and pass-02\.json was measured since"
    ):
        run_plan("--lateral", "pass-01.json")
    run_plan("--lateral", "pass-02.json")
    assert read_plan(job.folder / "plan-02.json").round == 2, "named, the newest is learnt from as well"
    write_pass(bench / "other.json", a_pass("lateral", before.lateral_mm, wheel))
    with pytest.raises(BadInput, match=r"other\.json is no measurement of this job"):
        run_plan("--lateral", str(bench / "other.json"))
    look_back = ("--wheel", "wheel.toml", "--lateral", "pass-01.json", "--out", str(bench / "look.json"))
    run_plan(*look_back)


def test_readings_from_before_the_turns_are_not_planned_on_in_their_job(wheel, job):
    before = out_of_true(wheel, 1, lateral_mm=2.0)
    for number, size in enumerate((1.0, 0.5), start=1):
        read = replace(before, lateral_mm=size * before.lateral_mm)
        write_readings(job.folder / f"readings-0{number}.csv", read)
        run_plan()
    with pytest.raises(
        BadInput, match=r"readings-01\.csv is from before turns that the plan of round 2 counts as done"
    ):
        run_plan("--readings", "readings-01.csv")


def test_readings_that_may_be_newer_than_the_measurement_are_asked_about(planned_job):
    """A measurement counts before readings; once it was planned on, readings beside it may be of after the turns."""
    job, before = planned_job
    write_readings(job.folder / "readings-01.csv", replace(before, lateral_mm=0.4 * before.lateral_mm))
    with pytest.raises(BadInput, match=r"--readings readings-01\.csv or --lateral pass-01\.json"):
        run_plan()
    run_plan("--readings", "readings-01.csv")
    assert read_plan(job.folder / "plan-02.json").round == 2
    for older in ((), ("--lateral", "pass-01.json")):
        with pytest.raises(
            BadInput, match=r"pass-01\.json is from before turns that the plan of round 2 counts"
        ):
            run_plan(*older)


def test_a_plan_named_with_other_readings_than_its_own_is_refused(bench, wheel):
    run_plan(*COMMON)
    before = out_of_true(wheel, 1, lateral_mm=2.0)
    for name, size in (("other.csv", 0.7), ("now.csv", 0.3)):
        write_readings(bench / name, replace(before, lateral_mm=size * before.lateral_mm))
    now = ("--wheel", "wheel.toml", "--readings", "now.csv", "--out", "plan-2.json")
    with pytest.raises(BadInput, match=r"plan\.json was not made on other\.csv"):
        run_plan(*now, "--previous", "plan.json", "--previous-readings", "other.csv")


@pytest.mark.parametrize("digits", [1, 2])
def test_readings_from_before_the_turns_are_known_again_with_fewer_digits(bench, wheel, job, digits):
    before = out_of_true(wheel, 1, lateral_mm=2.0)
    write_readings(job.folder / "readings-01.csv", before)
    run_plan()
    again = replace(
        before, lateral_mm=np.round(before.lateral_mm, digits), radial_mm=np.round(before.radial_mm, digits)
    )
    write_readings(job.folder / "readings-02.csv", again)
    run_plan()
    assert read_plan(job.folder / "plan-02.json").round == 1, "nothing was turned: the round is planned anew"
    look = ("--wheel", "wheel.toml", "--previous", "plan-01.json", "--previous-readings", "readings-01.csv")
    with pytest.raises(
        BadInput, match=r"readings-02\.csv holds the very readings from before the last round"
    ):
        run_plan(*look, "--readings", "readings-02.csv", "--out", str(bench / "plan.json"))


def test_readings_of_after_a_touch_are_new_however_few_digits_they_have(wheel, answer, job):
    """A last eighth of a turn moves the rim by hardly more than the last digit; with 36 spokes rounding is elsewhere then."""
    before = out_of_true(wheel, 1, lateral_mm=2.0)
    write_readings(job.folder / "readings-01.csv", before)
    run_plan()
    moved = before.lateral_mm + 0.125 * answer.lateral_mm[:, 5]
    assert np.ptp(moved - before.lateral_mm) < 0.12, "hardly more than the last digit"
    write_readings(job.folder / "readings-02.csv", replace(before, lateral_mm=np.round(moved, 1)))
    run_plan()
    assert read_plan(job.folder / "plan-02.json").round == 2


def test_a_plan_asked_for_again_with_nothing_new_is_kept_once(planned_job):
    job, _ = planned_job
    again = run_plan("--sheet", "sheet.pdf")
    assert "plan-01.json is this very plan; it is not kept twice. Wrote sheet.pdf." in again
    assert [path.name for path in plans(job)] == ["plan-01.json"]
    assert not verify_job(job.folder)
    run_plan("--seen-from", "hub")
    assert [path.name for path in plans(job)] == ["plan-01.json", "plan-02.json"]


@pytest.mark.parametrize(
    ("lateral_mm", "radial_mm", "stops"),
    [
        (0.018, None, True),
        (0.018, 0.05, True),
        (0.018, 0.8, False),
        (0.03, None, False),
        (1.0, None, False),
    ],
)
def test_a_tolerance_finer_than_the_measurement_tells_makes_no_turns(
    wheel, job, lateral_mm, radial_mm, stops
):
    """Laterally 0.015 mm are wanted, read with ± 0.02 mm: what is larger than that, or out radially, is planned all the same."""
    text = job.wheel.read_text(encoding="utf-8")
    job.wheel.write_text(text.replace("# lateral_mm = 0.5 ", "lateral_mm = 0.015 "), encoding="utf-8")
    assert "\nlateral_mm = 0.015 " in job.wheel.read_text(encoding="utf-8")
    out = out_of_true(wheel, 28001, lateral_mm=1.0)
    keep_pass(job, a_pass("lateral", lateral_mm * out.lateral_mm / np.ptp(out.lateral_mm), wheel))
    if radial_mm is not None:
        keep_pass(job, a_pass("radial", radial_mm * out.radial_mm / np.ptp(out.radial_mm), wheel))
    CliRunner().invoke(command, ["--checked", "rim", "--checked", "axle", "--checked", "spokes"])
    refused = read_plan(plans(job)[-1]).refused
    assert ("whether it is over the tolerance of 0.015 mm can't be told" in (refused or "")) == stops


@pytest.mark.parametrize("also_out", ["nothing", "dish", "radial"])
def test_a_reading_that_is_too_unsure_stops_no_plan_that_is_needed_beside_it(wheel, also_out):
    """Laterally 0.5 ± 0.6 mm is read where 0.3 mm are wanted; the rim is 3 mm off the middle, or 2 mm out radially as typed."""
    wheel = replace(wheel, tolerance=replace(wheel.tolerance, lateral_mm=0.3))
    out = out_of_true(wheel, 28001, lateral_mm=1.0)
    lateral_mm = 0.5 * out.lateral_mm / np.ptp(out.lateral_mm)
    lateral_mm -= lateral_mm.mean()
    measured = a_pass("lateral", lateral_mm, wheel)
    unsure = replace(measured, total_runout=replace(measured.total_runout, expanded_uncertainty=0.6))
    readings = replace(
        out,
        lateral_mm=lateral_mm + (3.0 if also_out == "dish" else 0.0),
        radial_mm=(2.0 if also_out == "radial" else 0.2) * out.radial_mm / np.ptp(out.radial_mm),
        centred=True,
    )
    plan = correct(readings, wheel, measured=(unsure,))
    assert ("can't be told" in (plan.refused or "")) == (also_out == "nothing")
    assert bool(plan.corrections) == (also_out != "nothing")
