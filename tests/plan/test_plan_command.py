"""The plan command, from files to a file."""

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner
from plan_bench import COMMON, a_pass, run_plan, write_readings
from wheels import after, out_of_true, turns_of

from rimgauge.cli.plan import command
from rimgauge.errors import BadFile, BadInput
from rimgauge.job import KeptDish, keep_dish, keep_pass, read_plan, write_pass
from rimgauge.records import (
    Dish,
    Readings,
)


def test_readings_to_plan_file(bench):
    text = run_plan(*COMMON)
    plan = read_plan(bench / "plan.json")
    assert plan.round == 1
    assert plan.before.lateral_mm == pytest.approx(2.0, abs=0.002)
    assert plan.predicted.lateral_mm <= 0.5
    assert "lateral runout" in text
    assert max(len(line) for line in text.splitlines()) <= 80


def test_json_is_what_the_file_holds(bench):
    printed = json.loads(run_plan(*COMMON, "--json"))
    assert printed == json.loads((bench / "plan.json").read_text(encoding="utf-8"))


def test_seen_from_the_hub(bench, monkeypatch):
    pages = []
    monkeypatch.setattr("rimgauge.report.pdf.pdf_bytes", lambda given, **_: pages.extend(given) or b"%PDF")
    text = run_plan(*COMMON, "--seen-from", "hub", "--sheet", "sheet.pdf")
    assert "seen from the hub" in " ".join(text.split())
    assert any(each.get_text().startswith("Looking at the nipple from the hub") for each in pages[0].texts)


def test_largest_turn_is_kept(bench):
    run_plan(*COMMON, "--largest-turn", "0.25")
    assert max(abs(item.turns) for item in read_plan(bench / "plan.json").corrections) <= 0.25


def test_second_round_learns_from_the_first(bench, wheel, answer):
    run_plan(*COMMON)
    plan = read_plan(bench / "plan.json")
    before = out_of_true(wheel, 1, lateral_mm=2.0)
    turns = turns_of(plan, 36)
    then = Readings(
        lateral_mm=before.lateral_mm + 0.75 * answer.lateral_mm @ turns,
        radial_mm=before.radial_mm + answer.radial_mm @ turns,
        tension_n=before.tension_n + answer.tension_n @ turns,
    )
    write_readings(bench / "now.csv", then)
    text = run_plan(
        *("--wheel", "wheel.toml", "--readings", "now.csv", "--out", "plan-02.json"),
        *("--previous", "plan.json", "--previous-readings", "readings.csv"),
    )
    assert "less sideways" in " ".join(text.split())
    assert read_plan(bench / "plan-02.json").round == 2


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "job folder"),
        (("--wheel", "wheel.toml", "--readings", "readings.csv"), "--out"),
        ((*COMMON, "--lateral", "pass.json"), "not both"),
        ((*COMMON, "--previous", "plan.json"), "belong together"),
        ((*COMMON, "--largest-turn", "0"), "largest turn"),
    ],
)
def test_files_that_can_not_be_meant(bench, arguments, words):
    with pytest.raises(BadInput, match=words):
        run_plan(*arguments)
    assert not (bench / "plan.json").exists()


def test_no_such_readings(bench):
    with pytest.raises(BadFile, match=r"missing\.csv"):
        run_plan("--wheel", "wheel.toml", "--readings", "missing.csv", "--out", "plan.json")


def test_in_a_job_folder_no_files_are_named_and_the_second_round_learns(job, wheel, answer):
    before = out_of_true(wheel, 1, lateral_mm=2.0)
    keep_pass(job, a_pass("lateral", before.lateral_mm, wheel))
    keep_pass(job, a_pass("radial", before.radial_mm, wheel))
    run_plan()
    plan = read_plan(job.folder / "plan-01.json")
    assert plan.before.lateral_mm == pytest.approx(2.0, abs=1e-6)
    assert plan.before.radial_mm is not None
    run_plan("--seen-from", "hub")
    assert read_plan(job.folder / "plan-02.json").round == 1
    turns = turns_of(plan, 36)
    keep_pass(job, a_pass("lateral", before.lateral_mm + 0.75 * answer.lateral_mm @ turns, wheel))
    text = " ".join(run_plan().split())
    second = read_plan(job.folder / "plan-03.json")
    assert second.round == 2
    assert second.before.radial_mm is None, "the radial pass is from before the turns"
    assert "less sideways than assumed" in text
    anew = " ".join(run_plan("--seen-from", "hub").split())
    again = read_plan(job.folder / "plan-04.json")
    assert again.round == 2
    assert "less sideways than assumed" in anew, "planning anew forgets nothing"
    assert again.bound.proved == second.bound.proved
    assert len(again.earlier) == len(second.earlier) == 1


