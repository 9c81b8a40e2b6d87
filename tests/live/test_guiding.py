"""A live measurement says when to turn, shows how much was seen, and stops by itself."""

import json
import os
import signal
from pathlib import Path

import numpy as np
import pytest

from rimgauge.capture import Frame, open_source, sources
from rimgauge.cli import run
from rimgauge.cli.demo import sample_folder
from rimgauge.cli.guidance import progress_words
from rimgauge.guiding import Guide, Guided, Progress
from rimgauge.job import read_build, read_view
from rimgauge.records import WheelInView
from rimgauge.signal import RunoutSoFar, runout_so_far
from rimgauge.wheel import complete_wheel

FOLDER: Path = sample_folder() / "lateral_before"
ROUND_TWICE = range(12, 173)
"""Frames after which the wheel stands where it stood: two revolutions to 0.15 degrees, by truth.json."""


@pytest.fixture(scope="module")
def bundled():
    with open_source(str(FOLDER)) as source:
        return list(source), read_view(FOLDER / "view.json")


def guided(bundled, order, **more):
    """Run frames in an order at 30 a second; return those let through and what was said."""
    frames, view = bundled
    spokes_deg = complete_wheel(read_build(FOLDER.parent / "wheel.toml")).spoke_angles_deg
    guide = Guide(view, WheelInView(spoke_angles_deg=spokes_deg), tolerance_mm=0.5, **more)
    said = []
    stream = (Frame(n, n / 30, frames[k].image) for n, k in enumerate(order))
    return list(Guided(stream, view, guide, said.append)), said


def test_it_stops_by_itself_when_the_curve_is_known_well_enough(bundled):
    through, said = guided(bundled, [*ROUND_TWICE] * 5)
    assert said[-1].stage == "done"
    assert said[-1].seen >= 0.98
    assert 2.0 <= said[-1].revolutions < 5.0
    assert said[-1].so_far.standard_uncertainty_mm <= 0.02 * 0.5
    # truth.json: 1.600 mm in all
    assert said[-1].so_far.total_mm == pytest.approx(1.6, abs=0.06)
    assert len(through) < 5 * len(ROUND_TWICE)


def test_it_stops_after_the_revolutions_asked_for(bundled):
    _, said = guided(bundled, [*ROUND_TWICE] * 5, revolutions=3.0)
    assert said[-1].stage == "done"
    assert said[-1].revolutions == pytest.approx(3.0, abs=0.1)


def test_frames_before_the_wheel_moves_are_left_out(bundled):
    through, said = guided(bundled, [12] * 50 + [*ROUND_TWICE])
    assert {progress.stage for progress in said[:50]} == {"waiting"}
    assert through[0].index in range(50, 55)


def test_a_wheel_that_was_not_seen_all_round_has_no_figure_yet():
    angle_deg = np.linspace(0, 300, 200)
    assert runout_so_far(angle_deg, np.ones(200)) is None


def test_the_figure_so_far_covers_the_truth():
    rng = np.random.default_rng(5)
    angle_deg = np.linspace(0, 800, 400)
    errors = []
    for _ in range(200):
        gap_mm = 2 + 0.4 * np.cos(np.radians(2 * angle_deg)) + rng.normal(0, 0.05, 400)
        found = runout_so_far(angle_deg, gap_mm)
        errors.append((found.total_mm - 0.8) / found.standard_uncertainty_mm)
    # noise lifts max - min a little; its scatter must be what is stated, to a fifth
    assert np.std(errors) == pytest.approx(1.0, abs=0.2)


@pytest.mark.parametrize(
    ("progress", "words"),
    [
        (Progress(stage="looking"), "Looking for pointer"),
        (Progress(stage="waiting", seen=0.1), "Turn the wheel slowly"),
        (Progress(stage="turning", seen=0.5, revolutions=1.2), "Keep turning: 1.2"),
        (Progress(stage="turning", seen=0.5, revolutions=1.2, too_fast=True), "more slowly"),
        (
            Progress(stage="done", seen=1.0, revolutions=12.5, so_far=RunoutSoFar(1.234, 0.011)),
            "Enough, let it stop: 12.5 times round, 1.23 ± 0.02 mm",
        ),
    ],
)
def test_what_is_said_fits_a_line(progress, words):
    said = progress_words(progress)
    assert words in said
    assert len(said) <= 79


@pytest.mark.skipif(os.name == "nt", reason="Windows sends Ctrl-C to whole groups of programs")
def test_ctrl_c_saves_the_measurement_so_far(tmp_path, monkeypatch):
    # A program started in the background may have it ignored.
    before = signal.getsignal(signal.SIGINT)
    read = sources.read_picture

    def read_and_interrupt(path):
        if path.stem == "000140":
            os.kill(os.getpid(), signal.SIGINT)
        return read(path)

    monkeypatch.setattr(sources, "read_picture", read_and_interrupt)
    out = tmp_path / "pass.json"
    words = ["measure", str(FOLDER), "--view", str(FOLDER / "view.json"), "--keep", "none", "--out", str(out)]
    run([*words, "--wheel", str(FOLDER.parent / "wheel.toml")])
    fields = json.loads(out.read_text(encoding="utf-8"))
    assert 140 <= fields["source"]["frames"] < 176
    # truth.json: 1.600 mm; the stated uncertainty must cover it
    total = fields["total_runout_mm"]
    assert abs(total["value"] - 1.6) < total["expanded_uncertainty"]
    assert signal.getsignal(signal.SIGINT) is before
