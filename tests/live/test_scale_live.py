"""The scale's picture taken by the camera itself, here a phone's stream: nobody needs another program to save one."""

import contextlib
import json
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from phone import Phone, part

from rimgauge.cli import run, scale_picture
from rimgauge.job import create_job, read_view, verify_job
from tests.said import stopped

SQUARES = ("--square-mm", "5")
SAMPLES = Path(__file__).parents[2] / "sample_frames"


@pytest.fixture
def job(tmp_path, monkeypatch):
    """A job with a lateral view of a drawn scene, and the picture of a sheet of 5 mm squares."""
    monkeypatch.setattr(scale_picture, "SETTLE_S", 0.3)
    drawn = str(tmp_path / "drawn")
    run(["scene", "--out", drawn, "--frames", "2", "--seed", "28601", "--jpeg", "100"])
    made = create_job(tmp_path / "job", spokes=32)
    view = (tmp_path / "drawn" / "view.json").read_bytes()
    (made.folder / "view-lateral.json").write_bytes(view)
    monkeypatch.chdir(made.folder)
    return made, (tmp_path / "drawn" / "scale.jpg").read_bytes()


def shows(picture):
    def call(out):
        for _ in range(40):
            part(out, picture)
            time.sleep(0.03)

    return call


def test_a_phone_takes_the_picture_of_the_sheet_which_is_kept_and_recorded(job, capsys):
    made, sheet = job
    true_mm = read_view(made.folder / "view-lateral.json").scale.mm_per_px
    with Phone(shows(sheet)) as phone:
        run(["scale", "--checkerboard", phone.address, *SQUARES])
    told = capsys.readouterr()
    assert "Hold it still" in told.err
    assert "kept as view-lateral-scale.jpg" in told.out
    scale = read_view(made.folder / "view-lateral.json").scale
    assert scale.method == "checkerboard"
    assert scale.mm_per_px == pytest.approx(true_mm, rel=0.005)
    assert (made.folder / "view-lateral-scale.jpg").is_file()
    assert not verify_job(made.folder)


def test_a_sheet_that_the_camera_does_not_see_changes_nothing(job, capsys, tmp_path):
    made, _ = job
    before = (made.folder / "view-lateral.json").read_bytes()
    frame = next((tmp_path / "drawn" / "frames").iterdir()).read_bytes()
    with Phone(shows(frame)) as phone, pytest.raises(SystemExit) as leave:
        run(["scale", "--checkerboard", phone.address, *SQUARES])
    said = capsys.readouterr().err
    assert leave.value.code != 0
    assert "stream http://127.0.0.1" in said
    assert (made.folder / "view-lateral.json").read_bytes() == before
    assert not (made.folder / "view-lateral-scale.jpg").exists()


def test_no_camera_by_that_number_is_told(job, capsys):
    code, said = stopped(["scale", "--checkerboard", "97", *SQUARES], capsys)
    assert code != 0
    assert "97: no camera answers to this number" in said


def test_what_comes_after_aiming_by_an_address_keeps_user_and_password_to_the_person(
    tmp_path, monkeypatch, capsys
):
    frames = [path.read_bytes() for path in sorted((SAMPLES / "lateral_before" / "frames").iterdir())]

    def film(out):
        for data in frames * 3:
            part(out, data)
            time.sleep(0.02)

    monkeypatch.chdir(create_job(tmp_path / "job", spokes=28).folder)
    with Phone(film) as phone:
        login = phone.address.replace("//", "//an:secret@") + "?key=secret"
        run(["aim", login, "--direction", "lateral"])
    told = capsys.readouterr()
    assert f"--checkerboard {phone.address} --square-mm 5" in told.out
    assert "type them too" in told.out
    assert "secret" not in told.out + told.err


class Frames(list):
    """A camera's frames, as far as a still asks for them."""

    kind = "camera"

    def __init__(self, name, frames):
        super().__init__(frames)
        self.name = name


def _by_phone(sheet, *words):
    with Phone(shows(sheet)) as phone:
        run(["scale", "--checkerboard", phone.address, *SQUARES, *words])


def test_the_kept_picture_goes_with_the_view_and_with_another_scale(job, capsys):
    made, sheet = job
    kept = made.folder / "view-lateral-scale.jpg"
    _by_phone(sheet, "--json")
    assert json.loads(capsys.readouterr().out)["picture"] == str(kept)
    run(["scale", "--checkerboard", kept.name, *SQUARES])
    assert kept.is_file(), "the scale rests on it"
    (made.folder / "sheet.jpg").write_bytes(sheet)
    capsys.readouterr()
    run(["scale", "--checkerboard", "sheet.jpg", *SQUARES, "--json"])
    assert json.loads(capsys.readouterr().out)["picture"] is None
    assert not kept.exists()
    assert verify_job(made.folder) == ()
    _by_phone(sheet)
    run(["aim", "--direction", "lateral", "--forget"])
    assert not kept.exists()
    assert verify_job(made.folder) == ()


def test_a_new_aim_takes_the_picture_of_the_scale_it_forgets_away(job):
    made, sheet = job
    _by_phone(sheet)
    run(["aim", str(SAMPLES / "lateral_before" / "frames"), "--direction", "lateral"])
    assert not (made.folder / "view-lateral-scale.jpg").exists()
    assert verify_job(made.folder) == ()


def test_a_persons_own_file_is_neither_written_over_nor_taken_away(job, capsys, tmp_path, monkeypatch):
    made, sheet = job
    own = made.folder / "view-lateral-scale.jpg"
    own.write_bytes(b"own")
    code, said = stopped(["scale", "--checkerboard", "0", *SQUARES], capsys)
    assert code != 0
    assert "view-lateral-scale.jpg: is there already" in said
    run(["aim", "--direction", "lateral", "--forget"])
    assert own.read_bytes() == b"own"
    monkeypatch.chdir(tmp_path / "drawn")
    (tmp_path / "drawn" / "view-scale.jpg").write_bytes(b"own")
    _by_phone(sheet, "--view", "view.json")
    assert "kept as" not in capsys.readouterr().out
    assert (tmp_path / "drawn" / "view-scale.jpg").read_bytes() == b"own"


def test_a_file_named_like_a_camera_is_that_file(job):
    made, sheet = job
    assert scale_picture.is_live("0")
    (made.folder / "0").write_bytes(sheet)
    assert not scale_picture.is_live("0")
    assert scale_picture.still("0").file == Path("0")


def test_the_picture_is_taken_once_the_camera_had_its_time_to_settle(monkeypatch):
    @contextlib.contextmanager
    def camera(name):
        seen = [  # a camera's clock starts anywhere
            SimpleNamespace(time_s=100.0 + at_s, image=np.full((2, 2, 3), number, np.uint8))
            for number, at_s in enumerate([0.0, 1.0, 2.9, 3.0, 3.5])
        ]
        yield Frames(name, seen)

    monkeypatch.setattr("rimgauge.capture.open_source", camera)
    taken = scale_picture.still("0")
    assert (taken.name, taken.file) == ("camera 0", None)
    assert taken.image[0, 0, 0] == 3
