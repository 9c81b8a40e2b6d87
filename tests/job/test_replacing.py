"""What a command is told to write takes the place of nothing but a file of its own kind."""

import dataclasses
import hashlib
import json

import cv2
import numpy as np
import pytest

from rimgauge.cli.measure_kept import Kept, Target
from rimgauge.errors import BadFile, BadInput
from rimgauge.job import (
    check_replaceable,
    create_job,
    disk,
    frames_path,
    hold,
    keep,
    keep_pass,
    picture_path,
    read_manifest,
    signed_picture,
    update_manifest,
    verify_job,
    write_measured,
    write_pass,
    write_plan,
    write_view,
)
from tests.said import stopped

KINDS = ("rimgauge-view", "rimgauge-pass", "rimgauge-plan", "rimgauge-lens", ".pdf", ".html", "picture")
JPEG = b"\xff\xd8 drawn"


@pytest.fixture
def job(tmp_path, view, runout):
    job = create_job(tmp_path / "job", spokes=32)
    keep_pass(job, runout, picture=JPEG)
    write_view(job.folder / "view.json", view)
    (job.folder / "readings-01.csv").write_text("spoke,lateral_mm\n1,0.1\n", encoding="utf-8")
    update_manifest(job)
    return job


@pytest.mark.parametrize(
    "words",
    [
        "aim 0 --direction lateral --out {}",
        "aim 0 --direction lateral --out new.json --picture {}",
        "lens board.jpg --squares 9x6 --out {}",
        "measure frames --out {}",
        "plan --wheel wheel.toml --readings readings-01.csv --out {}",
        "plan --sheet {}",
        "target --out {}",
    ],
)
def test_no_command_writes_over_another_kind_of_file_or_a_recorded_result(words, job, capsys, monkeypatch):
    monkeypatch.chdir(job.folder)
    (job.folder / "frames").mkdir()
    (job.folder / "notes.pdf").write_text("mine", encoding="utf-8")
    for name in (
        "wheel.toml",
        "readings-01.csv",
        "manifest.json",
        "notes.pdf",
        "pass-01.json",
        "pass-01.jpg",
    ):
        before = (job.folder / name).read_bytes()
        code, said = stopped(words.format(name).split(), capsys)
        assert code == 1
        assert said.startswith(f"rimgauge: {name}: "), said
        assert (job.folder / name).read_bytes() == before


@pytest.mark.parametrize("name", ["letter.pdf", "letter.html"])
def test_a_page_that_someone_else_made_stays(name, job, capsys, monkeypatch):
    monkeypatch.chdir(job.folder)
    (job.folder / name).write_bytes(b"%PDF-1.4 a letter" if name.endswith("pdf") else b"<html>a letter")
    code, said = stopped(["report", "--out", name], capsys)
    assert (code, said.startswith(f"rimgauge: {name}: is there already and is not a")) == (1, True)


def test_a_file_of_the_same_kind_an_empty_one_or_a_new_name_is_written_to(tmp_path, view, runout, plan):
    write_view(tmp_path / "view.json", view)
    write_pass(tmp_path / "pass-01.json", runout)  # outside a job it is a name like others
    write_plan(tmp_path / "plan.json", plan)
    (tmp_path / "page.pdf").write_bytes(b"%PDF-1.4 /Creator (rimgauge 0.1.0)")
    (tmp_path / "page.html").write_bytes(b"<!doctype html><p>rimgauge 0.1.0")
    (tmp_path / "aim.png").write_bytes(
        signed_picture(cv2.imencode(".png", np.zeros((4, 4, 3), np.uint8))[1].tobytes())
    )
    (tmp_path / "empty").touch()
    own = dict(zip(("view.json", "pass-01.json", "plan.json"), KINDS[:3], strict=True))
    own |= {"page.pdf": ".pdf", "page.html": ".html", "aim.png": "picture"}
    for name, kind in own.items():
        check_replaceable((tmp_path / name, kind), (None, kind))
        for other in set(KINDS) - {kind}:
            with pytest.raises(BadFile, match="is there already and is not a"):
                check_replaceable((tmp_path / name, other))
    for kind in KINDS:
        check_replaceable((tmp_path / "empty", kind))
        check_replaceable((tmp_path / "none.json", kind))


@pytest.mark.parametrize("suffix", [".png", ".jpg"])
def test_of_pictures_only_those_that_were_drawn_here_are_replaced_and_they_open_as_before(suffix, tmp_path):
    drawn = np.random.default_rng(1).integers(0, 255, (8, 8, 3), np.uint8)
    plain = cv2.imencode(suffix, drawn)[1].tobytes()
    path = tmp_path / f"aim{suffix}"
    path.write_bytes(plain)
    with pytest.raises(BadFile, match="is there already and is not a picture that rimgauge drew"):
        check_replaceable((path, "picture"))
    path.write_bytes(signed_picture(plain))
    check_replaceable((path, "picture"))
    opened, before = (cv2.imdecode(np.frombuffer(each, np.uint8), 1) for each in (path.read_bytes(), plain))
    assert (opened == before).all()


