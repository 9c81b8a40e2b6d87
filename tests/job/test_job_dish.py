"""A dish in a job: kept, shown, worked out again; and what `compare` and `plan` then take for straight measurements."""

import json
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from numpy.testing import assert_allclose

from rimgauge.cli import run
from rimgauge.cli.measure import _next_step
from rimgauge.cli.runout_words import check_text
from rimgauge.errors import BadFile
from rimgauge.job import (
    create_job,
    keep_pass,
    keep_plan,
    latest,
    open_job,
    read_dish,
    read_pass,
    since_corrections,
    write_dish,
)
from rimgauge.records import Verdict
from tests.laws.simulated import simulated_pass, wave
from tests.said import stopped


@pytest.fixture
def job(tmp_path, monkeypatch):
    made = create_job(tmp_path / "wheel", spokes=32)
    monkeypatch.chdir(made.folder)
    return made


def measured(job, size_mm=0.3, gap_mm=3.0, seed=0):
    return keep_pass(job, simulated_pass(wave(2, size_mm), gaps_mm=(("right", gap_mm),), seed=seed))


def turned_round(job, size_mm=0.3, gap_mm=3.0, seed=1):
    """Measure the wheel turned round: the pointer sees −cos(−2θ) of cos(2θ)."""
    return measured(job, -size_mm, gap_mm, seed)


def said(capsys, *words):
    capsys.readouterr()
    run([str(word) for word in words])
    return " ".join(capsys.readouterr().out.split())


def test_a_dish_is_kept_shown_and_worked_out_again(job, capsys):
    first, turned = measured(job, gap_mm=2.2), turned_round(job, gap_mm=3.8)
    told = said(capsys, "dish", first.name, turned.name)
    assert "Wrote dish-01.json" in told
    assert "Turn the wheel back in the stand before you measure on" in told
    kept = read_dish(job.folder / "dish-01.json")
    assert kept.measurements == ("pass-01.json", "pass-02.json")
    # The rim stands 0.8 mm to the right: half of 3.8 − 2.2.
    assert_allclose(kept.dish.offset_mm, 0.8, rtol=0, atol=0.01)
    assert "dish-01.json comes out the same" in said(capsys, "verify")
    run(["report", "--out", "page.html"])
    assert "0.80 ± " in (job.folder / "page.html").read_text(encoding="utf-8")
    assert (
        "dish-01.json"
        in json.loads(
            said(capsys, "export", ".", "--to", "../out") and (job.folder / "../out/job.json").read_text()
        )["files"]
    )


def test_a_check_tells_of_a_dish_that_keeps_the_wheel_from_being_true(job, capsys):
    """`report` called this wheel not true, while --check had nothing to say of it."""
    first, turned = measured(job, gap_mm=2.2), turned_round(job, gap_mm=3.8)
    good = replace(read_pass(first), verdict=Verdict(tolerance_mm=0.7, rule="guard band", outcome="within"))
    within = "Check passed: lateral runout is within its tolerance of 0.7 mm"
    off = "dish is out of its tolerance of 0.5 mm (pass-01.json and pass-02.json)"
    job.wheel.write_text("spokes = 32\n[tolerance]\ndish_mm = 0.5\n", encoding="utf-8")
    assert check_text(good, job) == (True, f"{within}; radial runout was not measured.")
    run(["dish", first.name, turned.name])
    assert check_text(good, job) == (True, f"{within}, BUT radial runout was not measured; {off}.")
    capsys.readouterr()
    _next_step(good, job)
    assert f"true enough, but {off}; ask which nipples to turn. rimgauge plan" in " ".join(
        capsys.readouterr().out.split()
    )
    job.wheel.write_text("spokes = 32\n[tolerance]\ndish_mm = 1.5\n", encoding="utf-8")
    run(["dish", first.name, turned.name])
    assert check_text(good, job)[1] == f"{within}; radial runout was not measured."
    kept = job.folder / "dish-02.json"
    kept.write_bytes(kept.read_bytes() + b" ")
    capsys.readouterr()
    _next_step(good, job)
    told = " ".join(capsys.readouterr().out.split())
    assert "dish-02.json: is not as it was recorded" in told
    assert told.endswith("rimgauge verify")


