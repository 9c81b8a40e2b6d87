"""A film may begin before the wheel is turned: what stands still then tells nothing of pointer and rim."""

import itertools
import weakref
from dataclasses import replace

import numpy as np
import pytest

from rimgauge.capture import still_start
from rimgauge.capture.aim import AIM_FRAMES, LEAST_FRAMES, Hints, aim
from rimgauge.capture.sources import Frame
from rimgauge.capture.still_start import StillStart, from_the_turning_on, look_of, still_before
from rimgauge.capture.tracker import LEARNING_FRAMES, _Noted
from rimgauge.cli.scene import _wheel_text
from rimgauge.scene import scene_truth, scene_view
from tests.benchmarks.rendered import measured
from tests.seen import scene_of

STILL, BEGIN = 75, 4
"""It stands for so many frames, as it does in that one when it turns: a spoke beside the tip was taken for the pointer there,
and the rim wasn't followed by what was learnt meanwhile."""
EARLY = 10
"""The turning is found by so many frames too early at most, and never too late."""
SEED = 18000


@pytest.fixture(scope="module")
def scene():
    return scene_of(SEED, frames=240, flicker=0.03)


@pytest.fixture(scope="module")
def turning(scene):
    return list(scene.frames())


@pytest.fixture(scope="module")
def film(scene, turning):
    """The wheel's frames, and before them some of it at rest."""
    picture = scene.photograph(turning[BEGIN].wheel_angle_deg)
    still = [scene.expose(picture * np.float32(1.0 + 0.03 * np.sin(2.3 * k))) for k in range(STILL)]
    images = [*still, *(each.image for each in turning[BEGIN:])]
    return [Frame(k, k / 30.0, image) for k, image in enumerate(images)]


def test_the_frames_before_the_wheel_is_turned_are_counted(film):
    pictures = [frame.image for frame in film[:120]]
    assert STILL - EARLY <= still_before(pictures) <= STILL
    assert still_before(pictures[STILL:]) == 0
    assert still_before(pictures[: STILL - 5]) == STILL - 5
    assert still_before(pictures[:15]) == 0


def test_once_something_has_moved_no_more_is_looked_at(film, monkeypatch):
    looked_at = []
    monkeypatch.setattr(still_start, "look_of", lambda picture: looked_at.append(0) or look_of(picture))
    start, told = StillStart(), []
    for frame in film[:120]:
        start.see(frame.image)
        told.append(start.frames)
    assert STILL < len(looked_at) <= STILL + 2 * EARLY
    assert told[: STILL - 1] == [0] * 19 + list(range(20, STILL))
    assert set(told[STILL + 2 * EARLY :]) == {still_before(frame.image for frame in film[:120])}


def test_as_many_frames_are_taken_from_the_turning_on(film):
    taken = from_the_turning_on(iter(film), AIM_FRAMES, LEAST_FRAMES)
    assert len(taken) == AIM_FRAMES
    assert STILL - EARLY <= taken[0].index <= STILL
    assert [each.index for each in taken] == list(range(taken[0].index, taken[-1].index + 1))


def test_light_that_changes_is_no_movement():
    """A few bright things on dark ground, from whose grey levels a lamp takes most."""
    look = np.full((90, 120), 40.0)
    look[:10, :30] = 200.0
    light = 1.0 + 0.2 * np.sin(0.9 * np.arange(60))
    noise = np.random.default_rng(18).normal(0.0, 1.0, (60, 90, 120))
    grey = np.clip(np.rint(look * light[:, None, None] + noise), 0, 255).astype(np.uint8)
    pictures = list(np.repeat(grey[..., None], 3, axis=3))
    assert still_before(pictures) == 60
    turned = [np.roll(each, 2 * max(k - 40, 0), axis=1) for k, each in enumerate(pictures)]
    assert 40 - EARLY <= still_before(turned) <= 40


def test_no_more_than_twenty_seconds_are_passed_over():
    still = np.full((90, 120, 3), 90, dtype=np.uint8)
    taken = from_the_turning_on((Frame(k, k / 30.0, still) for k in range(900)), 30, 10)
    assert [each.index for each in taken] == list(range(20 * 30, 20 * 30 + 30))


@pytest.mark.parametrize(("after", "learnt_from_there"), [(12, False), (32, True)])
def test_still_frames_are_learnt_from_too_where_too_few_follow(scene, film, after, learnt_from_there):
    notes = _Noted(scene_view(scene))
    next(notes.parts(film[: STILL + after]))
    assert (STILL - EARLY <= notes.still <= STILL) if learnt_from_there else notes.still == 0


def test_a_wheel_that_never_turns_is_not_waited_for_without_end(scene, film, monkeypatch):
    """What is kept of frames to learn from stays small, however long the film goes on."""
    most = 2 * LEARNING_FRAMES
    monkeypatch.setattr("rimgauge.capture.tracker.MOST_STILL_FRAMES", most)
    taken = itertools.count()
    next(_Noted(scene_view(scene)).parts(replace(film[0], index=k) for k in taken))
    assert next(taken) <= most + LEARNING_FRAMES


def test_pictures_are_let_go_of_as_they_come(scene, film):
    """Those before the turning may be 600; of a telephone's largest picture each takes 25 MB."""
    pictures, alive = [], []

    def coming():
        for frame in film[: STILL + 60]:
            image = frame.image.copy()
            pictures.append(weakref.ref(image))
            alive.append(sum(each() is not None for each in pictures))
            yield Frame(frame.index, frame.time_s, image)
            del image

    for _ in _Noted(scene_view(scene)).parts(coming()):
        pass
    assert len(alive) == STILL + 60
    assert max(alive) <= 3


@pytest.mark.parametrize("end", [STILL - 5, STILL + 4])
def test_of_a_film_that_ends_before_the_turning_all_is_taken(film, end):
    assert len(from_the_turning_on(film[:end], AIM_FRAMES, LEAST_FRAMES)) == end


def test_a_film_that_begins_before_the_turning_is_aimed_and_measured_right(scene, turning, film, tmp_path):
    found = aim(from_the_turning_on(film, AIM_FRAMES, LEAST_FRAMES), "lateral", None, Hints())
    assert found.tip_px == pytest.approx(tuple(scene.tip_px), abs=3.0)
    (tmp_path / "wheel.toml").write_text(_wheel_text(scene.spec), encoding="utf-8")
    view = replace(found.view, scale=scene_view(scene).scale)
    runout = measured(tmp_path, view, frames=film)
    truth = scene_truth(scene, turning)["apparent_total_runout_mm"]
    assert runout.total_runout.value == pytest.approx(truth, abs=0.02)