def test_a_wheel_is_not_called_true_by_one_direction_while_the_other_was_out(bench, job, wheel, monkeypatch):
    before = out_of_true(wheel, 1, lateral_mm=2.0)
    small_mm = 0.05 * before.lateral_mm
    keep_pass(job, a_pass("lateral", before.lateral_mm, wheel))
    keep_pass(job, a_pass("radial", before.radial_mm / np.ptp(before.radial_mm), wheel))
    run_plan()
    for number, lateral_mm in ((2, 0.3 * before.lateral_mm), (3, small_mm)):
        keep_pass(job, a_pass("lateral", lateral_mm, wheel))
        text = " ".join(run_plan().split())
        plan = read_plan(job.folder / f"plan-0{number}.json")
        assert plan.before.radial_mm is None, "the radial pass is from before the turns"
    assert plan.corrections == ()
    assert "leave it" not in text
    assert "plan again. rimgauge measure SOURCE --direction radial" in text
    tension_n = np.full(36, np.nan)
    write_readings(
        bench / "typed.csv", Readings(lateral_mm=small_mm, radial_mm=small_mm, tension_n=tension_n)
    )
    assert "leave it" in run_plan("--readings", str(bench / "typed.csv")), "typed in, it was seen again"
    assert "but radial runout was out of its tolerance, or too close to call, before the last round" in text
    keep_pass(job, a_pass("radial", small_mm, wheel))
    assert "Next: make the page that tells how the wheel runs. rimgauge report" in " ".join(
        run_plan().split()
    )
    monkeypatch.chdir(bench)
    radial_out = replace(before, radial_mm=before.radial_mm / np.ptp(before.radial_mm))
    write_readings(bench / "readings.csv", radial_out)
    run_plan(*COMMON)
    unread = np.full(36, np.nan)
    write_readings(bench / "now.csv", Readings(lateral_mm=small_mm, radial_mm=unread, tension_n=unread))
    now = ("--wheel", "wheel.toml", "--readings", "now.csv", "--out", "plan-2.json")
    last = ("--previous", "plan.json", "--previous-readings", "readings.csv")
    assert "radial runout was out" in " ".join(run_plan(*now, *last).split())


def test_a_kept_dish_is_corrected_too_and_brought_forward_by_the_turns(
    tmp_path, job, wheel, answer, monkeypatch
):
    before = out_of_true(wheel, 1, lateral_mm=1.5)
    keep_pass(job, a_pass("lateral", before.lateral_mm, wheel))
    keep_pass(job, a_pass("lateral", -before.lateral_mm, wheel))  # turned round
    dish = Dish(offset_mm=1.6, expanded_uncertainty_mm=0.1, coverage_probability=0.95, budget=())
    kept = KeptDish(
        created="2026-01-31T12:00:00+00:00",
        measurements=("pass-01.json", "pass-02.json"),
        between_mm=None,
        tolerance_mm=1.0,
        dish=dish,
    )
    keep_dish(job, kept)
    assert "1.60 mm to the right of the middle, as dish-01.json says" in " ".join(run_plan().split())
    plan = read_plan(job.folder / "plan-01.json")
    moved = turns_of(plan, 36)
    assert plan.before.dish_mm == pytest.approx(1.6)
    assert plan.predicted.dish_mm == pytest.approx(1.6 + answer.dish_mm @ moved)
    assert plan.predicted.dish_mm < 1.0
    elsewhere = tmp_path / "pass-01.json"
    elsewhere.write_bytes((job.folder / "pass-01.json").read_bytes())
    words = run_plan(
        "--lateral", str(elsewhere), "--wheel", "wheel.toml", "--out", str(tmp_path / "plan.json")
    )
    assert "as dish-01.json says" not in " ".join(words.split()), "another wheel's"
    copy = tmp_path / "copy"
    shutil.copytree(job.folder, copy)
    monkeypatch.chdir(copy)
    assert "middle" not in run_plan("--ignore-dish")
    assert read_plan(copy / "plan-02.json").before.dish_mm is None
    monkeypatch.chdir(job.folder)
    then = before.lateral_mm + answer.lateral_mm @ moved
    keep_pass(job, a_pass("lateral", then - then.mean(), wheel))
    assert "as the last round's turns should have left it" in " ".join(run_plan().split())
    later = read_plan(job.folder / "plan-02.json")
    assert later.round == 2
    assert later.before.dish_mm == pytest.approx(plan.predicted.dish_mm)


