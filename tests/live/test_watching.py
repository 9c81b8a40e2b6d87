"""The wheel's place as it happens, held against the drawn truth of the bundled frames."""

import json
import math
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rimgauge import watching
from rimgauge.capture import Frame, open_source
from rimgauge.cli.demo import sample_folder
from rimgauge.job import read_build, read_view
from rimgauge.pipeline import see
from rimgauge.records import Lens, WheelInView
from rimgauge.signal import live_place
from rimgauge.watching import watch
from rimgauge.wheel import complete_wheel

FOLDER: Path = sample_folder() / "lateral_before"


@pytest.fixture(scope="module")
def bundled():
    """Return the frames, the view, the spokes and the true angles."""
    with open_source(str(FOLDER)) as source:
        frames = list(source)
    truth = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))
    true_deg = np.array([frame["wheel_angle_deg"] for frame in truth["frames"]])
    spokes_deg = complete_wheel(read_build(FOLDER.parent / "wheel.toml")).spoke_angles_deg
    return frames, read_view(FOLDER / "view.json"), spokes_deg, true_deg


def played(frames, order):
    """Play frames in another order, at an even pace."""
    return [Frame(n, n / 30, frames[k].image) for n, k in enumerate(order)]


def spoke_at(angle_deg, spokes_deg):
    return int(np.argmin(np.abs((spokes_deg - angle_deg + 180) % 360 - 180))) + 1


def errors_deg(moments, true_deg):
    return (np.array([moment.angle_deg for moment in moments]) - true_deg + 180) % 360 - 180


def test_the_place_is_known_once_the_wheel_went_round_and_is_right(bundled):
    frames, view, spokes_deg, true_deg = bundled
    moments = list(watch(frames, view, WheelInView(spoke_angles_deg=spokes_deg)))
    off_deg = errors_deg(moments, true_deg)
    known = np.isfinite(off_deg)
    # the mark passes first at 0 and then at 360 degrees of true angle
    round_once = true_deg > math.ceil(true_deg[0] / 360) * 360 + 380
    assert known[round_once].mean() > 0.95
    # a spoke's spacing is 12.9 degrees; half of it would name the neighbour
    assert np.abs(off_deg[known]).max() < 0.25 * 360 / len(spokes_deg)
    right = [m.spoke == spoke_at(t, spokes_deg) for m, t in zip(moments, true_deg, strict=True) if m.spoke]
    assert np.mean(right) > 0.9


def test_the_spoke_number_is_held_while_the_wheel_stops_and_rocks_at_one_place(bundled):
    frames, view, spokes_deg, true_deg = bundled
    end = len(frames) - 1
    still = [end] * 20
    back = [k for k in range(end, end - 6, -1) for _ in range(4)]
    order = [*range(len(frames)), *still, *back, *reversed(back), *back, *[end - 5] * 30]
    moments = list(watch(played(frames, order), view, WheelInView(spoke_angles_deg=spokes_deg)))[
        len(frames) :
    ]
    off_deg = errors_deg(moments, true_deg[order[len(frames) :]])
    assert np.isfinite(off_deg).mean() > 0.95
    assert np.nanmax(np.abs(off_deg)) < 0.5 * 360 / len(spokes_deg)


def test_without_a_mark_no_spoke_is_named(bundled):
    frames, view, spokes_deg, _ = bundled
    moments = list(watch(frames[:80], replace(view, mark_box=None), WheelInView(spoke_angles_deg=spokes_deg)))
    assert {moment.spoke for moment in moments} == {None}
    assert np.isfinite([moment.gap_mm[0] for moment in moments]).mean() > 0.9


def test_a_wheel_that_stands_still_names_no_spoke(bundled):
    frames, view, spokes_deg, _ = bundled
    moments = list(watch(played(frames, [40] * 120), view, WheelInView(spoke_angles_deg=spokes_deg)))
    assert {moment.spoke for moment in moments} == {None}


