"""`rimgauge jobs`: what a workshop's folder of jobs tells."""

import dataclasses
import hashlib
import json
import shutil

import pytest

from rimgauge.cli import run
from rimgauge.job import (
    create_job,
    keep_pass,
    keep_plan,
    open_job,
    past_jobs,
    read_manifest,
    update_manifest,
    verify_job,
)
from rimgauge.records import Measured, Verdict
from tests.said import stopped


@pytest.fixture
def keep(tmp_path, runout):
    """Make a job of measurements given as (direction, day, runout, verdict)."""

    def make(folder, *measurements, name=""):
        job = create_job(tmp_path / folder, spokes=4, name=name)
        for direction, day, value_mm, outcome in measurements:
            keep_pass(
                job,
                dataclasses.replace(
                    runout,
                    direction=direction,
                    created=f"{day}T12:00:00+00:00",
                    source=dataclasses.replace(
                        runout.source, sha256=hashlib.sha256(f"{day} {value_mm}".encode()).hexdigest()
                    ),
                    total_runout=Measured(value=value_mm, expanded_uncertainty=0.03),
                    verdict=Verdict(tolerance_mm=0.5, rule="guard band", outcome=outcome),
                ),
            )
        return job

    return make


@pytest.fixture
def workshop(keep, tmp_path):
    keep("2026/Müller vorn", ("lateral", "2026-01-10", 1.6, "out"), ("lateral", "2026-02-02", 0.3, "within"))
    keep(
        "2026/0815 🚲",
        ("lateral", "2026-01-11", 0.2, "within"),
        ("radial", "2026-01-11", 0.9, "out"),
        ("radial", "2026-01-12", 0.45, "undecided"),
        name="rear, touring",
    )
    keep("2025/0007", ("lateral", "2025-12-30", 0.4, "within"))
    keep("new")
    (tmp_path / "letters").mkdir()
    return tmp_path


@pytest.mark.parametrize(("lateral", "now"), [((1.8, "out"), "undecided"), ((0.2, "within"), "within")])
def test_a_direction_not_measured_since_a_plan_makes_no_wheel_true(
    keep, plan, tmp_path, capsys, lateral, now
):
    job = keep("wheel", ("lateral", "2026-01-10", *lateral))
    other = keep("other", ("radial", "2026-01-11", 0.1, "within"))
    assert plan.corrections
    keep_plan(job, plan)
    keep_pass(job, _last(other))
    shutil.rmtree(other.folder)
    report = tmp_path / "page.html"
    (found,) = listed([str(tmp_path)], capsys)["jobs"]
    assert found["now"] == now
    assert [result["file"] for result in found["last"]] == ["pass-02.json"]
    assert [result["file"] for result in found["before_plan"]] == ["pass-01.json"]
    assert [each["folder"] for each in listed([str(tmp_path), "--verdict", now], capsys)["jobs"]]
    run(["jobs", str(tmp_path)])
    said = " ".join(capsys.readouterr().out.split())
    assert (
        f"! lateral was {lateral[0]:.2f} mm, {lateral[1]}, and not measured since the corrections were planned"
        in said
    )
    assert ("0.10 within wheel" in said) == (now == "within")
    assert f"now {int(now == 'within')} within" in said
    run(["report", str(job.folder), "--out", str(report), "--json"])
    assert json.loads(capsys.readouterr().out)["outcome"] == now


def listed(arguments, capsys):
    run(["jobs", *arguments, "--json"])
    return json.loads(capsys.readouterr().out)


def test_first_and_last_of_each_direction_decide(workshop, capsys):
    found = {job["name"]: job for job in listed([str(workshop)], capsys)["jobs"]}
    assert {name: (job["came_in"], job["now"]) for name, job in found.items()} == {
        "Müller vorn": ("out", "within"),
        "rear, touring": ("out", "undecided"),
        "0007": ("within", "within"),
        "new": (None, None),
    }
    assert [result["file"] for result in found["rear, touring"]["last"]] == ["pass-01.json", "pass-03.json"]
    assert found["Müller vorn"]["measured_on"] == "2026-02-02"


def test_totals_by_month(workshop, capsys):
    months = listed([str(workshop)], capsys)["months"]
    assert [tuple(month.values()) for month in months] == [
        ("2025-12", 1, 0, 0, 1, 1, 0),
        ("2026-01", 2, 2, 0, 1, 0, 1),
        ("2026-02", 0, 0, 0, 1, 1, 0),
    ]


@pytest.mark.parametrize(
    ("arguments", "names"),
    [
        (["--find", "MÜLLER"], ["Müller vorn"]),
        (["--find", "0815"], ["rear, touring"]),
        (["--find", "2026/"], ["rear, touring", "Müller vorn"]),
        (["--verdict", "undecided"], ["rear, touring"]),
        (["--from", "2026-02"], ["Müller vorn"]),
        (["--to", "2025"], ["0007"]),
        (["--from", "2026-01-12", "--to", "2026-01-12"], ["rear, touring"]),
        (["--find", "nobody"], []),
    ],
)
def test_jobs_are_found(workshop, capsys, arguments, names):
    assert [job["name"] for job in listed([str(workshop), *arguments], capsys)["jobs"]] == names


