"""A hand that sets the wheel going may be before pointer or rim in the first frames: aim looks once more, a little later."""

from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from rimgauge.capture import aim_begin, aim_passing
from rimgauge.capture.aim import AIM_FRAMES, Hints, aim
from rimgauge.capture.aim_begin import LATER_FRAMES, aim_from, changes
from rimgauge.capture.aim_trial import OutOfSight
from rimgauge.capture.sources import Frame
from rimgauge.capture.working_size import reduced_frames
from rimgauge.errors import BadInput, FrameTrouble, RimNotSeen
from tests.seen import scene_of

SEED = 18000
HAND_BGR, HAND_PX, FINGERS_PX, SOFT_PX = (112, 138, 190), 60, 45, 4.0
GONE, AGAIN = 30, range(75, 90)
"""The hand is gone after a second, or comes again two and a half seconds after the beginning for half a second."""
TIP_PX, GAP_PX = 3.0, 2.0


class Film(list):
    """Frames as a source gives them."""

    def __init__(self, frames, kind="frames"):
        super().__init__(frames)
        self.kind, self.name = kind, "a film"


@pytest.fixture(scope="module")
def scene():
    return scene_of(SEED, frames=AIM_FRAMES + LATER_FRAMES, turns_per_s=0.36)


@pytest.fixture(scope="module")
def shots(scene):
    return list(scene.frames())


def with_hand(scene, shots, is_there):
    """The film with a hand that moves to and fro along the rim, before tip and edge."""
    frames = []
    for k, shot in enumerate(shots):
        image = shot.image
        if is_there(k):
            away = 30.0 * np.sin(k / 4.0) if k < GONE - 8 or k >= GONE else 30.0 + 25.0 * (k - GONE + 8)
            share = np.zeros(image.shape[:2], np.float32)
            for px, radius in ((away, HAND_PX), (away + HAND_PX, FINGERS_PX)):
                at = scene.tip_px + scene.camera.forward * px
                cv2.circle(share, (int(at[0]), int(at[1])), radius, 1.0, -1)
            share = cv2.GaussianBlur(share, (0, 0), SOFT_PX)[..., None]
            image = (image * (1.0 - share) + share * np.array(HAND_BGR)).round().astype(np.uint8)
        frames.append(Frame(k, k / 30.0, image))
    return Film(frames)


def test_a_hand_in_the_first_second_is_looked_past(scene, shots):
    film = with_hand(scene, shots, lambda k: k < GONE)
    frames, found = aim_from(film, "lateral", None, Hints())
    assert [frame.index for frame in frames] == list(range(LATER_FRAMES, LATER_FRAMES + AIM_FRAMES))
    assert found.tip_px == pytest.approx(tuple(scene.tip_px), abs=TIP_PX)
    shown = next(shot for shot, frame in zip(shots, film, strict=True) if frame.image is found.image)
    assert np.linalg.norm(np.subtract(found.rim_px, found.tip_px)) == pytest.approx(shown.gap_px, abs=GAP_PX)


def test_what_is_found_in_reduced_pictures_is_in_the_cameras_own_pixels(scene, shots):
    height, width = shots[0].image.shape[:2]
    half = list(reduced_frames((Frame(k, k / 30.0, shot.image) for k, shot in enumerate(shots[:40])), 2))
    found = aim(half, "lateral", None, Hints(runs="up"), size=(width, height))
    assert found.view.image_size == (width, height) == found.image.shape[1::-1]
    assert found.tip_px == pytest.approx(tuple(scene.tip_px), abs=TIP_PX)
    x, y, across, along = found.view.edges[0].pointer_box
    assert x < found.tip_px[0] < x + across
    assert y < found.tip_px[1] < y + along
    with pytest.raises(BadInput, match=f"outside the picture of {width} × {height}"):
        aim(half, "lateral", None, Hints(pointer_at=(width, 0)), size=(width, height))


def test_a_hand_that_comes_again_is_still_refused(scene, shots):
    film = with_hand(scene, shots, lambda k: k < GONE or k in AGAIN)
    with pytest.raises(OutOfSight, match="could be followed in"):
        aim_from(film, "lateral", None, Hints())


@pytest.fixture
def moving():
    """More frames than are looked at, of something small that moves."""
    images = np.zeros((3 * AIM_FRAMES, 90, 120, 3), np.uint8)
    for k, image in enumerate(images):
        image[:10, 3 * k % 110 :][:, :10] = 200
    return [Frame(k, k / 30.0, image) for k, image in enumerate(images)]


