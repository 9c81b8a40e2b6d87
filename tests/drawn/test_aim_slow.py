"""A wheel that is turned slowly shows its mark once in the first frames, or not at all: aim looks on until it does."""

import itertools
from types import SimpleNamespace

import numpy as np
import pytest

from rimgauge.capture import aim_begin, aim_passing
from rimgauge.capture.aim import Hints
from rimgauge.capture.aim_begin import aim_from
from rimgauge.capture.aim_passing import MOST_LATER_FRAMES, Passing, what_passes
from rimgauge.capture.sources import Frame
from rimgauge.records import middle_px
from rimgauge.scene import scene_view
from tests.seen import scene_of

SEED, FIRST, PASSED_OVER = 17738, 60, 50
TURNS_PER_S = 0.25
"""The mark comes by again after 138 frames of the film, 88 from where it begins to be looked at."""
NEAR_PX = 20.0


class Film:
    """Frames as a source gives them; how many were read."""

    kind, name, read = "frames", "a film", 0

    def __init__(self, frames):
        self.frames = frames

    def __iter__(self):
        for frame in self.frames:
            self.read += 1
            yield frame


@pytest.fixture(scope="module")
def scene():
    return scene_of(SEED, frames=200, turns_per_s=TURNS_PER_S, texture=0.0, decal=False, finish="black")


@pytest.fixture(scope="module")
def frames(scene):
    """The film from where the mark has left the picture on."""
    shots = list(scene.frames())[PASSED_OVER:]
    return [Frame(k, shot.time_s, shot.image) for k, shot in enumerate(shots)]


def test_a_mark_that_comes_by_later_is_found_and_no_more_is_read_than_that_takes(scene, frames, monkeypatch):
    monkeypatch.setattr(aim_begin, "AIM_FRAMES", FIRST)
    alone = aim_from(Film(frames[:FIRST]), "lateral", None, Hints(runs=way_of(scene)))[1]
    assert any("No coloured mark came by" in note for note in alone.notes)
    film = Film(frames)
    first, found = aim_from(film, "lateral", None, Hints())
    assert len(first) == FIRST < film.read < len(frames)
    assert not any("No coloured mark came by" in note for note in found.notes)
    assert found.view.forward @ scene.camera.forward > 0.99
    aside = float(
        (middle_px(found.view.mark_box) - middle_px(scene_view(scene).mark_box)) @ scene.camera.positive
    )
    assert abs(aside) < NEAR_PX


def way_of(scene):
    x, y = scene.camera.forward
    if abs(x) > abs(y):
        return "right" if x > 0.0 else "left"
    return "down" if y > 0.0 else "up"


def strips(places):
    """Strips of a plain rim with a red mark 24 bins long at a place where one is given."""
    rim = np.random.default_rng(2).normal(120.0, 1.5, (len(places), 90, 30, 3))
    for strip, place in zip(rim, places, strict=True):
        if place is not None:
            strip[max(place, 0) : place + 24, 5:9] += (-40.0, -40.0, 80.0)
    return rim.astype(np.uint8)


def test_frames_that_went_by_unseen_tell_no_way():
    """The mark is in the last frame before a gap and farther back in the first after it: it came round in between."""
    before, after = strips([None] * 60 + [60]), strips([8] + [None] * 60)
    first = Passing(before, None, np.zeros(1))
    later = Passing(after, None, np.zeros(1))
    parted, joined = (first.and_later(later, unseen=unseen) for unseen in (True, False))
    assert len(parted.rim) == len(joined.rim) + 1
    shown = (parted.rim.astype(float) - parted.rim[:1]).max(axis=(1, 2, 3)) > 40.0
    assert shown.sum() == 2
    assert not (shown[1:] & shown[:-1]).any()


@pytest.mark.parametrize("step_s", [1 / 30, 1.0])
def test_what_never_tells_is_looked_for_in_so_many_frames_and_no_more(monkeypatch, step_s):
    """A plain rim without a mark; a camera's later frames come after a second."""
    gaps = []
    plain = strips([None])
    monkeypatch.setattr(aim_passing, "rim_strips", lambda frames, *_: np.repeat(plain, len(frames), axis=0))
    monkeypatch.setattr(aim_passing, "moves_on", lambda *_: np.zeros(1))
    join = Passing.and_later
    monkeypatch.setattr(
        Passing,
        "and_later",
        lambda self, more, *, unseen: gaps.append(unseen) or join(self, more, unseen=unseen),
    )
    facing = SimpleNamespace(course=SimpleNamespace(moves_px=np.zeros(1)), width_px=120.0)
    image = np.zeros((4, 4, 3), np.uint8)
    first = [Frame(k, k / 30, image) for k in range(120)]
    later = (Frame(120 + k, 119 / 30 + step_s + k / 30, image) for k in itertools.count())
    (_, sure), columns = what_passes(first, facing, later, way=True, mark=True, beyond=False)
    assert (sure, columns) == (False, None)
    assert next(later).index == 120 + MOST_LATER_FRAMES
    assert gaps == [step_s > 0.1] + [False] * (len(gaps) - 1)
