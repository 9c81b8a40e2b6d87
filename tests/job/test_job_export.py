"""`rimgauge export`: what other programs read is what the job holds."""

import csv
import json
import math
import shutil
from dataclasses import replace

import numpy as np
import pytest

from rimgauge.cli import run
from rimgauge.job import create_job, keep_pass, keep_plan, read_pass, read_readings, verify_job, write_pass
from tests.said import stopped


@pytest.fixture
def job(tmp_path, runout, two_sided, plan):
    made = create_job(tmp_path / "Räder 1", spokes=4, crossings=0)
    keep_pass(made, runout)
    keep_pass(made, two_sided)
    keep_plan(made, plan)
    (made.folder / "readings-01.csv").write_text("spoke,lateral_mm,tension_n\n1,0.1,1000\n2,-0.3,\n", "utf-8")
    return made


def table(path):
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def numbers(rows, column):
    return np.array([float(row[column]) if row[column] else math.nan for row in rows])


def test_the_tables_hold_the_same_numbers_with_the_digits_that_mean_something(job, tmp_path):
    run(["export", str(job.folder), "--to", str(tmp_path / "out")])
    again = read_pass(job.folder / "pass-02.json")
    curve, spokes, frames = (
        table(tmp_path / "out" / f"pass-02-{kind}.csv") for kind in ("curve", "spokes", "frames")
    )
    for number, side in enumerate(again.sides):
        ours = [row for row in curve if row["side"] == side.side]
        same(numbers(ours, "angle_deg"), side.curve_angle_deg, places=3)
        same(numbers(ours, "lateral_mm"), side.curve_mm, places=4)
        ours = [row for row in spokes if row["side"] == side.side]
        same(numbers(ours, "lateral_mm"), side.spoke_mm, places=4)
        same(numbers(ours, "standard_uncertainty_mm"), side.spoke_standard_uncertainty_mm, places=4)
        assert tuple(row["flange"] for row in ours) == side.spoke_flange
        same(numbers(frames, f"{side.side}_gap_mm"), again.frames.gap_mm[number], places=4)
    same(numbers(frames, "time_s"), again.frames.time_s, places=6)
    same(numbers(frames, "angle_deg"), again.frames.angle_deg, places=3)
    same(numbers(frames, "quality"), again.frames.quality, places=3)
    assert max(len(cell) for row in (*curve, *spokes, *frames) for cell in row.values()) <= 8


def same(told, value, *, places):
    """Hold what a table tells against the value, to half of its last place."""
    np.testing.assert_allclose(told, value, rtol=0, atol=0.5001 * 10.0**-places)


def test_spokes_of_one_side_are_readings(job, tmp_path, runout):
    run(["export", str(job.folder / "pass-01.json"), "--to", str(tmp_path / "out")])
    back = read_readings(tmp_path / "out" / "pass-01-spokes.csv", 4)
    same(back.lateral_mm, runout.sides[0].spoke_mm, places=4)
    assert not (tmp_path / "out" / "job.json").exists()


def test_the_one_file_holds_every_file_and_gives_each_back(job, tmp_path, monkeypatch):
    monkeypatch.chdir(job.folder)
    run(["export", "--to", "../out"])
    whole = json.loads((tmp_path / "out" / "job.json").read_text(encoding="utf-8"))
    assert list(whole["files"]) == [
        *("wheel.toml", "readings-01.csv", "pass-01.json", "pass-02.json", "plan-01.json")
    ]
    assert whole["files"]["wheel.toml"]["spokes"] == 4
    assert whole["files"]["readings-01.csv"]["lateral_mm"] == [0.1, -0.3, None, None]
    (tmp_path / "again.json").write_text(json.dumps(whole["files"]["pass-02.json"]), encoding="utf-8")
    write_pass(tmp_path / "again.json", read_pass(tmp_path / "again.json"))
    assert (tmp_path / "again.json").read_bytes() == (job.folder / "pass-02.json").read_bytes()


def test_the_record_stays_as_it_was(job, tmp_path, capsys):
    (job.folder / "readings-01.csv").unlink()
    code, said = stopped(["export", str(job.folder), "--to", str(job.folder / "tables")], capsys)
    assert code == 2
    assert "lies inside the job" in said
    run(["export", str(job.folder), "--to", str(tmp_path / "out"), "--json"])
    assert len(json.loads(capsys.readouterr().out)["written"]) == 7
    assert verify_job(job.folder) == ()