def test_the_list_is_for_people_too(workshop, capsys, monkeypatch):
    monkeypatch.chdir(workshop)
    run(["jobs"])
    said = capsys.readouterr().out
    assert "2026-02-02     1.60 out         0.30 within      Müller vorn (2026/Müller vorn)" in said
    assert "2026-01  " in said
    assert (
        "4 jobs. At first 1 within, 2 out, 0 undecided, 1 not yet measured; "
        "now 2 within, 0 out, 1 undecided, 1 not yet measured."
    ) in " ".join(said.split())
    assert max(len(line) for line in said.splitlines()) <= 80
    run(["jobs", "--find", "nobody"])
    assert "No job like that in" in capsys.readouterr().out


def test_a_copy_counts_once_and_no_line_is_too_long(workshop, capsys, monkeypatch):
    monkeypatch.chdir(workshop)
    shutil.copytree("2025/0007", "copies of all that went out/0007 before the holidays")
    run(["jobs"])
    said = capsys.readouterr().out
    assert "! a copy of 2025/0007, counted once" in said
    assert "4 jobs. At first 1 within, 2 out" in said
    assert max(len(line) for line in said.splitlines()) <= 80
    assert listed([], capsys)["months"][0]["came_in"] == 1


def test_of_copies_the_one_that_was_measured_last_counts(keep, workshop, capsys):
    copy = workshop / "at home" / "0007"
    shutil.copytree(workshop / "2025" / "0007", copy)
    later = keep("other", ("lateral", "2026-03-01", 0.3, "within"))
    keep_pass(open_job(copy), _last(later))
    shutil.rmtree(later.folder)
    months = {month["month"]: month for month in listed([str(workshop)], capsys)["months"]}
    assert (months["2025-12"]["came_in"], months["2025-12"]["last_measured"]) == (1, 0)
    assert (months["2026-03"]["came_in"], months["2026-03"]["last_measured"]) == (0, 1)
    run(["jobs", str(workshop)])
    assert "! a copy of at home/0007, counted once" in capsys.readouterr().out


def test_a_broken_job_does_not_hide_the_others(workshop, capsys):
    (workshop / "2025" / "0007" / "manifest.json").write_text("{", encoding="utf-8")
    run(["jobs", str(workshop)])
    said = capsys.readouterr()
    assert "3 jobs" in said.out
    assert len(said.err.splitlines()) == 1
    assert "manifest.json: is not JSON" in said.err


def test_a_job_whose_measurements_are_not_as_recorded_is_marked(workshop, capsys):
    folder = workshop / "2026" / "Müller vorn"
    assert all(job["changed"] == [] for job in listed([str(workshop)], capsys)["jobs"])
    first, last = folder / "pass-01.json", folder / "pass-02.json"
    first.write_bytes(first.read_bytes().replace(b'"out"', b'"within"'))
    last.unlink()
    found = {job["name"]: job["changed"] for job in listed([str(workshop)], capsys)["jobs"]}
    assert found["Müller vorn"] == ["pass-01.json", "pass-02.json"]
    assert found["rear, touring"] == []
    run(["jobs", str(workshop)])
    assert "! not as recorded: pass-01.json, pass-02.json; rimgauge verify" in capsys.readouterr().out


def test_a_measurement_not_yet_in_the_manifest_counts(keep, tmp_path, capsys):
    job = keep("wheel", ("lateral", "2026-01-10", 1.6, "out"), ("lateral", "2026-01-11", 0.3, "within"))
    before = (job.folder / "manifest.json").read_bytes()
    keep_pass(job, dataclasses.replace(_last(job), created="2026-01-12T08:00:00+00:00"))
    (job.folder / "manifest.json").write_bytes(before)
    (found,) = past_jobs(tmp_path)
    assert found.measured_on == "2026-01-12"


def _last(job):
    from rimgauge.job import passes, read_pass  # noqa: PLC0415

    return read_pass(passes(job)[-1])


def test_results_that_disagree_with_the_measurements_are_found(keep):
    job = keep("wheel", ("lateral", "2026-01-10", 1.6, "out"))
    path = job.folder / "pass-01.json"
    fields = path.read_bytes()
    path.write_bytes(fields.replace(b'"outcome": "out"', b'"outcome": "within"'))
    update_manifest(job, ours=[path])
    assert read_manifest(job.folder).results[0].outcome == "within"
    assert verify_job(job.folder) == ()
    path.write_bytes(fields)
    _fit_sums_but_not_results(job)
    (trouble,) = verify_job(job.folder)
    assert "sums pass-01.json up otherwise" in trouble.words


def _fit_sums_but_not_results(job):
    """Forge a manifest whose sums are right and whose results are not."""
    from rimgauge.job import manifest  # noqa: PLC0415

    old = read_manifest(job.folder)
    entries = tuple(
        manifest._entry(job.folder, entry.name) if entry.name == "pass-01.json" else entry
        for entry in old.entries
    )
    forged = manifest.Manifest(created=old.created, name=old.name, results=old.results, entries=entries)
    manifest.write_json(
        job.folder / "manifest.json", "rimgauge-job", manifest._fields(forged), manifest._parse
    )


@pytest.mark.parametrize(
    ("arguments", "words", "code"),
    [
        (["nowhere"], "nowhere: there is no such file or folder", 1),
        (["--from", "January"], "--from must be like 2026, 2026-01 or 2026-01-31, not January", 2),
    ],
)
def test_what_can_not_be_listed_is_one_sentence(arguments, words, code, capsys):
    left_with, said = stopped(["jobs", *arguments], capsys)
    assert left_with == code
    assert words in said
