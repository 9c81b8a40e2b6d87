"""`rimgauge report` on a job folder and on files, and what it says when it can't."""

import dataclasses
import hashlib
import json

import cv2
import numpy as np
import pytest

from rimgauge.cli import run
from rimgauge.cli.report_evidence import _fingerprint, from_job
from rimgauge.job import (
    create_job,
    keep_pass,
    keep_plan,
    read_manifest,
    read_pass,
    verify_job,
    write_pass,
)
from rimgauge.records import Readings
from tests.laws.simulated import simulated_pass, wave
from tests.said import stopped


def test_a_job_becomes_a_page(job, capsys):
    run(["report", str(job.folder)])
    assert "Runs true sideways: at most 0.28 mm (tolerance 0.50 mm)" in capsys.readouterr().out
    data = (job.folder / "report.pdf").read_bytes()
    assert data.startswith(b"%PDF")
    assert not list(job.folder.glob("*.part"))


def test_the_job_still_verifies_and_a_second_report_is_the_same(job, tmp_path):
    run(["report", str(job.folder)])
    assert verify_job(job.folder) == ()
    run(["report", str(job.folder), "--out", str(tmp_path / "again.pdf")])
    assert (tmp_path / "again.pdf").read_bytes() == (job.folder / "report.pdf").read_bytes()


def test_the_dish_stands_on_the_page_and_the_turned_wheel_is_not_taken_for_the_last(tmp_path, capsys):
    job = create_job(tmp_path / "job", spokes=32)
    for gap_mm, seed, size_mm in ((3.0, 0, 0.6), (3.0 - 0.4, 1, 0.1), (3.0 + 0.4, 2, -0.2)):
        keep_pass(job, simulated_pass(wave(2, size_mm), gaps_mm=(("right", gap_mm),), seed=seed))
    files = [str(job.folder / name) for name in ("pass-02.json", "pass-03.json")]
    run(["report", str(job.folder), "--dish", *files, "--out", str(tmp_path / "page.html")])
    assert "Runs true sideways: at most 0.2" in capsys.readouterr().out
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "rim 0.40 ± " in page
    assert "to the right of the middle, within its tolerance of 1 mm (pass-02.json, pass-03.json)" in page
    elsewhere = tmp_path / "turned.json"
    elsewhere.write_bytes((job.folder / "pass-03.json").read_bytes())
    apart = (job.folder / "pass-03.json", elsewhere)
    shown = from_job(job, name=None, by=None, picture=None, dish_files=apart).comparisons[0].after
    assert shown.created == read_pass(apart[0]).created
    assert shown.total_runout.value == read_pass(apart[0]).total_runout.value
    (job.folder / "pass-03.json").write_bytes((job.folder / "pass-01.json").read_bytes())
    code, said = stopped(["report", str(job.folder), "--dish", *files], capsys)
    assert code == 1
    assert "not as it was recorded" in said


def test_a_wheel_file_of_another_number_of_spokes_is_not_put_on_one_page_with_what_was_measured(job, capsys):
    job.wheel.write_text(job.wheel.read_text(encoding="utf-8").replace("spokes = 32", "spokes = 28"), "utf-8")
    _, line = stopped(["report", str(job.folder)], capsys)
    assert "wheel.toml: has 28 spokes, but pass-01.json was measured on a wheel of 32" in line
    assert not (job.folder / "report.pdf").exists()


def test_an_older_measurement_of_another_number_of_spokes_is_not_put_on_the_page_either(tmp_path, capsys):
    job = create_job(tmp_path / "job", spokes=32)
    for spokes in (28, 32):
        keep_pass(job, simulated_pass(wave(2, 0.1), spokes=spokes, seed=spokes))
    _, line = stopped(["report", str(job.folder)], capsys)
    assert "wheel.toml: has 32 spokes, but pass-01.json was measured on a wheel of 28" in line
    run(["report", "--after", str(job.folder / "pass-02.json"), "--out", str(tmp_path / "page.pdf")])
    assert "Runs true" in capsys.readouterr().out


def test_words_of_several_lines_are_written_as_one(tmp_path, runout):
    write_pass(tmp_path / "pass.json", runout(0.3))
    run(
        [
            "report",
            "--after",
            str(tmp_path / "pass.json"),
            "--by",
            "Ann\nBob",
            "--out",
            str(tmp_path / "page.pdf"),
        ]
    )
    assert (tmp_path / "page.pdf").read_bytes().startswith(b"%PDF")


def test_inside_a_job_folder_nothing_need_be_named(job, monkeypatch):
    monkeypatch.chdir(job.folder)
    run(["report"])
    assert (job.folder / "report.pdf").is_file()


