"""The loop, its keys and its recording."""

import os
import threading
import time
from pathlib import Path

import cv2
import numpy as np
import pytest

from rimgauge.errors import BadFile, BadInput
from rimgauge.live import Bench, Step, draw_projector, run_window
from rimgauge.live import desk as desk_room
from rimgauge.live import window as loop
from rimgauge.live.recording import Recording
from rimgauge.live.screen import Controls, all_keys, pressed
from tests.small_disk import mounted


def plain(showing):
    """Draw a small picture whose brightness is the number of the frame."""
    return np.full((96, 128, 3), 2 * showing.moment.index, np.uint8)


def decoded(path: Path) -> list[np.ndarray]:
    video = cv2.VideoCapture(str(path))
    pictures = []
    while True:
        there, picture = video.read()
        if not there:
            return pictures
        pictures.append(picture)


# --- recording -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("ending", [".mp4", ".avi"])
def test_a_recording_holds_each_picture_in_its_order(tmp_path, moments, ending):
    path = tmp_path / f"Räder und Speichen{ending}"
    shown = run_window(moments(45), plain, window=False, record_to=path)
    pictures = decoded(path)
    assert shown.seen == shown.recorded == len(pictures) == 45
    brightness = [picture.mean() for picture in pictures]
    np.testing.assert_allclose(brightness, 2 * np.arange(45), rtol=0, atol=4)
    assert os.listdir(tmp_path) == [path.name]


@pytest.mark.parametrize("fps", [15.0, 60.0])
def test_a_recording_lasts_as_long_as_what_it_shows(tmp_path, moments, fps):
    count = int(2 * fps)
    run_window(moments(count, fps=fps), plain, window=False, record_to=tmp_path / "a.mp4")
    assert len(decoded(tmp_path / "a.mp4")) == pytest.approx(60, abs=2)


def test_a_clock_that_jumps_does_not_fill_the_video(tmp_path):
    picture = np.zeros((96, 128, 3), np.uint8)
    with Recording(tmp_path / "a.avi", fps=30) as recording:
        for time_s in (0.0, 0.1, 9999.0, 9999.1, 5.0, 5.1):
            recording.add(picture, time_s)
    assert recording.frames < 20


@pytest.mark.parametrize("ending", [".mp4", ".avi"])
def test_a_full_disk_leaves_no_broken_video(tmp_path, moments, ending):
    noise = np.random.default_rng(1).integers(0, 255, (360, 640, 3), np.uint8)
    with mounted(tmp_path / "disk", "size=200k") as disk:
        with pytest.raises(BadFile, match="could not be written; is the disk full"):
            run_window(moments(20), lambda _: noise, window=False, record_to=disk / f"a{ending}")
        assert os.listdir(disk) == []


def test_stopping_half_way_leaves_a_whole_video(tmp_path, moments):
    def interrupted():
        yield from moments(20)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_window(interrupted(), plain, window=False, record_to=tmp_path / "a.mp4")
    assert len(decoded(tmp_path / "a.mp4")) == 20


@pytest.mark.parametrize(
    ("name", "kind"),
    [("a.txt", BadInput), ("none/a.mp4", BadFile), ("folder.mp4", BadFile), ("there.avi", BadFile)],
)
def test_a_recording_that_can_not_be_made_says_why(tmp_path, moments, name, kind):
    (tmp_path / "folder.mp4").mkdir()
    (tmp_path / "there.avi").write_bytes(b"a clip of last week")
    with pytest.raises(kind, match=name):
        run_window(moments(3), plain, window=False, record_to=tmp_path / name)
    assert sorted(os.listdir(tmp_path)) == ["folder.mp4", "there.avi"]
    assert (tmp_path / "there.avi").read_bytes() == b"a clip of last week"