class AtOnce:
    """A thread that has done its work before anybody asks."""

    def __init__(self, *_):
        pass

    def submit(self, work, *given):
        done = Future()
        done.set_result(work(*given))
        return done


def test_live_frames_are_shown_while_they_are_learnt_from(bundled, monkeypatch):
    monkeypatch.setattr(live_place, "ThreadPoolExecutor", AtOnce)
    monkeypatch.setattr(watching, "ThreadPoolExecutor", AtOnce)
    frames, view, spokes_deg, true_deg = bundled
    moments = list(watch(frames, view, WheelInView(spoke_angles_deg=spokes_deg), live=True))
    assert len(moments) == len(frames)
    assert np.isnan([moment.gap_mm[0] for moment in moments[:59]]).all()
    assert np.isfinite([moment.gap_mm[0] for moment in moments[59:]]).mean() > 0.9
    off_deg = errors_deg(moments, true_deg)
    assert np.isfinite(off_deg[-40:]).mean() > 0.9
    assert np.nanmax(np.abs(off_deg)) < 0.5 * 360 / len(spokes_deg)


def test_live_frames_go_on_however_long_learning_takes(bundled, monkeypatch):
    class Never(AtOnce):
        def submit(self, work, *given):
            return Future()

    monkeypatch.setattr(live_place, "ThreadPoolExecutor", Never)
    monkeypatch.setattr(watching, "ThreadPoolExecutor", AtOnce)
    frames, view, spokes_deg, true_deg = bundled
    moments = list(watch(frames, view, WheelInView(spoke_angles_deg=spokes_deg), live=True))
    assert np.isfinite([moment.gap_mm[0] for moment in moments[59:]]).mean() > 0.9
    off_deg = errors_deg(moments, true_deg)
    # by the mark alone the place is known near it, and right there
    assert 0.0 < np.isfinite(off_deg).mean() < 0.6
    assert np.nanmax(np.abs(off_deg)) < 0.5 * 360 / len(spokes_deg)


def test_frames_are_shown_while_pointer_and_rim_are_learnt_aside(bundled):
    frames, view, spokes_deg, _ = bundled
    watcher = watching.Watcher(view, WheelInView(spoke_angles_deg=spokes_deg), aside=True)
    blank = [watcher.look(frame) for frame in frames[:60]]
    assert [moment.index for moment in blank] == list(range(60))
    watcher._homework and watcher._homework.result(timeout=60)
    assert np.isfinite(watcher.look(frames[60]).gap_mm[0])
    assert watcher._homework is None


def test_a_known_lens_is_taken_off_as_it_is_from_a_film(bundled):
    frames, view, spokes_deg, _ = bundled
    # The picture a cut from a larger one, so that pointer and rim stand far from the lens's axis.
    focal_px = float(view.image_size[0])
    matrix = np.array([[focal_px, 0.0, 0.0], [0.0, focal_px, 0.0], [0.0, 0.0, 1.0]])
    lens = Lens(camera_matrix=matrix, distortion=np.array([-0.3, 0.0, 0.0, 0.0, 0.0]), rms_px=0.2)
    bent = replace(view, lens=lens)
    first = frames[:90]
    live_mm, plain_mm = (
        np.array(
            [moment.gap_mm[0] for moment in watch(first, each, WheelInView(spoke_angles_deg=spokes_deg))]
        )
        for each in (bent, view)
    )
    wheel = WheelInView.of(complete_wheel(read_build(FOLDER.parent / "wheel.toml")))
    seen, _ = see(frames, bent, wheel)
    film_mm = seen.sides[0].gap_px[:90] * view.scale.mm_per_px
    both = np.isfinite(live_mm) & np.isfinite(film_mm)
    assert both.mean() > 0.9
    assert np.median(np.abs(live_mm - film_mm)[both]) < 0.002
    assert np.median(np.abs(plain_mm - film_mm)[both]) > 0.02