def test_the_fingerprint_can_be_worked_out_again_from_the_files(tmp_path, runout):
    paths = [tmp_path / "a.json", tmp_path / "b.json"]
    for path, size in zip(paths, (1.0, 0.3), strict=True):
        write_pass(path, runout(size))
    joined = b"".join(path.read_bytes() for path in paths)
    assert _fingerprint(paths).endswith(hashlib.sha256(joined).hexdigest())


def test_files_without_a_job_and_json_for_programs(tmp_path, runout, capsys):
    write_pass(tmp_path / "b.json", runout(1.5))
    write_pass(tmp_path / "a.json", runout(0.9))
    cv2.imwrite(str(tmp_path / "worst.png"), np.full((200, 300, 3), 80, np.uint8))
    arguments = ["report", "--before", f"{tmp_path}/b.json", "--after", f"{tmp_path}/a.json"]
    run([*arguments, "--picture", f"{tmp_path}/worst.png", "--out", f"{tmp_path}/r.pdf", "--json"])
    answer = json.loads(capsys.readouterr().out)
    assert answer["outcomes"] == {"lateral": "out"}
    assert (tmp_path / "r.pdf").stat().st_size > 10_000


def test_lateral_and_radial_are_not_mixed_up(tmp_path, runout, capsys):
    write_pass(tmp_path / "b.json", runout(direction="radial"))
    write_pass(tmp_path / "a.json", runout())
    arguments = ["report", "--before", f"{tmp_path}/b.json", "--after", f"{tmp_path}/a.json"]
    code, said = stopped(arguments, capsys)
    assert code == 2
    assert "same direction" in said


@pytest.mark.parametrize(
    ("make", "part"),
    [
        (lambda folder: ["report", str(folder / "nowhere")], "no such folder"),
        (lambda folder: ["report", "--before", str(folder / "b.json")], "--after"),
        (lambda folder: ["report", "--after", str(folder / "none.json")], "none.json"),
        (lambda folder: ["report", str(folder), "--after", "a.json"], "either a job"),
    ],
)
def test_what_can_not_be_reported_is_said_in_one_sentence(make, part, tmp_path, capsys):
    code, said = stopped(make(tmp_path), capsys)
    assert code in (1, 2)
    assert part in said


def test_a_job_without_measurements_says_what_to_do(tmp_path, capsys):
    job = create_job(tmp_path / "new", spokes=32)
    code, said = stopped(["report", str(job.folder)], capsys)
    assert code == 1
    assert "rimgauge measure" in said


def test_a_picture_that_is_none_stops_the_report_and_writes_nothing(job, tmp_path, capsys):
    (tmp_path / "fake.jpg").write_text("no picture")
    code, said = stopped(["report", str(job.folder), "--picture", str(tmp_path / "fake.jpg")], capsys)
    assert code == 1
    assert "not a picture" in said
    assert not (job.folder / "report.pdf").exists()


def test_a_place_that_can_not_be_written_is_named(job, tmp_path, capsys):
    code, said = stopped(["report", str(job.folder), "--out", str(tmp_path / "no" / "r.pdf")], capsys)
    assert code == 1
    assert "r.pdf" in said


def test_the_picture_of_the_worst_place_is_shown_before_and_after(tmp_path, runout):
    job = create_job(tmp_path / "wheel", spokes=32)
    seen = [np.full((200, 300, 3), shade, np.uint8) for shade in (80, 160)]
    kept = [cv2.imencode(".jpg", picture)[1].tobytes() for picture in seen]
    first = keep_pass(job, runout(1.0), picture=kept[0])
    keep_pass(job, runout(0.25), picture=kept[1])
    both = from_job(job, name=None, by=None, picture=None).comparisons[0].photos
    assert [photo.words for photo in both] == [
        "The worst place when first measured",
        "The worst place when last measured",
    ]
    assert [int(photo.picture.mean()) for photo in both] == [80, 160]
    first.with_suffix(".jpg").write_bytes(kept[1])
    assert len(from_job(job, name=None, by=None, picture=None).comparisons[0].photos) == 1


def test_pdf_and_html_from_one_call(job, tmp_path):
    run(["report", str(job.folder), "--out", f"{tmp_path}/r.html", "--out", f"{tmp_path}/r.pdf"])
    text = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "<h1" in text
    assert (tmp_path / "r.pdf").read_bytes().startswith(b"%PDF")
    assert read_manifest(job.folder).fingerprint in text
    run(["report", str(job.folder), "--out", str(job.folder / "again.html")])
    assert (job.folder / "again.html").read_text(encoding="utf-8") == text
    assert verify_job(job.folder) == ()


def test_another_kind_of_file_is_refused(job, capsys):
    code, said = stopped(["report", str(job.folder), "--out", "report.docx"], capsys)
    assert code == 2
    assert "a report is a .pdf or an .html" in said