def test_the_projector_picture_can_be_recorded(tmp_path, moments, spokes_deg):
    def draw(showing):
        return draw_projector(showing, spoke_angles_deg=spokes_deg)

    run_window(moments(5), draw, window=False, record_to=tmp_path / "a.mp4")
    assert decoded(tmp_path / "a.mp4")[-1].shape == (720, 1280, 3)


# --- keys ----------------------------------------------------------------------------------------------


def test_keys_do_what_the_picture_says():
    start = Controls()
    assert pressed(start, ord("q")).quit
    assert pressed(start, 27).quit
    assert pressed(start, ord("f")).full
    assert not pressed(start, ord("d")).dark
    assert pressed(start, ord(" ")).frozen
    assert not pressed(pressed(start, ord(" ")), ord(" ")).frozen
    assert pressed(start, ord("w")).shape
    assert not pressed(start, ord("b")).before
    assert pressed(pressed(start, ord("n")), ord("N")).turned == 2
    assert pressed(pressed(start, ord("n")), ord("u")).turned == 0
    assert pressed(start, ord("h")).keys
    assert pressed(start, ord("s")).save
    assert pressed(start, ord("x")) is start


class PlayedScreen:
    """A screen whose person presses the keys of a list, one each time it is asked."""

    def __init__(self, keys):
        self.keys, self.pictures = list(keys), []

    def __call__(self):
        return self

    def __enter__(self):
        return self

    def __exit__(self, *_):
        return None

    def show(self, picture, *, full):
        self.pictures.append((int(picture[0, 0, 0]), full))

    def key(self, wait_s):
        time.sleep(wait_s)
        return self.keys.pop(0) if self.keys else -1


def test_q_ends_the_loop(monkeypatch, moments):
    monkeypatch.setattr(loop, "Screen", PlayedScreen([-1, -1, ord("q")]))
    assert run_window(moments(100), plain, live=True).seen == 3


def test_a_window_that_was_closed_is_not_opened_again(monkeypatch, moments):
    screen = PlayedScreen([-1, -1, ord("q")])
    monkeypatch.setattr(loop, "Screen", screen)
    run_window(moments(100), plain, live=True)
    assert len(screen.pictures) == 3


def test_the_window_says_what_is_prepared_until_the_first_frame_is_there(monkeypatch, moments):
    screen = PlayedScreen([])
    monkeypatch.setattr(loop, "Screen", screen)

    def slow():
        while len(screen.pictures) < 3:
            time.sleep(0.01)
        yield from moments(2)

    shown = run_window(slow(), plain, preparing=np.full((96, 128, 3), 250, np.uint8))
    values = [value for value, _ in screen.pictures]
    assert values[:3] == [250, 250, 250]
    assert values[-1] == 2
    assert shown.seen == 2


def test_q_while_the_first_frame_is_prepared_ends_the_loop_at_once(monkeypatch, moments):
    screen, left = PlayedScreen([-1, ord("q")]), threading.Event()
    monkeypatch.setattr(loop, "Screen", screen)
    waited = []

    def slow():
        waited.append(left.wait(2.0))
        yield from moments(2)

    assert run_window(slow(), plain, preparing=np.full((96, 128, 3), 250, np.uint8)).seen == 0
    assert not waited, "it was not waited for"
    left.set()


def test_while_no_picture_comes_the_window_says_so_and_heeds_its_keys(monkeypatch, moments):
    monkeypatch.setattr(loop, "LATE_S", 0.1)
    there, left, feet = PlayedScreen([-1, -1, ord("h")]), threading.Event(), []
    monkeypatch.setattr(loop, "Screen", there)

    def draw(showing):
        feet.append((showing.foot.state, showing.controls.keys))
        return plain(showing)

    def unplugged():
        yield from moments(2)
        while ("No picture comes from the camera", True) not in feet:
            time.sleep(0.01)
        yield from moments(1)
        there.keys.append(ord("q"))
        left.wait(5.0)

    began_s = time.monotonic()
    assert run_window(unplugged(), draw, live=True).seen == 3
    assert time.monotonic() - began_s < 4.0, "q was heeded while nothing came"
    left.set()
    assert feet[0] == ("", False)
    assert ("", True) in feet, "the picture came back"