@pytest.fixture
def looked_at(monkeypatch):
    """Numbers of the first and last frame of every look; the first sees a hand, the second tells how it went."""
    looks = []

    def look(frames, *_):
        looks.append((frames[0].index, frames[-1].index))
        if len(looks) == 1:
            raise OutOfSight("a hand")
        if frames[0].image[-1, 0, 0] == 7:
            raise RimNotSeen("no rim")
        return "found"

    monkeypatch.setattr(aim_begin, "aim", look)
    return looks


def test_a_cameras_second_look_has_no_frames_of_before_the_first(moving, looked_at):
    frames, found = aim_from(Film(moving, "camera"), "lateral", None, Hints())
    assert (frames[0].index, found) == (AIM_FRAMES, "found")
    assert looked_at == [(0, AIM_FRAMES - 1), (AIM_FRAMES, 2 * AIM_FRAMES - 1)]


def test_large_pictures_are_reduced_as_they_come(monkeypatch, moving):
    """And hints and answers stay in the source's own pixels."""
    monkeypatch.setattr(aim_begin, "MOST_LINES", 44)
    asked = []

    def look(frames, direction, side, hints, later, size):
        asked.append((frames[0].image.shape, next(iter(later)).image.shape, hints.pointer_at, size))
        return SimpleNamespace(tip_px=(60.5, 20.5))

    monkeypatch.setattr(aim_begin, "aim", look)
    monkeypatch.setattr(aim_begin, "changes", lambda frames, tip_px: asked.append(tip_px))
    aim_from(Film(moving), "lateral", None, Hints(pointer_at=(70.0, 30.0)))
    assert asked == [((45, 60, 3), (45, 60, 3), (70.0, 30.0), (120, 90)), (30.0, 10.0)]


@pytest.mark.parametrize(("lines", "times"), [(1080, 1), (2159, 1), (2160, 2), (3240, 3)])
def test_pictures_are_reduced_from_2160_lines_on(lines, times):
    frames, reduced, size = aim_begin._no_larger(iter([Frame(0, 0.0, np.zeros((lines, 4000, 3), np.uint8))]))
    assert (reduced, size) == (times, (4000, lines))
    assert next(frames).image.shape[0] == lines // times


def test_where_the_second_look_finds_nothing_the_first_ones_trouble_is_told(moving, looked_at):
    moving[LATER_FRAMES].image[-1, 0] = 7
    with pytest.raises(OutOfSight, match="a hand"):
        aim_from(Film(moving), "lateral", None, Hints())
    assert len(looked_at) == 2


def test_a_film_that_ends_too_soon_is_looked_at_once(moving, looked_at):
    with pytest.raises(OutOfSight, match="a hand"):
        aim_from(Film(moving[: AIM_FRAMES + LATER_FRAMES - 1]), "lateral", None, Hints())
    assert len(looked_at) == 1
    with pytest.raises(FrameTrouble, match="1 frame is too few"):
        aim_from(Film(moving[:1]), "lateral", None, Hints())


def test_a_hand_that_was_before_the_tip_in_the_first_frames_is_told_from_light_that_changed(scene, shots):
    film = with_hand(scene, shots, lambda k: k < GONE)
    tip_px = tuple(scene.tip_px)
    assert changes(film[:AIM_FRAMES], tip_px)
    assert not changes(film[LATER_FRAMES:], tip_px)
    dimmer = [
        Frame(k, 0.0, (shot.image * (1.0 if k < 60 else 0.7)).astype(np.uint8))
        for k, shot in enumerate(shots)
    ]
    assert not changes(dimmer[:AIM_FRAMES], tip_px)


@pytest.mark.parametrize(("changed", "begin"), [([], 0), ([0], LATER_FRAMES), ([0, LATER_FRAMES], 0)])
def test_the_look_counts_round_whose_tip_nothing_changes(monkeypatch, moving, changed, begin):
    """Where both change the camera may have moved, and the first is kept."""
    monkeypatch.setattr(
        aim_begin, "aim", lambda frames, *_: SimpleNamespace(tip_px=(0.0, 0.0), at=frames[0].index)
    )
    monkeypatch.setattr(aim_begin, "changes", lambda frames, _: frames[0].index in changed)
    frames, found = aim_from(Film(moving), "lateral", None, Hints())
    assert frames[0].index == found.at == begin


def test_what_was_looked_on_at_for_a_mark_is_there_for_the_second_look_too(monkeypatch, scene, shots):
    """A film of six seconds and no mark: to look on for one used the frames up, and the hand's tip was kept or refused."""
    monkeypatch.setattr(aim_passing.Passing, "mark_columns", lambda self: None)
    film = with_hand(scene, shots, lambda k: k < GONE)
    frames, found = aim_from(film, "lateral", None, Hints())
    assert [frame.index for frame in frames] == list(range(LATER_FRAMES, LATER_FRAMES + AIM_FRAMES))
    assert found.tip_px == pytest.approx(tuple(scene.tip_px), abs=TIP_PX)