def test_an_offset_is_judged_by_the_wheel_files_tolerance_as_runout_is(job, capsys):
    first, turned = measured(job, gap_mm=2.2), turned_round(job, gap_mm=3.8)  # 0.8 mm to the right
    for tolerance_mm, told in ((0.5, "OUT OF"), (0.8, "UNDECIDED against"), (1.5, "WITHIN")):
        job.wheel.write_text(f"spokes = 32\n[tolerance]\ndish_mm = {tolerance_mm}\n", encoding="utf-8")
        assert f"{told} the tolerance of {tolerance_mm:g} mm." in said(
            capsys, "dish", first.name, turned.name
        )
        run(["report", "--out", "page.html"])
        judged = {"OUT OF": "out of its", "WITHIN": "within its"}.get(told, "too close to call against its")
        page = (job.folder / "page.html").read_text(encoding="utf-8")
        assert f"to the right of the middle, {judged} tolerance of {tolerance_mm:g} mm (" in page
    assert "OUT OF the tolerance of 0.2 mm" in said(
        capsys, "dish", first.name, turned.name, "--tolerance-mm", "0.2"
    )
    record = json.loads(said(capsys, "dish", first.name, turned.name, "--json"))
    assert (record["tolerance_mm"], record["outcome"]) == (1.5, "within")


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone can't be set for one test here")
def test_a_record_bears_the_time_of_the_place(job, monkeypatch):
    first, turned = measured(job, gap_mm=2.2), turned_round(job, gap_mm=3.8)
    with monkeypatch.context() as elsewhere:
        elsewhere.setenv("TZ", "<-07>7")
        time.tzset()
        run(["dish", first.name, turned.name])
    time.tzset()
    created = datetime.fromisoformat(read_dish(job.folder / "dish-01.json").created)
    assert created.utcoffset() == timedelta(hours=-7)
    assert abs(created - datetime.now(UTC)) < timedelta(minutes=5)


def test_a_dish_that_was_changed_is_found(job, capsys):
    first, turned = measured(job, gap_mm=2.2), turned_round(job, gap_mm=3.8)
    run(["dish", first.name, turned.name])
    path = job.folder / "dish-01.json"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('"value": 0.', '"value": -0.', 1), encoding="utf-8")
    with pytest.raises(SystemExit):
        run(["verify"])
    assert "dish-01.json was changed" in capsys.readouterr().out
    from rimgauge.recheck import check_dish  # noqa: PLC0415

    assert check_dish(path).differences[0].field == "dish.offset_mm.value"
    path.write_text(text.replace("pass-01.json", "../pass-01.json"), encoding="utf-8")
    with pytest.raises(BadFile, match="measurement beside it"):
        read_dish(path)


def test_two_pointers_give_a_dish_with_the_rims_width(job, capsys):
    keep_pass(job, simulated_pass(wave(2, 0.2), gaps_mm=(("right", 2.0), ("left", 3.0))))
    run(["dish", "pass-01.json", "--between-mm", "25"])
    assert_allclose(read_dish(job.folder / "dish-01.json").dish.width.value, 20.0, rtol=0, atol=0.01)
    assert "dish-01.json comes out the same" in said(capsys, "verify")


def test_a_dish_of_other_measurements_than_its_kind_needs_is_not_called_sound(job):
    from rimgauge.recheck import check_dish  # noqa: PLC0415

    run(["dish", measured(job, gap_mm=2.2).name, turned_round(job, gap_mm=3.8).name])
    path = job.folder / "dish-01.json"
    assert check_dish(path).same
    write_dish(path, replace(read_dish(path), between_mm=25.0))
    assert "names other measurements than its kind of dish needs" in check_dish(path).trouble