def test_before_the_first_picture_of_a_camera_q_is_heeded(monkeypatch, moments):
    monkeypatch.setattr(loop, "LATE_S", 0.1)
    monkeypatch.setattr(loop, "Screen", PlayedScreen([ord("q")]))
    left = threading.Event()

    def silent():
        left.wait(5.0)
        yield from moments(1)

    assert run_window(silent(), plain, live=True).seen == 0
    left.set()


@pytest.mark.parametrize("planned", [True, False])
def test_the_foot_offers_to_count_nipple_turns_only_with_a_plan(monkeypatch, moments, planned):
    feet, lists = [], []

    def draw(showing):
        feet.append(showing.foot.keys)
        lists.append(dict(showing.keys))
        return plain(showing)

    monkeypatch.setattr(loop, "Screen", PlayedScreen([]))
    steps = (Step(spoke=8, flange="left", turns=0.25, planned_mm=0.2),) if planned else ()
    run_window(moments(2), draw, bench=Bench(steps=steps), live=True)
    assert all(("n nipple turned" in keys) == planned for keys in feet)
    assert all(("the next" in keys["n"]) == planned for keys in lists)


def test_the_list_of_keys_holds_those_that_do_something():
    always = {"q", "space", "f", "d", "w", "s", "h"}
    for lesson, before, live, more in (
        (True, False, False, {"r"}),
        (False, True, True, {"b", "n", "u"}),
        (False, False, False, {"n", "u", "r"}),
    ):
        assert {key for key, _ in all_keys(lesson=lesson, planned=True, before=before, live=live)} == {
            *always,
            *more,
        }


def test_live_frames_go_on_behind_a_frozen_picture(monkeypatch, moments):
    screen = PlayedScreen([-1, ord(" "), -1, -1, -1, ord(" "), ord("q")])
    monkeypatch.setattr(loop, "Screen", screen)
    assert run_window(moments(100), plain, live=True).seen == 7
    brightness = [value for value, _ in screen.pictures]
    assert brightness == sorted(brightness)
    assert {4, 6, 8}.isdisjoint(brightness)


def test_a_frozen_video_waits(monkeypatch, moments):
    screen = PlayedScreen([ord(" "), -1, -1, -1, -1, ord("q")])
    monkeypatch.setattr(loop, "Screen", screen)
    assert run_window(moments(100), plain, live=False).seen == 1


def test_a_frozen_video_can_be_stopped(monkeypatch, moments):
    asked = []
    monkeypatch.setattr(loop, "Screen", PlayedScreen([ord(" ")]))
    shown = run_window(moments(100), plain, stopped=lambda: asked.append(1) or len(asked) > 5)
    assert shown.seen == 1


def test_the_last_picture_stays_until_the_person_quits(monkeypatch, moments):
    seen = []
    screen = PlayedScreen([-1] * 10 + [ord(key) for key in "fwd h b"] + [-1] * 5 + [ord("q")])
    monkeypatch.setattr(loop, "Screen", screen)
    shown = run_window(moments(2), lambda showing: seen.append(showing) or plain(showing), hold=True)
    assert shown.seen == 2
    assert screen.keys == []
    ended = {showing.foot.state for showing in seen[2:]}
    assert ended == {"The film has ended; q closes", "No measurement before to draw"}


STEPS = (
    Step(spoke=10, flange="left", turns=0.25, planned_mm=0.2),
    Step(spoke=12, flange="left", turns=0.25, planned_mm=0.2),
)


