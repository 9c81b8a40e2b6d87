"""Faults that spoilt files once brought to light, each kept here as it was found."""

import json
import re
import shutil

import cv2
import numpy as np
import pytest
from mutations import png_of_zeros

from rimgauge.capture import read_picture
from rimgauge.capture.mark import _likeness
from rimgauge.capture.uncovered import uncovered_px
from rimgauge.cli import run as rimgauge
from rimgauge.cli.common import complain
from rimgauge.cli.demo import sample_folder
from rimgauge.errors import BadFile
from rimgauge.job import read_plan, write_pass
from rimgauge.plan import make_plan
from rimgauge.records import Readings
from rimgauge.wheel import complete_wheel, influence
from tests.laws.simulated import simulated_pass, wave

HUGE = "9" * 200_000


@pytest.fixture
def refused(tmp_path, monkeypatch, capsys):
    """Run the command, see that it refuses and writes no file, and return what it said."""
    monkeypatch.chdir(tmp_path)

    def files():
        return sorted(path for path in tmp_path.rglob("*") if path.is_file() and path.name != ".lock")

    def run(*arguments):
        before = files()
        with pytest.raises(SystemExit) as leave:
            rimgauge([str(argument) for argument in arguments])
        said = capsys.readouterr().err
        assert leave.value.code in (1, 2)
        assert files() == before
        return said

    return run


@pytest.fixture
def job(tmp_path, monkeypatch, capsys):
    """A job with readings, whose manifest names a version that isn't there yet."""
    rimgauge(["new", str(tmp_path / "job"), "--spokes", "32"])
    capsys.readouterr()
    rows = [f"{k},{np.cos(k / 5):.2f}" for k in range(1, 33)]
    (tmp_path / "job" / "readings.csv").write_text("\n".join(["spoke,lateral_mm", *rows]), encoding="utf-8")
    manifest = tmp_path / "job" / "manifest.json"
    fields = json.loads(manifest.read_text(encoding="utf-8"))
    manifest.write_text(json.dumps(fields | {"version": 2}), encoding="utf-8")
    return tmp_path / "job"


@pytest.mark.parametrize("value", ["1e308", "-101", "100.5"])
def test_a_reading_that_no_wheel_gives_is_named(refused, tmp_path, value):
    rows = [f"{k},{value if k == 7 else 0.1 * (k % 3)}" for k in range(1, 33)]
    (tmp_path / "readings.csv").write_text("\n".join(["spoke,lateral_mm", *rows]), encoding="utf-8")
    (tmp_path / "wheel.toml").write_text("spokes = 32\n", encoding="utf-8")
    said = refused("plan", "--wheel", "wheel.toml", "--readings", "readings.csv", "--out", "plan.json")
    assert re.search(r"readings\.csv: line 8: lateral_mm is .*; no wheel reads more than 100", said)


def test_a_cell_as_long_as_a_book_is_said_in_short(refused, tmp_path):
    (tmp_path / "curve.csv").write_text(f"angle_deg,runout_mm\n0,{HUGE}\n", encoding="utf-8")
    assert "curve.csv: can't be read as a table" in refused("scene", "--out", "drawn", "--curve", "curve.csv")


def test_a_curve_out_of_all_bounds_is_refused_without_a_warning(refused, tmp_path):
    rows = [f"{10 * k},{'1e308' if k == 7 else 0.1}" for k in range(36)]
    (tmp_path / "curve.csv").write_text("\n".join(["angle_deg,runout_mm", *rows]), encoding="utf-8")
    said = refused("scene", "--out", "drawn", "--curve", "curve.csv")
    assert said == "rimgauge: curve.csv: strays by more than 100 mm, which no picture shows\n"


def test_a_number_of_spokes_without_end_is_refused(refused):
    assert "spokes" in refused("scene", "--out", "drawn", "--spokes", "1" * 400)


