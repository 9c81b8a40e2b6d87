"""Readings typed in that were changed after a plan was made on them: a mistake put right, or those of after its turns."""

import numpy as np
import pytest
from click.testing import CliRunner
from plan_bench import run_plan, write_readings
from wheels import out_of_true

from rimgauge.cli.plan import command
from rimgauge.cli.verify import command as verify
from rimgauge.job import create_job, read_plan


@pytest.fixture
def planned(tmp_path, wheel, monkeypatch):
    """A job with one plan, made on readings in which spoke 9 is mistyped."""
    job = create_job(tmp_path / "job", spokes=36)
    monkeypatch.chdir(job.folder)
    right = out_of_true(wheel, 1, lateral_mm=2.0)
    wrong_mm = right.lateral_mm.copy()
    wrong_mm[8] += 0.4
    type_in(wrong_mm)
    run_plan()
    return right.lateral_mm


def type_in(lateral_mm, name="readings-01.csv"):
    rows = [f"{number},{value:.2f}" for number, value in enumerate(lateral_mm, start=1)]
    with open(name, "w", encoding="utf-8") as file:
        file.write("\n".join(["spoke,lateral_mm", *rows]))


def as_recorded():
    return CliRunner().invoke(verify, []).exit_code == 0


def test_changed_readings_are_asked_about_before_they_count_as_those_of_after_the_turns(planned, tmp_path):
    type_in(planned)
    result = CliRunner().invoke(command, [])
    assert result.exit_code != 0
    assert "was changed after the plan of round 1 was made" in str(result.exception)
    assert "--done none" in str(result.exception)
    assert not (tmp_path / "job" / "plan-02.json").exists()


def test_a_mistake_put_right_before_anything_was_turned_plans_the_same_round_and_the_record_holds(planned):
    type_in(planned)
    text = " ".join(run_plan("--done", "none").split())
    anew = read_plan("plan-02.json")
    assert anew.round == 1
    assert not anew.earlier, "the mistaken readings are no state of the wheel"
    assert "readings-01.csv was changed by hand" in text
    assert as_recorded()
    first = read_plan("plan-01.json")
    assert first.readings is not None
    assert first.readings.lateral_mm[8] == pytest.approx(planned[8] + 0.4, abs=0.006)


def test_readings_of_after_the_turns_written_over_the_old_ones_are_so_by_one_word(planned):
    type_in(0.3 * planned)
    said = str(CliRunner().invoke(command, []).exception)
    assert "type: rimgauge plan --done all" in said
    text = " ".join(run_plan("--done", "all").split())
    assert "readings-01.csv was changed by hand" in text
    first, second = read_plan("plan-01.json"), read_plan("plan-02.json")
    assert second.round == 2
    assert len(second.earlier) == 1
    assert np.count_nonzero(second.earlier[0].turns) == len(first.corrections), "every step counts as turned"
    assert second.earlier[0].readings.lateral_mm[8] == pytest.approx(planned[8] + 0.4, abs=0.006)
    assert "plan again with --done" not in text, "what was said isn't asked"
    assert as_recorded()


def test_a_tension_put_right_is_recorded_and_said(wheel, tmp_path, monkeypatch):
    job = create_job(tmp_path / "job", spokes=36)
    monkeypatch.chdir(job.folder)
    readings = out_of_true(wheel, 1, lateral_mm=2.0)
    write_readings(job.folder / "readings-01.csv", readings)
    run_plan()
    typed = (job.folder / "readings-01.csv").read_text(encoding="utf-8")
    assert np.isfinite(readings.tension_n[0])
    tension = f"{readings.tension_n[0]:.3f}"
    (job.folder / "readings-01.csv").write_text(typed.replace(tension, "1000", 1), encoding="utf-8")
    text = " ".join(run_plan().split())
    assert "readings-01.csv was changed by hand" in text
    assert read_plan("plan-02.json").round == 1
    assert as_recorded()


def test_what_comes_next_names_the_file_for_the_next_readings(planned):
    type_in(0.3 * planned, "readings-02.csv")
    text = " ".join(run_plan().split())
    assert "write what you read into readings-03.csv and plan again" in text