@pytest.mark.parametrize(
    ("key", "steps", "words"),
    [
        ("s", (), "Saved as shown-01.png"),
        ("b", (), "No measurement before to draw"),
        ("r", (), "A camera can't be shown slowly"),
        ("u", (), "No nipple turn is noted"),
        ("x", (), "x is no key here; h shows them all"),
        ("n", (), "Changes count from here; u takes it back"),
        ("n", STEPS, "Noted: spoke 10 is turned, though spoke 1 is at the pointer; u takes it back"),
        ("nu", STEPS, "Taken back: spoke 10 is next"),
        ("nnn", STEPS, "All nipples of the plan are noted"),
    ],
)
def test_no_key_is_silent(monkeypatch, moments, tmp_path, key, steps, words):
    seen = []
    monkeypatch.setattr(loop, "Screen", PlayedScreen([ord(letter) for letter in key]))
    run_window(
        moments(len(key) + 1, step_deg=0.1),
        lambda showing: seen.append(showing.foot.state) or plain(showing),
        bench=Bench(steps=steps),
        save_to=tmp_path,
        live=True,
    )
    assert seen[-1] == words


def test_what_a_key_has_done_is_said_for_two_seconds(monkeypatch, moments, spokes_deg):
    clock = iter(np.arange(0.0, 1e4, 0.05))
    monkeypatch.setattr(desk_room.time, "monotonic", lambda: float(next(clock)))
    desk = desk_room.Desk(lambda showing: showing.foot.state, Bench(), Path(), keys=True, live=True)
    desk.show(next(moments(1)))
    controls = desk.press(Controls(), ord("b"))
    said = [desk.picture(controls) for _ in range(60)]
    assert said.count("No measurement before to draw") == pytest.approx(40, abs=2)
    assert said[-1] == ""


def test_taking_a_nipple_turn_back_brings_its_gaps_back(monkeypatch, moments):
    seen = []
    keys = [-1] * 5 + [ord("n")] + [-1] * 5 + [ord("n"), -1, ord("u")]
    monkeypatch.setattr(loop, "Screen", PlayedScreen(keys))
    run_window(moments(20), lambda showing: seen.append(showing) or plain(showing), live=True)
    assert seen[-1].controls.turned == 1
    assert seen[-1].since == "since nipple turn 1"
    np.testing.assert_array_equal(seen[-1].since_mm, seen[5].trail.now_mm)


def test_noting_a_nipple_turn_tells_changes_from_there_on(monkeypatch, moments):
    seen = []
    monkeypatch.setattr(loop, "Screen", PlayedScreen([-1] * 10 + [ord("n")]))
    run_window(moments(20), lambda showing: seen.append(showing) or plain(showing), live=True)
    assert [showing.since_mm is None for showing in seen[:11]] == [True] * 11
    assert seen[-1].controls.turned == 1
    np.testing.assert_array_equal(seen[-1].since_mm, seen[10].trail.now_mm)


def test_the_key_s_saves_the_picture_under_a_new_name_each_time(monkeypatch, moments, tmp_path):
    monkeypatch.setattr(loop, "Screen", PlayedScreen([-1, -1, ord("s"), -1, ord("s")]))
    run_window(moments(8), plain, live=True, save_to=tmp_path)
    names = sorted(os.listdir(tmp_path))
    assert names == ["shown-01.png", "shown-02.png"]
    assert [int(cv2.imread(str(tmp_path / name))[0, 0, 0]) for name in names] == [4, 8]


def test_a_video_is_shown_at_its_own_pace(monkeypatch, moments):
    pauses = []
    screen = PlayedScreen([])
    monkeypatch.setattr(screen, "key", lambda wait_s: pauses.append(wait_s) or time.sleep(wait_s) or -1)
    monkeypatch.setattr(loop, "Screen", screen)
    run_window(moments(16), plain, live=False)
    assert sum(pauses) == pytest.approx(15 / 30, abs=0.2)


def test_sixty_frames_a_second_are_drawn_at_thirty(monkeypatch, moments):
    screen = PlayedScreen([])
    monkeypatch.setattr(loop, "Screen", screen)
    run_window(moments(60, fps=60.0), plain, live=True)
    assert len(screen.pictures) == 30
