"""`rimgauge show` from frames to a video, and what it says when it can't."""

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest

from rimgauge import live, watching
from rimgauge.cli import run
from rimgauge.cli.show import drawing
from rimgauge.job import read_view, write_view
from rimgauge.live import no_trail
from rimgauge.records import Scale
from tests.said import stopped
from tests.seen import lateral_view


@pytest.fixture
def source(tmp_path):
    """A folder of three frames and a view beside it."""
    frames = tmp_path / "frames"
    frames.mkdir()
    for index in range(3):
        cv2.imwrite(str(frames / f"{index:03d}.png"), np.full((360, 640, 3), 90, np.uint8))
    view = lateral_view(
        mark_box=(130, 90, 130, 180),
        mark_to_pointer_deg=0.0,
        scale=Scale(mm_per_px=0.12, standard_uncertainty_mm_per_px=0.0002, method="given"),
    )
    write_view(tmp_path / "view.json", view)
    return tmp_path


@pytest.fixture
def watched(monkeypatch, moments):
    """Let the frames say what a stated wheel would."""
    monkeypatch.setattr(watching, "watch", lambda frames, view, angles, **_: moments(150))


def arguments(source, *more):
    return ["show", str(source / "frames"), "--view", str(source / "view.json"), *more]


@pytest.mark.usefixtures("watched")
def test_frames_become_a_video_without_a_window(source, capsys):
    video = source / "out.mp4"
    run(arguments(source, "--spokes", "32", "--no-window", "--record", str(video), "--json"))
    answer = json.loads(capsys.readouterr().out)
    assert answer["frames"] == answer["recorded"] == 150
    assert answer["largest_minus_smallest_mm"] == pytest.approx(0.9, abs=0.01)
    opened = cv2.VideoCapture(str(video))
    assert opened.get(cv2.CAP_PROP_FRAME_COUNT) == 150
    assert opened.read()[1].shape == (720, 1280, 3)


@pytest.mark.usefixtures("watched")
def test_what_is_made_inside_a_job_belongs_to_its_record(source, monkeypatch, capsys):
    run(["new", str(source / "job"), "--spokes", "32"])
    monkeypatch.chdir(source / "job")
    run(arguments(source, "--no-window", "--record", "clip.mp4"))
    run(["target"])
    run(["target", "--tags", "32"])
    run(["verify"])
    said = capsys.readouterr().out
    assert "as recorded" in said
    assert "NOT" not in said


@pytest.mark.usefixtures("watched")
def test_a_wheel_file_gives_the_spokes(source, capsys):
    (source / "wheel.toml").write_text("spokes = 20\n")
    more = ("--wheel", str(source / "wheel.toml"), "--no-window", "--record", str(source / "o.avi"))
    run(arguments(source, *more, "--size", "1920x1080", "--light"))
    said = " ".join(capsys.readouterr().out.split())
    assert "150 pictures" in said
    assert "The 0.90 mm shown at the end are of the last time round" in said
    assert "`rimgauge measure`" in said


@pytest.mark.usefixtures("watched")
@pytest.mark.parametrize(
    ("more", "part"),
    [
        (["--spokes", "32", "--no-window"], "--record"),
        (["--no-window", "--record", "a.mp4"], "--spokes"),
        (["--spokes", "7.5", "--no-window", "--record", "a.mp4"], "whole number"),
        (["--spokes", "0", "--no-window", "--record", "a.mp4"], "between 4 and 60 spokes"),
        (["--spokes", "32", "--no-window", "--record", "a.txt"], ".mp4"),
    ],
)
def test_wrong_usage_is_said_in_one_sentence(source, monkeypatch, capsys, more, part):
    monkeypatch.chdir(source)
    code, said = stopped(arguments(source, *more), capsys)
    assert code == 2
    assert part in said


@pytest.mark.usefixtures("watched")
@pytest.mark.parametrize("named", [".", "frames"])
def test_a_view_beside_the_frames_is_taken(source, monkeypatch, capsys, named):
    monkeypatch.chdir(source)
    run(["show", named, "--spokes", "32", "--no-window", "--record", "a.mp4"])
    assert "150 pictures" in capsys.readouterr().out


@pytest.mark.usefixtures("watched")
def test_frames_without_a_view_beside_them_need_one(source, monkeypatch, capsys):
    monkeypatch.chdir(source)
    (source / "view.json").unlink()
    code, said = stopped(["show", "frames", "--spokes", "32"], capsys)
    assert code == 2
    assert "--view" in said


@pytest.mark.usefixtures("watched")
def test_a_view_without_a_scale_is_named_with_the_command_that_gives_it_one(source, capsys):
    view = read_view(source / "view.json")
    write_view(source / "view.json", replace(view, scale=None))
    more = ("--spokes", "32", "--no-window", "--record", str(source / "a.mp4"))
    code, said = stopped(arguments(source, *more), capsys)
    assert code != 0
    assert "view.json: this view has no scale yet" in said
    assert "rimgauge scale --view" in said


@pytest.mark.usefixtures("watched")
def test_spokes_and_wheel_file_must_agree(source, capsys):
    (source / "wheel.toml").write_text("spokes = 20\n")
    more = ("--wheel", str(source / "wheel.toml"), "--spokes", "32", "--no-window", "--record", "a.mp4")
    code, said = stopped(arguments(source, *more), capsys)
    assert code == 2
    assert "20" in said
    assert "32" in said


@pytest.mark.usefixtures("watched")
def test_a_source_that_is_not_there_is_named(source, capsys):
    words = ["show", "nowhere.mp4", "--view", str(source / "view.json"), "--spokes", "32"]
    code, said = stopped([*words, "--no-window", "--record", str(source / "a.mp4")], capsys)
    assert code == 1
    assert "nowhere.mp4" in said
    assert not (source / "a.mp4").exists()


def test_a_misspelt_folder_is_named_rather_than_its_view_asked_for(capsys):
    code, said = stopped(["show", "dran/frames", "--spokes", "32"], capsys)
    assert code == 1
    assert "dran/frames" in said
    assert "no such file or folder" in said


def test_the_lesson_refuses_a_folder_that_it_would_not_show(source, capsys):
    code, said = stopped(["show", "--lesson", str(source / "frames")], capsys)
    assert code == 2
    assert str(source / "frames") in said


@pytest.mark.parametrize(
    ("boxes", "words"),
    [
        ({}, "once round past its mark"),
        ({"mark_box": None}, "No mark"),
        ({"tag_box": (100, 0, 200, 360)}, "No tag can be read: turn the wheel more slowly"),
    ],
)
def test_what_to_do_while_the_spoke_is_not_known_depends_on_what_tells_it(
    source, monkeypatch, moments, showing, boxes, words
):
    told = []
    monkeypatch.setattr(live, "draw_projector", lambda showing, *, unplaced, **_: told.append(unplaced))
    view = replace(read_view(source / "view.json"), **boxes)
    drawing(view, np.arange(32) * 11.25, (1280, 720))(showing(next(moments(1)), no_trail()))
    assert words in told[0]


@pytest.mark.usefixtures("watched")
def test_without_a_screen_the_command_says_what_to_do(source, monkeypatch, capsys):
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.setenv("DISPLAY", "")
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    code, said = stopped(arguments(source, "--spokes", "32"), capsys)
    assert code == 1
    assert "--no-window" in said