@pytest.mark.parametrize(
    ("arguments", "words", "code"),
    [
        (["--to", "out"], "no job folder here", 2),
        (["nowhere.json", "--to", "out"], "nowhere.json: there is no such file", 1),
        ([".", "--to", "out"], "is no job", 1),
    ],
)
def test_what_can_not_be_exported_is_one_sentence(arguments, words, code, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    left_with, said = stopped(["export", *arguments], capsys)
    assert left_with == code
    assert words in said
    assert list(tmp_path.iterdir()) == []


def test_the_export_of_another_wheel_is_not_written_over(job, tmp_path, runout, capsys, monkeypatch):
    monkeypatch.setattr("rimgauge.job.start.now", lambda: "2026-02-01T12:00:00+00:00")
    other = create_job(tmp_path / "rear", spokes=4, crossings=0)
    keep_pass(other, replace(runout, revolutions=3.5, frames=replace(runout.frames, quality=np.ones(4))))
    out = tmp_path / "out"
    for _ in range(2):  # the same job again is no other
        run(["export", str(job.folder), "--to", str(out)])
    before = {path.name: path.read_bytes() for path in out.iterdir()}

    def refused(source, words):
        code, said = stopped(["export", str(source), "--to", str(out)], capsys)
        assert code == 1
        assert words in said

    refused(other.folder, "holds the export of another job, 'Räder 1'")
    refused(other.folder / "pass-01.json", "holds the export of another job, 'Räder 1'")
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    (out / "job.json").unlink()
    refused(other.folder, "pass-01-frames.csv: is there already and holds other numbers")
    assert not (out / "job.json").exists()


def test_an_export_with_more_digits_is_written_over_and_one_that_was_changed_is_not(job, tmp_path, capsys):
    out = tmp_path / "out"
    run(["export", str(job.folder), "--to", str(out)])
    now = (out / "pass-02-spokes.csv").read_text(encoding="utf-8")
    names, first, *rest = now.splitlines()
    *cells, last = first.split(",")
    for digits, goes in (("00000123", True), ("9", False)):
        before = "\n".join([names, ",".join([*cells, last.ljust(6, "0") + digits]), *rest, ""])
        (out / "pass-02-spokes.csv").write_text(before, encoding="utf-8")
        if goes:
            run(["export", str(job.folder), "--to", str(out)])
            assert (out / "pass-02-spokes.csv").read_text(encoding="utf-8") == now
        else:
            assert "or changed since" in stopped(["export", str(job.folder), "--to", str(out)], capsys)[1]
    (out / "pass-02-spokes.csv").write_text('"' + "x" * 200_000, encoding="utf-8")
    assert "or changed since" in stopped(["export", str(job.folder), "--to", str(out)], capsys)[1]


def test_a_result_that_was_changed_or_added_is_not_used(job, tmp_path, capsys, monkeypatch):
    first = job.folder / "pass-01.json"
    monkeypatch.chdir(job.folder)
    planned = job.folder / "plan-01.json"
    recorded = planned.read_bytes()
    planned.write_bytes(recorded + b" ")
    assert (
        "plan-01.json: is not as it was recorded"
        in stopped(["report", "--out", str(tmp_path / "page.html")], capsys)[1]
    )
    planned.write_bytes(recorded)
    shutil.copy(first, job.folder / "pass-03.json")
    recorded = first.read_bytes()
    first.write_bytes(recorded.replace(b'"revolutions": 2.7', b'"revolutions": 2.8'))
    for words in (
        ["export", "pass-01.json", "--to", str(tmp_path / "out")],
        ["compare", "pass-01.json", "pass-02.json"],
        ["plan", "--lateral", "pass-01.json"],
        ["dish", "pass-01.json", "--between-mm", "30"],
    ):
        code, said = stopped(words, capsys)
        assert code == 1, words
        assert "pass-01.json: is not as it was recorded" in said
    first.write_bytes(recorded)
    for words in (["plan"], ["compare", "pass-02.json", "pass-03.json"]):
        assert "pass-03.json: was added to the job by hand" in stopped(words, capsys)[1]
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("gone", ["pass-02.json", "plan-01.json"])
@pytest.mark.parametrize(
    "words", [["report", "--out", "page.html"], ["export", "--to", "../out"], ["plan"], ["compare"]]
)
def test_nothing_is_made_of_a_job_of_which_a_result_is_missing(
    job, tmp_path, capsys, monkeypatch, gone, words
):
    monkeypatch.chdir(job.folder)
    (job.folder / gone).unlink()
    code, said = stopped(words, capsys)
    assert code == 1
    assert f"{gone}: is recorded in the job but missing" in said
    assert not (tmp_path / "out").exists()
    assert not (job.folder / "page.html").exists()
    assert not (job.folder / "plan-02.json").exists()