def test_a_page_of_the_record_is_made_anew_as_that_kind_of_page_alone(job):
    (job.folder / "report.pdf").write_bytes(b"%PDF-1.4 rimgauge")
    update_manifest(job, ours=[job.folder / "report.pdf"])
    (job.folder / "report.pdf").write_bytes(b"changed by hand")
    check_replaceable((job.folder / "report.pdf", ".pdf"))
    for kind in {*KINDS} - {".pdf"}:
        with pytest.raises(BadFile, match="is there already and is not a"):
            check_replaceable((job.folder / "report.pdf", kind))


def test_a_picture_that_went_with_a_measurement_goes_with_it(tmp_path, runout):
    out = tmp_path / "m.json"
    write_measured(out, runout, picture=JPEG, frames=[])
    write_measured(out, runout, picture=None, frames=[])
    assert not picture_path(out).exists()
    picture_path(out).write_bytes(b"\xff\xd8 a person's")
    write_measured(out, runout, picture=None, frames=[])
    assert picture_path(out).exists()


def test_a_name_of_a_result_that_is_gone_or_reached_by_a_link_is_not_taken_either(job):
    (job.folder / "x.json").symlink_to("pass-01.json")
    for name in ("x.json", "pass-01.json"):
        with pytest.raises(BadFile, match="those never change"):
            check_replaceable((job.folder / name, "rimgauge-pass"))
    (job.folder / "pass-01.json").unlink()
    with pytest.raises(BadFile, match="those never change"):
        check_replaceable((job.folder / "pass-01.json", "rimgauge-pass"))


def test_no_other_command_writes_to_the_job_while_frames_are_copied_into_it(
    job, tmp_path, runout, monkeypatch
):
    copy = disk._copy

    def meanwhile(*files):
        with pytest.raises(BadInput, match="another rimgauge is writing to this job"), hold(job):
            pass
        copy(*files)

    monkeypatch.setattr(keep, "PATIENCE_S", 0.0)
    monkeypatch.setattr(disk, "_copy", meanwhile)
    (tmp_path / "1.png").write_bytes(b"a frame")
    target = Target(Kept(out=job.folder / "x.json", keep="frames"), job, tmp_path)
    target.write(runout, None, [tmp_path / "1.png"])
    assert (job.folder / "x-frames" / "1.png").read_bytes() == b"a frame"
    assert verify_job(job.folder) == ()


def test_one_name_for_two_files_is_refused(tmp_path):
    with pytest.raises(BadFile, match="is named for two files"):
        check_replaceable((tmp_path / "x", "rimgauge-plan"), (tmp_path / "." / "x", ".pdf"))


def test_a_picture_beside_a_measurement_is_replaced_only_where_it_was_kept_with_it(tmp_path, runout):
    out, picture = tmp_path / "sheet.json", tmp_path / "sheet.jpg"
    picture.write_bytes(b"\xff\xd8 of the scale")
    with pytest.raises(BadFile, match=r"sheet\.jpg: is there already, and .* --keep none"):
        Target(Kept(out=out), None, tmp_path)
    Target(Kept(out=out, keep="none"), None, tmp_path)
    write_measured(out, runout, picture=JPEG, frames=[])
    Target(Kept(out=out), None, tmp_path)
    write_pass(out, dataclasses.replace(runout, picture_sha256=""))
    with pytest.raises(BadFile, match="is there already, and"):
        Target(Kept(out=out), None, tmp_path)


def test_only_what_was_written_beside_a_measurement_is_recorded_as_its_own(job, tmp_path, runout):
    out = job.folder / "sheet.json"
    picture_path(out).write_bytes(b"\xff\xd8 of the scale")
    Target(Kept(out=out, keep="none"), job, tmp_path).write(runout, None, [])
    names = {entry.name for entry in read_manifest(job.folder).entries}
    assert "sheet.json" in names
    assert "sheet.jpg" not in names
    out = job.folder / "second.json"
    frame = tmp_path / "0001.png"
    frame.write_bytes(b"a frame")
    Target(Kept(out=out, keep="frames"), job, tmp_path).write(runout, JPEG, [frame])
    assert {trouble.file for trouble in verify_job(job.folder)} == {"sheet.jpg"}
    assert (frames_path(out) / "0001.png").read_bytes() == b"a frame"
    told = json.loads(out.read_text(encoding="utf-8"))["picture_sha256"]
    assert told == hashlib.sha256(JPEG).hexdigest()
