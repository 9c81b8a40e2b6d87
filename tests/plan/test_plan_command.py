"""The plan command, from files to a file."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from wheels import out_of_true, turns_of

from rimgauge.cli.plan import command
from rimgauge.errors import BadFile, BadInput
from rimgauge.job import KeptDish, create_job, keep_dish, keep_pass, read_plan, write_pass
from rimgauge.records import (
    BudgetLine,
    Direction,
    Dish,
    FloatArray,
    FrameValues,
    Measured,
    Readings,
    Runout,
    SideRunout,
    Source,
    Verdict,
    Wheel,
)
from rimgauge.report import correction_sheet
from rimgauge.signal import findings


def _write(path: Path, readings: Readings) -> None:
    rows = ["spoke,lateral_mm,radial_mm,tension_n"]
    for number, values in enumerate(
        zip(readings.lateral_mm, readings.radial_mm, readings.tension_n, strict=True), start=1
    ):
        cells = ("" if np.isnan(value) else f"{value:.3f}" for value in values)
        rows.append(",".join([str(number), *cells]))
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")


@pytest.fixture
def bench(tmp_path, wheel, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "wheel.toml").write_text(
        "spokes = 36\ncrossings = 3\n[tension]\nright_n = 1000.0\nleft_n = 1000.0\nlimit_n = 1300.0\n",
        encoding="utf-8",
    )
    _write(tmp_path / "readings.csv", out_of_true(wheel, 1, lateral_mm=2.0))
    return tmp_path


def _run(*arguments: str) -> str:
    result = CliRunner().invoke(command, arguments, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


COMMON = ("--wheel", "wheel.toml", "--readings", "readings.csv", "--out", "plan.json")


def test_readings_to_plan_file(bench):
    text = _run(*COMMON)
    plan = read_plan(bench / "plan.json")
    assert plan.round == 1
    assert plan.before.lateral_mm == pytest.approx(2.0, abs=0.002)
    assert plan.predicted.lateral_mm <= 0.5
    assert "lateral runout" in text
    assert max(len(line) for line in text.splitlines()) <= 80


def test_json_is_what_the_file_holds(bench):
    printed = json.loads(_run(*COMMON, "--json"))
    assert printed == json.loads((bench / "plan.json").read_text(encoding="utf-8"))


def test_seen_from_the_hub(bench):
    assert "seen from the hub" in " ".join(_run(*COMMON, "--seen-from", "hub").split())


def test_largest_turn_is_kept(bench):
    _run(*COMMON, "--largest-turn", "0.25")
    assert max(abs(item.turns) for item in read_plan(bench / "plan.json").corrections) <= 0.25


def test_second_round_learns_from_the_first(bench, wheel, answer):
    _run(*COMMON)
    plan = read_plan(bench / "plan.json")
    before = out_of_true(wheel, 1, lateral_mm=2.0)
    turns = np.zeros(36)
    for item in plan.corrections:
        turns[item.spoke - 1] = item.turns
    then = Readings(
        lateral_mm=before.lateral_mm + 0.5 * answer.lateral_mm @ turns,
        radial_mm=before.radial_mm + answer.radial_mm @ turns,
        tension_n=before.tension_n + answer.tension_n @ turns,
    )
    _write(bench / "now.csv", then)
    text = _run(
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
        _run(*arguments)
    assert not (bench / "plan.json").exists()


def test_no_such_readings(bench):
    with pytest.raises(BadFile, match=r"missing\.csv"):
        _run("--wheel", "wheel.toml", "--readings", "missing.csv", "--out", "plan.json")


def _pass(direction: Direction, values: FloatArray, wheel: Wheel) -> Runout:
    """A measurement that gives these values at the spokes."""
    reading = Measured(value=float(np.ptp(values)), expanded_uncertainty=0.02)
    side = SideRunout(
        side="right" if direction == "lateral" else "outer",
        mean_gap_mm=2.0,
        total_runout=reading,
        non_repeatable_mm=0.01,
        harmonic_order=np.array([1]),
        harmonic_amplitude_mm=np.array([0.5]),
        harmonic_phase_deg=np.array([0.0]),
        curve_angle_deg=wheel.spoke_angles_deg,
        curve_mm=values,
        spoke_flange=wheel.flanges,
        spoke_angle_deg=wheel.spoke_angles_deg,
        spoke_mm=values,
        spoke_standard_uncertainty_mm=np.full(len(values), 0.01),
        zones=(),
    )
    return Runout(
        direction=direction,
        created="2026-01-31T12:00:00+00:00",
        source=Source(kind="frames", name="lateral", frames=300, used=300, sha256=""),
        revolutions=2.5,
        total_runout=reading,
        sides=(side,),
        budget=(BudgetLine(source="scale", standard_uncertainty_mm=0.01),),
        verdict=Verdict(tolerance_mm=0.5, rule="guard band", outcome="out"),
        frames=FrameValues(
            time_s=np.array([0.0, 1.0]),
            angle_deg=np.array([0.0, 400.0]),
            gap_mm=np.array([[2.0, 2.1]]),
            quality=np.array([1.0, 1.0]),
        ),
    )


def test_in_a_job_folder_no_files_are_named_and_the_second_round_learns(tmp_path, wheel, answer, monkeypatch):
    job = create_job(tmp_path / "job", spokes=36)
    monkeypatch.chdir(job.folder)
    before = out_of_true(wheel, 1, lateral_mm=2.0)
    keep_pass(job, _pass("lateral", before.lateral_mm, wheel))
    keep_pass(job, _pass("radial", before.radial_mm, wheel))
    _run()
    plan = read_plan(job.folder / "plan-01.json")
    assert plan.before.lateral_mm == pytest.approx(2.0, abs=1e-6)
    assert plan.before.radial_mm is not None
    _run()
    assert read_plan(job.folder / "plan-02.json").round == 1
    turns = np.zeros(36)
    for item in plan.corrections:
        turns[item.spoke - 1] = item.turns
    keep_pass(job, _pass("lateral", before.lateral_mm + 0.6 * answer.lateral_mm @ turns, wheel))
    text = " ".join(_run().split())
    second = read_plan(job.folder / "plan-03.json")
    assert second.round == 2
    assert second.before.radial_mm is None, "the radial pass is from before the turns"
    assert "less sideways than assumed" in text
    anew = " ".join(_run().split())
    again = read_plan(job.folder / "plan-04.json")
    assert again.round == 2
    assert "less sideways than assumed" in anew, "planning anew forgets nothing"
    assert again.bound.proved == pytest.approx(second.bound.proved), "the search may stop for the time"
    assert len(again.earlier) == len(second.earlier) == 1


def test_a_kept_dish_is_corrected_too_and_brought_forward_by_the_turns(tmp_path, wheel, answer, monkeypatch):
    job = create_job(tmp_path / "job", spokes=36)
    monkeypatch.chdir(job.folder)
    before = out_of_true(wheel, 1, lateral_mm=1.5)
    keep_pass(job, _pass("lateral", before.lateral_mm, wheel))
    keep_pass(job, _pass("lateral", -before.lateral_mm, wheel))  # turned round
    dish = Dish(offset_mm=1.6, expanded_uncertainty_mm=0.1, coverage_probability=0.95, budget=())
    kept = KeptDish(
        created="2026-01-31T12:00:00+00:00",
        measurements=("pass-01.json", "pass-02.json"),
        between_mm=None,
        tolerance_mm=1.0,
        dish=dish,
    )
    keep_dish(job, kept)
    assert "1.60 mm to the right of the middle, as dish-01.json says" in " ".join(_run().split())
    plan = read_plan(job.folder / "plan-01.json")
    moved = turns_of(plan, 36)
    assert plan.before.dish_mm == pytest.approx(1.6)
    assert plan.predicted.dish_mm == pytest.approx(1.6 + answer.dish_mm @ moved)
    assert plan.predicted.dish_mm < 1.0
    elsewhere = tmp_path / "pass-01.json"
    elsewhere.write_bytes((job.folder / "pass-01.json").read_bytes())
    words = _run("--lateral", str(elsewhere), "--wheel", "wheel.toml", "--out", str(tmp_path / "plan.json"))
    assert "as dish-01.json says" not in " ".join(words.split()), "another wheel's"
    assert "middle" not in _run("--ignore-dish")
    assert read_plan(job.folder / "plan-02.json").before.dish_mm is None
    (job.folder / "plan-02.json").unlink()
    then = before.lateral_mm + answer.lateral_mm @ moved
    keep_pass(job, _pass("lateral", then - then.mean(), wheel))
    assert "as the last round's turns should have left it" in " ".join(_run().split())
    later = read_plan(job.folder / "plan-03.json")
    assert later.round == 2
    assert later.before.dish_mm == pytest.approx(plan.predicted.dish_mm)


def test_passes_outside_a_job(bench, wheel):
    before = out_of_true(wheel, 1, lateral_mm=2.0)
    write_pass(bench / "lateral.json", _pass("lateral", before.lateral_mm, wheel))
    _run("--wheel", "wheel.toml", "--lateral", "lateral.json", "--out", "plan.json")
    assert read_plan(bench / "plan.json").before.radial_mm is None
    with pytest.raises(BadInput, match="given as radial is a lateral"):
        _run("--wheel", "wheel.toml", "--radial", "lateral.json", "--out", "plan.json")


def test_a_job_without_a_measurement(tmp_path, monkeypatch):
    monkeypatch.chdir(create_job(tmp_path / "job", spokes=36).folder)
    with pytest.raises(BadInput, match="no measurement yet"):
        _run()


def test_explain_says_what_each_turn_alone_would_do_and_writes_nothing(bench, answer):
    text = _run("--wheel", "wheel.toml", "--readings", "readings.csv", "--explain", "7")
    assert "Spoke 7 (right side)" in text
    assert "whole rim shifts" in text
    assert max(len(line) for line in text.splitlines()) <= 80
    assert not (bench / "plan.json").exists()
    printed = json.loads(
        _run("--wheel", "wheel.toml", "--readings", "readings.csv", "--explain", "7", "--json")
    )
    rows = {row["turns"]: row for row in printed["turns"]}
    assert rows[0.0]["lateral_mm"] == pytest.approx(2.0, abs=0.002)
    assert rows[0.5]["tension_n"] - rows[0.0]["tension_n"] == pytest.approx(
        0.5 * answer.tension_n[6, 6], rel=1e-6
    )
    assert rows[0.25]["dish_change_mm"] == pytest.approx(0.25 * answer.dish_mm[6], rel=1e-6)


def test_explain_of_a_spoke_that_is_not_there(bench):
    with pytest.raises(BadInput, match="spokes 1 to 36"):
        _run("--wheel", "wheel.toml", "--readings", "readings.csv", "--explain", "37")


def test_a_refused_plan_is_written_and_ends_with_exit_code_1(bench, wheel):
    _write(bench / "readings.csv", out_of_true(wheel, 1, lateral_mm=12.0, tension=False, radial=False))
    result = CliRunner().invoke(command, COMMON)
    assert result.exit_code == 1
    assert "No corrections: the lateral runout of 12.0 mm" in " ".join(result.output.split())
    assert read_plan(bench / "plan.json").refused is not None


def test_damage_that_was_found_is_refused_and_seized_nipples_are_left_alone(bench):
    result = CliRunner().invoke(command, [*COMMON, "--cracked"])
    assert result.exit_code == 1
    assert "you found a crack" in " ".join(result.output.split())
    assert read_plan(bench / "plan.json").refused is not None
    _run(*COMMON)
    spoke = read_plan(bench / "plan.json").corrections[0].spoke
    _run(*COMMON, "--seized", str(spoke))
    assert spoke not in {item.spoke for item in read_plan(bench / "plan.json").corrections}
    with pytest.raises(BadInput, match="no list of spokes"):
        _run(*COMMON, "--seized", "3;4")


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
    _run(*COMMON, "--sheet", "sheet.pdf")
    sheet = (bench / "sheet.pdf").read_bytes()
    assert sheet.startswith(b"%PDF")
    assert sheet.count(b"/Type /Page ") == 1


def test_turns_that_were_not_done_are_left_out_of_what_is_learnt(bench, wheel, answer):
    _run(*COMMON)
    plan = read_plan(bench / "plan.json")
    half = [item.spoke for item in plan.corrections][::2]
    before = out_of_true(wheel, 1, lateral_mm=2.0)
    turns = np.zeros(36)
    for item in plan.corrections[::2]:
        turns[item.spoke - 1] = item.turns
    then = Readings(
        lateral_mm=before.lateral_mm + answer.lateral_mm @ turns,
        radial_mm=before.radial_mm + answer.radial_mm @ turns,
        tension_n=before.tension_n + answer.tension_n @ turns,
    )
    _write(bench / "now.csv", then)
    rest = (
        *("--wheel", "wheel.toml", "--readings", "now.csv", "--out", "plan-02.json"),
        *("--previous", "plan.json", "--previous-readings", "readings.csv"),
    )
    said = " ".join(_run(*rest, "--done", ",".join(map(str, half))).split())
    assert "than assumed; the plan counts" not in said
    assert "seems to have turned" not in said


@pytest.mark.parametrize(("done", "words"), [("3;4", "no list of spokes"), ("99", "name spokes, not steps")])
def test_a_done_list_that_can_not_be_meant(bench, done, words):
    _run(*COMMON)
    with pytest.raises(BadInput, match=words):
        _run(*COMMON, "--previous", "plan.json", "--previous-readings", "readings.csv", "--done", done)
    with pytest.raises(BadInput, match="no last round"):
        _run(*COMMON, "--done", "3")


def test_a_plan_says_before_its_steps_what_the_measurement_says_of_the_axle(bench, wheel):
    before = out_of_true(wheel, 1, lateral_mm=2.0)
    # The wave of 0.5 mm once a turn is 1.0 mm of the total: half of 2.0 mm is not most, of 1.2 mm it is.
    common = ("--wheel", "wheel.toml", "--lateral", "lateral.json", "--out", "plan.json")
    write_pass(bench / "lateral.json", _pass("lateral", before.lateral_mm, wheel))
    assert "once a turn" not in _run(*common)
    small = _pass("lateral", before.lateral_mm * 1.2 / np.ptp(before.lateral_mm), wheel)
    write_pass(bench / "lateral.json", small)
    (bench / "plan.json").unlink()
    (noted,) = findings("lateral", small.sides)
    assert "1.00 mm of it comes once a turn" in noted
    text = " ".join(_run(*common).split())
    words = "Before you turn a nipple: 1.00 mm of the lateral runout of 1.20 mm comes once a turn"
    assert text.index(words) < text.index("in this order:")
    plan = read_plan(bench / "plan.json")
    assert plan.see_to_first[-1].startswith(words)
    page = correction_sheet(plan, wheel)
    assert any(words[:40] in label.get_text().replace("\n", " ") for label in page.texts)
    assert "tell the next plan the numbers of the spokes" in text
    assert "once a turn" not in _run(*common, "--checked", "axle")


def test_an_eccentric_rim_is_not_blamed_on_the_axle(bench, wheel):
    before = out_of_true(wheel, 1, lateral_mm=2.0)
    write_pass(bench / "lateral.json", _pass("lateral", before.lateral_mm, wheel))
    radial = _pass("radial", before.radial_mm * 1.2 / np.ptp(before.radial_mm), wheel)
    write_pass(bench / "radial.json", radial)
    (noted,) = findings("radial", radial.sides)
    assert "sits beside the hub's middle" in noted
    assert "axle" not in noted
    files = ("--lateral", "lateral.json", "--radial", "radial.json")
    assert "axle" not in _run("--wheel", "wheel.toml", *files, "--out", "plan.json")


def test_a_sheet_under_another_name_than_a_pdfs_is_refused_before_anything_is_written(bench):
    result = CliRunner().invoke(command, (*COMMON, "--sheet", "sheet.txt"))
    assert isinstance(result.exception, BadFile)
    assert not (bench / "plan.json").exists()


@pytest.mark.parametrize(("given", "other"), [("", "left"), ('first_spoke_side = "right"\n', None)])
def test_a_side_of_spoke_1_that_was_assumed_is_asked_about_before_the_steps(bench, wheel, given, other):
    build = (bench / "wheel.toml").read_text(encoding="utf-8")
    (bench / "wheel.toml").write_text(given + build, encoding="utf-8")
    text = " ".join(_run(*COMMON).split())
    plan = read_plan(bench / "plan.json")
    assert plan.corrections
    if other is None:
        assert "first_spoke_side" not in text
        assert plan.see_to_first == ()
        return
    asked = "spoke 1, the first after the valve, is assumed to go to the right flange"
    assert text.index(asked) < text.index(f'first_spoke_side = "{other}"') < text.index("in this order:")
    page = correction_sheet(plan, wheel)
    assert any(asked in label.get_text().replace("\n", " ") for label in page.texts)


def test_a_plan_is_not_written_over_by_one_on_other_readings(bench, wheel):
    _run(*COMMON)
    first = (bench / "plan.json").read_bytes()
    _run(*COMMON)  # planned anew
    _write(bench / "now.csv", out_of_true(wheel, 2, lateral_mm=1.5))
    now = ("--wheel", "wheel.toml", "--readings", "now.csv")
    with pytest.raises(BadFile, match=r"plan of round 1, made on other readings; .*--previous plan.json"):
        _run(*now, "--out", "plan.json")
    assert (bench / "plan.json").read_bytes() == first
    last = ("--previous", "plan.json", "--previous-readings", "readings.csv", "--out", "plan-2.json")
    _run(*now, *last)
    assert read_plan(bench / "plan-2.json").round == 2
    (bench / "plan.json").write_text("{}", encoding="utf-8")
    _run(*COMMON)  # no plan that could be lost