def test_a_plan_made_again_says_which_tension_it_lacks(job, wheel):
    """It said that tension was not read, which the plan before had been made with."""
    before = out_of_true(wheel, 1, lateral_mm=1.5)
    keep_pass(job, a_pass("lateral", before.lateral_mm, wheel))
    write_readings(job.folder / "tension.csv", before)
    told = (
        "plan-01.json was made with tension readings, which this plan lacks: give them again with --tension."
    )
    assert "which this plan lacks" not in run_plan("--tension", "tension.csv")
    assert told in " ".join(run_plan().split())
    assert "which this plan lacks" not in run_plan("--tension", "tension.csv")


def test_passes_outside_a_job(bench, wheel):
    before = out_of_true(wheel, 1, lateral_mm=2.0)
    write_pass(bench / "lateral.json", a_pass("lateral", before.lateral_mm, wheel))
    run_plan("--wheel", "wheel.toml", "--lateral", "lateral.json", "--out", "plan.json")
    assert read_plan(bench / "plan.json").before.radial_mm is None
    with pytest.raises(BadInput, match="given as radial is a lateral"):
        run_plan("--wheel", "wheel.toml", "--radial", "lateral.json", "--out", "plan.json")


@pytest.mark.usefixtures("job")
def test_a_job_without_a_measurement():
    with pytest.raises(BadInput, match="no measurement yet"):
        run_plan()


def test_explain_says_what_each_turn_alone_would_do_and_writes_nothing(bench, answer):
    text = run_plan("--wheel", "wheel.toml", "--readings", "readings.csv", "--explain", "7")
    assert "Spoke 7 (right side)" in text
    assert "rim shifts" in text
    assert max(len(line) for line in text.splitlines()) <= 80
    assert not (bench / "plan.json").exists()
    printed = json.loads(
        run_plan("--wheel", "wheel.toml", "--readings", "readings.csv", "--explain", "7", "--json")
    )
    rows = {row["turns"]: row for row in printed["turns"]}
    assert rows[0.0]["lateral_mm"] == pytest.approx(2.0, abs=0.002)
    assert rows[0.5]["tension_n"] - rows[0.0]["tension_n"] == pytest.approx(
        0.5 * answer.tension_n[6, 6], rel=1e-6
    )
    assert rows[0.25]["dish_change_mm"] == pytest.approx(0.25 * answer.dish_mm[6], rel=1e-6)


def test_explain_of_a_spoke_that_is_not_there(bench):
    with pytest.raises(BadInput, match="spokes 1 to 36"):
        run_plan("--wheel", "wheel.toml", "--readings", "readings.csv", "--explain", "37")


def test_a_refused_plan_is_written_and_ends_with_exit_code_1(bench, wheel):
    write_readings(
        bench / "readings.csv", out_of_true(wheel, 1, lateral_mm=12.0, tension=False, radial=False)
    )
    result = CliRunner().invoke(command, COMMON)
    assert result.exit_code == 1
    assert "No corrections: the lateral runout of 12.0 mm" in " ".join(result.output.split())
    assert read_plan(bench / "plan.json").refused is not None


def test_damage_that_was_found_is_refused_and_seized_nipples_are_left_alone(bench):
    result = CliRunner().invoke(command, [*COMMON, "--cracked"])
    assert result.exit_code == 1
    assert "you found a crack" in " ".join(result.output.split())
    assert read_plan(bench / "plan.json").refused is not None
    run_plan(*COMMON)
    spoke = read_plan(bench / "plan.json").corrections[0].spoke
    run_plan(*COMMON, "--seized", str(spoke))
    assert spoke not in {item.spoke for item in read_plan(bench / "plan.json").corrections}
    with pytest.raises(BadInput, match="no list of spokes"):
        run_plan(*COMMON, "--seized", "3;4")