def test_no_report_is_made_of_a_measurement_that_was_changed(job, tmp_path, capsys):
    path = job.folder / "pass-02.json"
    path.write_bytes(path.read_bytes().replace(b"within", b"out"))
    code, said = stopped(["report", str(job.folder), "--out", str(tmp_path / "r.pdf")], capsys)
    assert code == 1
    assert "pass-02.json: is not as it was recorded" in said
    assert not (tmp_path / "r.pdf").exists()


def test_what_else_the_job_knows_stands_on_the_page(job):
    rows = "".join(f"{k},{1000 + 100 * (k == 7) + 40 * (k % 2)}\n" for k in range(1, 32))
    (job.folder / "readings-01.csv").write_text("spoke,tension_n\n" + rows, encoding="utf-8")
    facts = dict(from_job(job, name=None, by="J. Ä.", picture=None).facts)
    assert facts["Measured by"] == "J. Ä."
    # Right flange: odd spokes, 16 of them at 1040 N and one of these at 1140 N: mean 1046.25, 1140/1046.25 = 1.0896.
    assert facts["Tension"] == (
        "right side 1046 N, each spoke within 9% of it; left side 1000 N, each spoke within 0% of it; "
        "highest 1140 N at spoke 7; 1 spoke not read (readings-01.csv)"
    )


def test_tension_that_a_plan_was_told_is_not_called_unmeasured(job, plan):
    tension_n = np.full(32, 1000.0)
    tension_n[6] = 1140.0
    keep_plan(job, plan)
    assert dict(from_job(job, name=None, by=None, picture=None).facts)["Tension"] == "not measured"
    read = Readings(lateral_mm=np.zeros(32), radial_mm=np.full(32, np.nan), tension_n=tension_n)
    keep_plan(job, dataclasses.replace(plan, round=2, readings=read))
    facts = dict(from_job(job, name=None, by=None, picture=None).facts)
    assert facts["Tension"].endswith("highest 1140 N at spoke 7 (before the turns of plan-02.json)")


def test_of_tension_in_a_file_and_in_plans_the_newest_is_shown(job, plan):
    """A file that a plan was made on, then readings told to the next plan, then a file that no plan was made on."""

    def said():
        return dict(from_job(job, name=None, by=None, picture=None).facts)["Tension"]

    def type_in(name, tension_n):
        rows = "".join(f"{k},{tension_n}\n" for k in range(1, 33))
        (job.folder / name).write_text("spoke,tension_n\n" + rows, encoding="utf-8")

    unread = np.full(32, np.nan)
    type_in("readings-01.csv", 900)
    assert said().endswith("(readings-01.csv)")
    for number, tension_n in enumerate((900.0, 1000.0), start=1):
        read = Readings(lateral_mm=np.zeros(32), radial_mm=unread, tension_n=np.full(32, tension_n))
        keep_plan(job, dataclasses.replace(plan, round=number, readings=read))
        assert f"right side {tension_n:.0f} N" in said()
        assert said().endswith(f"(before the turns of plan-0{number}.json)")
    type_in("readings-02.csv", 1100)
    assert said().endswith("(readings-02.csv)")


def test_a_long_headline_keeps_to_80_columns(tmp_path, runout, capsys, monkeypatch):
    job = create_job(tmp_path / "wheel", spokes=32)
    keep_pass(job, runout(1.0))
    keep_pass(job, runout(0.9, direction="radial"))
    monkeypatch.chdir(job.folder)
    run(["report"])
    said = capsys.readouterr().out
    assert "Not true: runs out by at least 0.91 mm lateral and 0.82 mm radial" in said
    assert max(len(line) for line in said.splitlines()) <= 80


def test_who_measured_stands_with_each_measurement(tmp_path, runout):
    job = create_job(tmp_path / "wheel", spokes=32)

    def by(told=None):
        return dict(from_job(job, name=None, by=told, picture=None).facts).get("Measured by")

    keep_pass(job, runout(1.0))
    assert by() is None
    keep_pass(job, dataclasses.replace(runout(0.9), measured_by="Ida"))
    later = runout(0.25, created="2026-02-02T09:30:00+00:00")
    keep_pass(job, dataclasses.replace(later, measured_by="J. Ä."))
    assert by() == "not told (31 Jan 2026 12:00); Ida (31 Jan 2026 12:00); J. Ä. (2 Feb 2026 09:30)"
    assert by("the shop") == "the shop"


def test_readings_typed_in_are_said_to_serve_the_plan_alone(tmp_path, capsys, monkeypatch):
    made = create_job(tmp_path / "no camera", spokes=4)
    (made.folder / "readings-01.csv").write_text("spoke,lateral_mm\n1,0\n2,0.1\n3,0\n4,0\n", encoding="utf-8")
    monkeypatch.chdir(made.folder)
    for command in ("report", "compare"):
        code, said = stopped([command], capsys)
        assert code in (1, 2)
        assert "readings-01.csv, serve `rimgauge plan` alone" in said