def test_measurements_elsewhere_leave_no_dish_in_the_job(job, tmp_path, capsys):
    other = create_job(tmp_path / "other", spokes=32)
    one, two = measured(other, gap_mm=2.2), turned_round(job, gap_mm=3.8)
    assert "Wrote" not in said(capsys, "dish", one, two)
    assert not list(job.folder.glob("dish-*"))


def test_the_turned_wheel_is_no_measurement_of_the_wheel_as_it_stands(job, capsys):
    first, turned = measured(job), turned_round(job, size_mm=0.31, gap_mm=3.4)
    run(["dish", first.name, turned.name])
    assert latest(job, "lateral") == first
    after = measured(job, size_mm=0.1, seed=2)
    assert "After: pass-03.json" in said(capsys, "compare")
    assert latest(job, "lateral") == after


def test_a_study_takes_what_was_measured_since_the_last_corrections(job, plan, capsys):
    measured(job), measured(job, seed=1)
    keep_plan(job, plan)
    third = measured(job, size_mm=0.1, seed=2)
    assert (
        "only pass-03.json was measured since the corrections of plan-01.json"
        in stopped(["compare", "--same"], capsys)[1]
    )
    fourth = measured(job, size_mm=0.1, seed=3)
    # Without corrections nothing changed; made after the newest measurement, a plan hasn't been carried out yet.
    keep_plan(job, replace(plan, corrections=()))
    keep_plan(job, replace(plan, round=2))
    study = said(capsys, "compare", "--same")
    assert "since the corrections of plan-01.json" in study
    assert "2 measurements of the same wheel" in study
    assert "pass-03.json 0.2" in study
    files = [job.folder / f"pass-0{number}.json" for number in (1, 2, 3, 4)]
    assert since_corrections(open_job(job.folder), files) == ((third, fourth), job.folder / "plan-01.json")


def test_compare_sets_what_a_plan_foretold_beside_what_came_and_names_the_other_direction(job, plan, capsys):
    for seed, size_mm in enumerate((0.3, 0.2)):
        radial = simulated_pass(wave(2, size_mm), direction="radial", gaps_mm=(("outer", 2.0),), seed=seed)
        keep_pass(job, radial)
    assert "Before: pass-01.json, radial" in said(capsys, "compare")
    measured(job)
    keep_plan(job, replace(plan, predicted=replace(plan.predicted, lateral_mm=0.14)))
    measured(job, size_mm=0.1, seed=2)
    told = said(capsys, "compare")
    assert "Before: pass-03.json, lateral" in told
    assert "plan-01.json foretold 0.14 mm of lateral runout at the spokes; 0.20 mm was measured there" in told
    assert "Next: radial runout was measured twice too. rimgauge compare --direction radial" in told
    assert "Next" not in said(capsys, "compare", "--direction", "lateral")
    assert "foretold" not in said(capsys, "compare", "--direction", "radial")
    fields = json.loads(said(capsys, "compare", "pass-03.json", "pass-04.json", "--json"))
    assert (fields["plan"], fields["foretold_at_spokes_mm"]) == ("plan-01.json", 0.14)
    path = job.folder / "plan-01.json"
    path.write_text(path.read_text(encoding="utf-8").replace("0.14", "0.21"), encoding="utf-8")
    assert "plan-01.json" in stopped(["compare"], capsys)[1], "a plan that was changed foretells nothing"


