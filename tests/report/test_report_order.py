"""The order of a job's measurements on the page of `rimgauge report`, and the rounds between them."""

import dataclasses

import numpy as np

from rimgauge.cli import run
from rimgauge.cli.report_evidence import from_job
from rimgauge.job import (
    create_job,
    keep_pass,
    keep_plan,
    latest,
)
from rimgauge.records import Readings, Round
from rimgauge.report.words import result_rows


def test_a_clock_that_went_back_is_said_and_the_order_is_that_of_the_record(tmp_path, runout):
    job = create_job(tmp_path / "wheel", spokes=32)
    keep_pass(job, runout(1.0, created="2026-06-01T12:00:00+00:00"))
    keep_pass(job, runout(0.25, created="2001-01-01T00:00:00+00:00"))
    (comparison,) = from_job(job, name=None, by=None, picture=None).comparisons
    assert comparison.before.created.startswith("2026")
    run(["report", str(job.folder), "--out", str(tmp_path / "r.html")])
    assert "By the computer&#x27;s clock" in (tmp_path / "r.html").read_text(encoding="utf-8")


def test_a_round_that_was_planned_anew_counts_once(job, runout, monkeypatch, capsys):
    keep_pass(job, runout(1.1))
    monkeypatch.chdir(job.folder)
    run(["plan"])
    once = dict(from_job(job, name=None, by=None, picture=None).facts)["Corrections planned"]
    run(["plan", "--seen-from", "hub"])
    assert len(list(job.folder.glob("plan-*.json"))) == 2
    assert dict(from_job(job, name=None, by=None, picture=None).facts)["Corrections planned"] == once
    assert once.startswith("1 round,")
    assert ", 0 nipples" not in once
    assert "rimgauge measure SOURCE --direction lateral" in capsys.readouterr().out


def rows_of(job):
    """Give the rows of the page's table of the job's measurements."""
    return [row[1:3] for row in result_rows(from_job(job, name=None, by=None, picture=None))[1:]]


def test_before_and_after_are_said_only_where_a_plan_lies_between(tmp_path, runout, plan):
    job = create_job(tmp_path / "wheel", spokes=32)
    keep_pass(job, runout(1.0))
    assert rows_of(job) == [("31 Jan 2026 12:00", "0.959 ± 0.040 mm, out")]
    keep_pass(job, runout(0.9))
    keep_plan(job, plan)
    facts = dict(from_job(job, name=None, by=None, picture=None).facts)
    assert facts["Corrections planned"].endswith("; nothing was measured since the last of them")
    assert all("round" not in when for when, _ in rows_of(job))
    keep_pass(job, runout(0.25))
    keep_pass(job, runout(0.8, created="2029-01-31T12:00:00+00:00"))
    assert [when for when, _ in rows_of(job)] == [
        "31 Jan 2026 12:00",
        "31 Jan 2026 12:00, before round 1",
        "31 Jan 2026 12:00, after round 1",
        "31 Jan 2029 12:00",
    ]
    facts = dict(from_job(job, name=None, by=None, picture=None).facts)
    assert facts["Corrections planned"].endswith(
        "; whether those of the last round were made is not recorded"
    )
    done = Round(
        readings=Readings(**dict.fromkeys(("lateral_mm", "radial_mm", "tension_n"), np.zeros(32))),
        turns=np.zeros(32),
    )
    keep_plan(job, dataclasses.replace(plan, round=2, corrections=(), earlier=(done,)))
    facts = dict(from_job(job, name=None, by=None, picture=None).facts)
    assert facts["Corrections planned"] == "1 round, 1 nipple, 1/4 turn in all"
    run(["report", str(job.folder), "--out", str(tmp_path / "r.html")])
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "after the work" not in page


def test_a_film_measured_again_is_no_new_state_of_the_wheel(tmp_path, runout, plan, capsys):
    job = create_job(tmp_path / "wheel", spokes=32)
    keep_pass(job, runout(0.7))
    again = dataclasses.replace(runout(0.65), source=runout(0.7).source)
    keep_pass(job, again)
    assert [amount for _, amount in rows_of(job)] == ["0.623 ± 0.040 mm, out"]
    keep_plan(job, plan)
    keep_pass(job, runout(0.25))
    keep_pass(job, again)  # the film of before the round, once more
    assert [row[0] for row in rows_of(job)] == [
        "31 Jan 2026 12:00, before round 1",
        "31 Jan 2026 12:00, after round 1",
    ]
    assert latest(job, "lateral").name == "pass-03.json"
    later = dataclasses.replace(again, created="2026-02-28T12:00:00+00:00")
    keep_pass(job, later)
    (comparison,) = from_job(job, name=None, by=None, picture=None).comparisons
    assert comparison.before.created == later.created, "the order is that of the films"
    run(["report", str(job.folder), "--out", str(tmp_path / "r.html")])
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    for said in (page, " ".join(capsys.readouterr().out.split())):
        assert "Order: a film measured again stands where it was first measured: " in said
        assert "pass-05.json in place of pass-01.json, pass-02.json, pass-04.json" in said
    assert "By the computer&#x27;s clock" not in page


def test_radial_runout_measured_before_lateral_work_is_no_after(tmp_path, runout, plan, capsys):
    job = create_job(tmp_path / "wheel", spokes=32)
    keep_pass(job, runout(1.0))
    keep_pass(job, runout(0.9, direction="radial"))
    keep_plan(job, plan)
    keep_pass(job, runout(0.25))
    lateral, radial = from_job(job, name=None, by=None, picture=None).comparisons
    assert (lateral.planned_since, radial.planned_since) == (False, True)
    assert rows_of(job)[-1][0] == "31 Jan 2026 12:00, before round 1"
    run(["report", str(job.folder), "--out", str(tmp_path / "r.html")])
    assert capsys.readouterr().out.endswith("  rimgauge measure SOURCE --direction radial\n")