@pytest.mark.parametrize(
    ("options", "answers"), [((), "n\n7\n"), (("--checked", "axle"), "n\n7\n"), (("--seized", "7"), "n\n")]
)
def test_at_a_terminal_damage_is_asked_for_whatever_else_was_said(bench, monkeypatch, options, answers):
    monkeypatch.setattr("click.testing._NamedTextIOWrapper.isatty", lambda _: True, raising=False)
    found = CliRunner().invoke(command, [*COMMON, *options], input="y\n")
    assert found.exit_code == 1
    assert "you found a crack" in " ".join(found.output.split())
    sound = CliRunner().invoke(command, [*COMMON, *options], input=answers)
    assert sound.exit_code == 0
    assert "crack, a dent or other damage?" in sound.output
    assert "nipple of spoke 7 is left alone as seized" in " ".join(sound.output.split())


def test_the_sheet_is_one_page(bench):
    run_plan(*COMMON, "--sheet", "sheet.pdf")
    sheet = (bench / "sheet.pdf").read_bytes()
    assert sheet.startswith(b"%PDF")
    assert sheet.count(b"/Type /Page ") == 1


def test_turns_that_were_not_done_are_left_out_of_what_is_learnt(bench, wheel, answer):
    run_plan(*COMMON)
    plan = read_plan(bench / "plan.json")
    done = replace(plan, corrections=plan.corrections[::2])
    half = [item.spoke for item in done.corrections]
    write_readings(bench / "now.csv", after(out_of_true(wheel, 1, lateral_mm=2.0), done, answer))
    rest = (
        *("--wheel", "wheel.toml", "--readings", "now.csv", "--out", "plan-02.json"),
        *("--previous", "plan.json", "--previous-readings", "readings.csv"),
    )
    said = " ".join(run_plan(*rest, "--done", ",".join(map(str, half))).split())
    assert "than assumed; the plan counts" not in said
    assert "seems to have turned" not in said


@pytest.mark.parametrize(("done", "words"), [("3;4", "no list of spokes"), ("99", "name spokes, not steps")])
def test_a_done_list_that_can_not_be_meant(bench, done, words):
    run_plan(*COMMON)
    with pytest.raises(BadInput, match=words):
        run_plan(*COMMON, "--previous", "plan.json", "--previous-readings", "readings.csv", "--done", done)
    for any_done in ("3", "all"):
        with pytest.raises(BadInput, match="no last round is named: name its plan with --previous"):
            run_plan(*COMMON, "--done", any_done)


def test_the_readings_of_before_are_not_those_of_now(bench):
    run_plan(*COMMON)
    again = (*COMMON[:-1], "plan-2.json", "--previous", "plan.json", "--previous-readings", "readings.csv")
    with pytest.raises(BadInput, match="the very readings from before the last round: nothing was turned"):
        run_plan(*again)
    assert not (bench / "plan-2.json").exists()
    run_plan(*again, "--done", "none")


def test_a_sheet_under_another_name_than_a_pdfs_is_refused_before_anything_is_written(bench):
    result = CliRunner().invoke(command, (*COMMON, "--sheet", "sheet.txt"))
    assert isinstance(result.exception, BadFile)
    assert not (bench / "plan.json").exists()


def test_a_plan_is_not_written_over_by_one_on_other_readings(bench, wheel):
    run_plan(*COMMON)
    first = (bench / "plan.json").read_bytes()
    run_plan(*COMMON)  # planned anew
    write_readings(bench / "now.csv", out_of_true(wheel, 2, lateral_mm=1.5))
    now = ("--wheel", "wheel.toml", "--readings", "now.csv")
    with pytest.raises(BadFile, match=r"plan of round 1, made on other readings; .*--previous plan.json"):
        run_plan(*now, "--out", "plan.json")
    assert (bench / "plan.json").read_bytes() == first
    last = ("--previous", "plan.json", "--previous-readings", "readings.csv", "--out", "plan-2.json")
    run_plan(*now, *last)
    assert read_plan(bench / "plan-2.json").round == 2
    (bench / "plan.json").write_text("", encoding="utf-8")
    run_plan(*COMMON)  # no plan that could be lost
    (bench / "plan.json").write_text("{}", encoding="utf-8")
    with pytest.raises(BadFile, match="is there already and is not a plan"):
        run_plan(*COMMON)