def test_pictures_too_small_for_a_board_show_none(refused, tmp_path):
    for number in range(5):
        cv2.imwrite(str(tmp_path / f"{number}.png"), np.zeros((1, 640, 3), np.uint8))
    assert "found in 0 pictures" in refused("lens", *sorted(tmp_path.glob("*.png")), "--squares", "9x6")


def test_a_job_whose_manifest_cannot_be_read_is_not_half_exported(refused, job):
    assert "manifest.json: version" in refused("export", job, "--to", "tables")


def test_a_plan_that_could_not_be_recorded_is_not_written(refused, job, monkeypatch):
    monkeypatch.chdir(job)
    assert "manifest.json: version" in refused("plan", "--readings", "readings.csv")


@pytest.mark.parametrize(
    "command", [["export", "NAME", "--to", "tables"], ["verify", "NAME"], ["jobs", "NAME"]]
)
def test_a_name_longer_than_the_system_takes_is_said(refused, command):
    said = refused(*("n" * 5000 if word == "NAME" else word for word in command))
    assert "nnn...nnn" in said
    assert len(said) < 400


def test_what_would_steer_a_terminal_is_not_printed(capsys):
    complain("rimgauge: \x1b[2J\udcff.json: there is no such file")
    assert capsys.readouterr().err == "rimgauge: \ufffd[2J\ufffd.json: there is no such file\n"


@pytest.mark.parametrize("turns", ["1e308", "-1e308", "1e17"])
def test_a_plan_of_endless_turns_is_refused(tmp_path, turns):
    (tmp_path / "plan.json").write_text(
        '{"format": "rimgauge-plan", "version": 1, "round": 1, "corrections": [{"order": 1, "spoke": 1, '
        f'"side": "left", "turns": {turns}, "words": ""}}]}}',
        encoding="utf-8",
    )
    with pytest.raises(BadFile, match=r"corrections\[0\]\.turns must be"):
        read_plan(tmp_path / "plan.json")


def test_a_picture_that_would_unfold_into_gigabytes_is_refused(tmp_path):
    (tmp_path / "a.png").write_bytes(png_of_zeros(60_000, 60_000))
    with pytest.raises(BadFile, match="too many pixels"):
        read_picture(tmp_path / "a.png")


@pytest.mark.parametrize("share", [0.5, 0.9, 0.999])
def test_a_picture_that_is_cut_off_is_refused_rather_than_filled_with_grey(tmp_path, share):
    whole = (sample_folder() / "lateral_before" / "frames" / "000000.jpg").read_bytes()
    (tmp_path / "a.jpg").write_bytes(whole[: int(share * len(whole))])
    with pytest.raises(BadFile, match="may be damaged"):
        read_picture(tmp_path / "a.jpg")


def test_a_picture_with_something_behind_it_is_whole(tmp_path):
    shutil.copy(sample_folder() / "lateral_before" / "frames" / "000000.jpg", tmp_path / "a.jpg")
    with (tmp_path / "a.jpg").open("ab") as file:
        file.write(b"\x00\x00\x00\x18ftypmp42" + bytes(5000) + b"\xff\xda" + bytes(range(256)))
    assert read_picture(tmp_path / "a.jpg").shape == (360, 640, 3)


