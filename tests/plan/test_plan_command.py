"""The plan command, from files to a file."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from wheels import out_of_true

from rimgauge.cli.plan import command
from rimgauge.errors import BadFile, BadInput
from rimgauge.job import read_plan
from rimgauge.records import Readings


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
