"""What is said of small things that go wrong: on a line of its own, in good English, and never as a traceback."""

import errno
import os
import sys
from types import SimpleNamespace

import numpy as np
import pytest

from rimgauge import pipeline
from rimgauge.cli import guidance, main
from rimgauge.errors import BadFile, FrameTrouble
from rimgauge.guiding import Progress
from rimgauge.job import create_job, next_path, read_manifest, reading_files, update_manifest
from tests.said import stopped


@pytest.mark.parametrize("error", [FrameTrouble("0", "it was lost"), KeyboardInterrupt()])
def test_what_follows_the_line_of_progress_begins_a_line(error, monkeypatch, capsys):
    def frames(_source, _view, _guide, say):
        say(Progress(stage="waiting", seen=0.3))
        yield "frame"
        raise error

    monkeypatch.setattr("rimgauge.guiding.Guided", frames)
    monkeypatch.setattr("rimgauge.guiding.Guide", lambda *_, **__: None)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    known = SimpleNamespace(view=None, in_view=None, tolerance_mm=0.5)
    with pytest.raises(type(error)):
        list(guidance.guided(None, known, None, beep=False))
    said = capsys.readouterr().err
    assert said.rstrip().endswith("Ctrl-C ends.")
    assert said.endswith("\n")


@pytest.mark.parametrize("error", [OSError(errno.EIO, os.strerror(errno.EIO)), OSError("cut off")])
def test_a_trouble_of_the_system_that_names_no_file_is_one_sentence(error, monkeypatch, capsys):
    def fail(**_):
        raise error

    monkeypatch.setattr(main, "main", fail)
    code, said = stopped(["jobs"], capsys)
    assert code == 1
    assert said.startswith(f"rimgauge: {(error.strerror or str(error)).lower()}; look whether")


@pytest.mark.parametrize(("reversals", "said"), [(0, ""), (1, "direction once;"), (2, "direction 2 times;")])
def test_how_often_the_wheel_changed_its_direction_is_said_in_english(reversals, said):
    turning = SimpleNamespace(evidence=("mark",), angle_deg=np.array([0.0, 9.0]), reversals=reversals)
    notes = pipeline._notes(SimpleNamespace(lost=(), notes=()), turning)
    assert [note.partition("changed its ")[2].partition(" that")[0] for note in notes[1:]] == [said] * bool(
        said
    )


def test_readings_whose_number_has_one_digit_count_in_their_order_and_are_recorded(tmp_path):
    job = create_job(tmp_path / "job", spokes=32)
    for name in ("readings-02.csv", "readings-3.csv", "readings-10.csv", "readings-1.csv", "pass-4.json"):
        (job.folder / name).write_text("spoke,lateral_mm\n1,0.1\n", encoding="utf-8")
    names = ["readings-1.csv", "readings-02.csv", "readings-3.csv", "readings-10.csv"]
    assert [path.name for path in reading_files(job)] == names
    assert (next_path(job, "readings").name, next_path(job, "pass").name) == (
        "readings-11.csv",
        "pass-01.json",
    )
    update_manifest(job)
    assert {entry.name for entry in read_manifest(job.folder).entries} == {"wheel.toml", *names}


def test_two_files_of_readings_of_one_number_are_refused_by_name(tmp_path):
    """One of them was planned on without a word, whichever sorts last."""
    job = create_job(tmp_path / "job", spokes=32)
    for name in ("readings-01.csv", "readings-1.csv", "readings-02.csv"):
        (job.folder / name).write_text("spoke,lateral_mm\n1,0.1\n", encoding="utf-8")
    with pytest.raises(BadFile, match=r"readings-1\.csv: is of the same number as readings-01\.csv, and"):
        reading_files(job)