@pytest.mark.parametrize("progressive", [0, 1])
def test_the_end_of_a_thumbnail_is_not_that_of_the_picture(tmp_path, progressive):
    scene = np.random.default_rng(4).integers(0, 255, (200, 300, 3), np.uint8)
    made = [cv2.IMWRITE_JPEG_PROGRESSIVE, progressive, cv2.IMWRITE_JPEG_RST_INTERVAL, 5]
    small, large = (cv2.imencode(".jpg", each, made)[1].tobytes() for each in (scene[:20, :20], scene))
    inside = b"Exif\0\0" + small
    whole = large[:2] + b"\xff\xe1" + (len(inside) + 2).to_bytes(2) + inside + large[2:]
    (tmp_path / "a.jpg").write_bytes(whole)
    assert read_picture(tmp_path / "a.jpg").shape == scene.shape
    for left in (len(inside) + 10, len(whole) // 2, len(whole) - 2):
        (tmp_path / "a.jpg").write_bytes(whole[:left])
        with pytest.raises(BadFile, match="may be damaged"):
            read_picture(tmp_path / "a.jpg")


def test_two_pictures_of_different_things_show_no_shim_and_take_no_gigabytes():
    rng = np.random.default_rng(1)
    one, other = rng.normal(120.0, 40.0, (2, 60, 300, 3))
    assert uncovered_px(one, other, np.ones((60, 300), np.bool_) & (np.arange(300) > 20), 16.0) is None


def test_frames_smaller_than_the_views_boxes_are_told_by_their_size(refused, tmp_path):
    (tmp_path / "frames").mkdir()
    cv2.imwrite(str(tmp_path / "frames" / "0.png"), np.zeros((3, 2, 3), np.uint8))
    view = sample_folder() / "lateral_before" / "view.json"
    said = refused("measure", "frames", "--view", view, "--spokes", "28", "--out", "pass.json")
    assert "frames: the frames are 2 × 3 pixels, but the view was made for 640 × 360" in said
    (tmp_path / "frames").rename(tmp_path / "Tuesday")
    for command in (("measure", "--out", "pass.json"), ("show", "--record", "clip.mp4", "--no-window")):
        said = refused(command[0], "Tuesday", "--view", view, "--spokes", "28", *command[1:])
        assert "Tuesday: the frames are 2 × 3 pixels" in said


@pytest.mark.filterwarnings("error")
def test_one_reading_far_beyond_what_a_rim_can_do_is_refused_without_a_warning(tmp_path):
    lateral_mm = np.cos(np.arange(28) / 3)
    lateral_mm[25] = -1203.3
    unread = np.full(28, np.nan)
    wheel = complete_wheel({"spokes": 28})
    readings = Readings(lateral_mm=lateral_mm, radial_mm=unread, tension_n=unread)
    assert "beyond what nipples can mend" in make_plan(readings, wheel, influence(wheel)).refused


def test_a_measurement_with_a_spoke_out_of_all_bounds_is_named(refused, tmp_path):
    write_pass(tmp_path / "pass.json", simulated_pass(wave(2, 0.4)))
    fields = json.loads((tmp_path / "pass.json").read_text(encoding="utf-8"))
    fields["sides"][0]["spokes"][25]["runout_mm"] = -1e155
    (tmp_path / "pass.json").write_text(json.dumps(fields), encoding="utf-8")
    (tmp_path / "wheel.toml").write_text("spokes = 32\n", encoding="utf-8")
    said = refused("plan", "--wheel", "wheel.toml", "--lateral", "pass.json", "--out", "plan.json")
    assert "pass.json: sides[0].spokes[25].runout_mm must be -100 or more" in said


@pytest.mark.parametrize(
    ("place", "name"),
    [
        (("curve", "runout_mm", 4), "curve.runout_mm[4]"),
        (("spokes", 5, "standard_uncertainty_mm"), "spokes[5]"),
    ],
)
def test_a_number_that_no_bench_has_is_named_where_it_is_read(refused, tmp_path, place, name):
    write_pass(tmp_path / "pass.json", simulated_pass(wave(2, 0.4)))
    fields = json.loads((tmp_path / "pass.json").read_text(encoding="utf-8"))
    inside = fields["sides"][0]
    for step in place[:-1]:
        inside = inside[step]
    inside[place[-1]] = 1e308
    (tmp_path / "pass.json").write_text(json.dumps(fields), encoding="utf-8")
    said = refused("report", "--after", "pass.json", "--out", "r.html")
    assert f"pass.json: sides[0].{name}" in said
    assert "must be 1e+50 or less" in said


@pytest.mark.filterwarnings("error")
def test_a_mark_without_a_colour_is_like_nothing_and_warns_of_nothing():
    assert not _likeness(np.zeros((4, 120, 3)), np.zeros(3)).any()