@pytest.mark.parametrize(
    ("direction", "side", "sign", "told"),
    [
        ("lateral", "right", -1.0, "for its dish, have that told; if not, the rim runs the other way"),
        ("radial", "outer", 1.0, "turn it back; if not, the rim runs the other way"),
    ],
)
def test_a_wheel_turned_round_is_noticed_when_it_is_measured(job, capsys, direction, side, sign, told):
    def bent(degrees):
        return wave(2, 0.2, 40.0)(degrees) + wave(3, 0.1, 200.0)(degrees) + wave(5, 0.05, 10.0)(degrees)

    def turned(degrees):
        return sign * bent(-np.asarray(degrees))

    def kept(shape, seed):
        runout = simulated_pass(shape, direction=direction, gaps_mm=((side, 3.0),), seed=seed)
        name = keep_pass(job, runout).name
        capsys.readouterr()
        _next_step(runout, job, name)
        return " ".join(capsys.readouterr().out.split())

    assert "other way round" not in kept(bent, 0) + kept(bent, 1)
    words = kept(turned, 2)
    assert "this is the runout of pass-02.json the other way round" in words
    assert told in words
    assert ("rimgauge dish pass-02.json pass-03.json" in words) == (direction == "lateral")
    assert f"rimgauge aim SOURCE --direction {direction}" in words


def test_compare_names_the_zones_of_times_only_where_they_differ(job, capsys):
    made = ("2026-11-27T14:08:00+00:00", "2026-11-27T19:45:00+05:30", "2026-11-27T15:00:00+00:00")
    for seed, created in enumerate(made):
        keep_pass(job, replace(simulated_pass(wave(2, 0.3), seed=seed), created=created))
    told = said(capsys, "compare", "pass-01.json", "pass-02.json")
    assert "2026-11-27 14:08 UTC, total" in told
    assert "2026-11-27 19:45 UTC+05:30, total" in told
    assert "2026-11-27 15:00, total" in said(capsys, "compare", "pass-01.json", "pass-03.json")


@pytest.mark.parametrize("command", [["dish"], ["report", "--out", "page.html", "--dish"]])
def test_two_measurements_of_the_same_side_give_no_dish(job, capsys, command):
    one, same = measured(job, gap_mm=2.2), measured(job, gap_mm=3.8, seed=1)
    assert "are of the same side of the wheel" in stopped([*command, one.name, same.name], capsys)[1]
    assert not list(job.folder.glob("dish-*"))
    assert not list(job.folder.glob("page*"))


@pytest.mark.parametrize("command", [["dish"], ["report", "--out", "page.html", "--dish"]])
def test_measurements_with_corrections_between_them_give_no_dish(job, plan, capsys, command):
    first = measured(job)
    keep_plan(job, plan)
    second, third = measured(job, gap_mm=3.4, seed=1), turned_round(job, gap_mm=3.4, seed=2)
    for pair in ((first, third), (third, first)):
        assert (
            "have the corrections of plan-01.json between them"
            in stopped([*command, *(path.name for path in pair)], capsys)[1]
        )
    assert not list(job.folder.glob("dish-*"))
    words = said(capsys, *command, second.name, third.name)
    if command == ["dish"]:
        assert "as it stands in pass-02.json, turned round in the stand for pass-03.json" in words


def test_of_dishes_named_both_ways_round_the_newest_counts(job, capsys):
    turned, straight = turned_round(job, size_mm=0.31, gap_mm=3.4), measured(job)
    said(capsys, "dish", turned.name, straight.name)
    words = said(capsys, "dish", straight.name, turned.name)
    assert "pass-02.json counts as the wheel as it stands, and pass-01.json is left out" in words
    assert latest(job, "lateral") == straight
    with pytest.raises(SystemExit):
        run(["compare"])
    why = "pass-01.json is of the wheel turned round, as dish-02.json says"
    assert f"fewer than two lateral measurements of the wheel as it stands: {why}" in capsys.readouterr().err
    run(["report", "--out", "page.html"])
    assert json.loads(said(capsys, "jobs", "..", "--json"))["jobs"][0]["last"][0]["file"] == "pass-02.json"
    straight.unlink()
    for command in (["plan"], ["report"]):
        assert "pass-02.json: is recorded in the job but missing" in stopped(command, capsys)[1]
