"""A few hundred spoilt files and options through every door; `python -m tests.benchmarks.fuzz` runs thousands."""

import io
import json
import signal

import cv2
import numpy as np
import pytest
from doors import DOORS
from mutations import spoil_bytes
from sandbox import clear, run_case
from shelf import fill_shelf

from rimgauge.capture.http_stream import MjpegLine
from rimgauge.cli import run

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGPROF"), reason="no timer of processor time here")
CASES_A_SHARE = 3
QUICK = [name for name in DOORS if name not in ("page", "page of a job")]


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    return fill_shelf(tmp_path_factory.mktemp("shelf"))


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # the case itself tells a warning from silence
@pytest.mark.parametrize("door", QUICK)
def test_what_is_spoilt_ends_in_a_result_or_a_sentence(shelf, tmp_path, monkeypatch, door):
    make, share = DOORS[door]
    (tmp_path / "outside").mkdir()
    (tmp_path / "tmp").mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "tmp"))
    faults = []
    for number in range(CASES_A_SHARE * share):
        clear(tmp_path / "case")
        case = make(shelf, tmp_path / "case", np.random.default_rng([number, share]))
        ending = run_case(case, shelf.folder, tmp_path / "outside", tmp_path / "tmp")
        faults += [f"{number}: {fault}; {case.arguments}" for fault in ending.faults]
    assert not faults


def test_a_spoilt_stream_gives_whole_pictures_or_none_and_ends(monkeypatch):
    picture = cv2.imencode(".jpg", np.full((48, 64, 3), 90, np.uint8))[1].tobytes()
    part = b"--frame\r\nContent-Type: image/jpeg\r\nContent-Length: %d\r\n\r\n%s\r\n" % (
        len(picture),
        picture,
    )
    monkeypatch.setattr(MjpegLine, "__init__", lambda line, answer: setattr(line, "_answer", answer))
    monkeypatch.setattr(MjpegLine, "_boundary", b"--frame", raising=False)
    rng, whole, passed_over = np.random.default_rng(3), 0, 0
    for _ in range(400):
        for image, _ in MjpegLine(io.BytesIO(spoil_bytes(part * 3, rng))).pictures():
            assert image is None or (image.ndim == 3 and image.dtype == np.uint8)
            whole, passed_over = whole + (image is not None), passed_over + (image is None)
    assert whole > 300
    assert passed_over > 20


def test_a_file_that_says_the_same_otherwise_gives_the_same_plan(shelf, tmp_path, capsys):
    def planned(wheel, measured, readings):
        words = [
            "plan",
            "--wheel",
            str(wheel),
            "--lateral",
            str(measured),
            "--tension",
            str(readings),
            "--json",
        ]
        run([*words, "--out", str(tmp_path / "plan.json")])
        capsys.readouterr()
        return (tmp_path / "plan.json").read_bytes()

    good = shelf / "wheel.toml", shelf / "job" / "pass-01.json", shelf / "readings.csv"
    wheel, measured, readings = (path.read_text(encoding="utf-8") for path in good)
    head, *rows = [line.split(",") for line in readings.splitlines()]
    order = [3, 0, 2, 1]
    table = [";".join(row[k] for k in order).replace(".", ",") for row in [head, *rows[::-1]]]
    otherwise = {
        "wheel.toml": "\ufeff" + wheel.replace("\n", "  # so it is\r\n"),
        "pass.json": "\ufeff" + json.dumps(dict(reversed(json.loads(measured).items())), indent=7),
        "readings.csv": "\ufeff" + "\r\n\r\n".join(table),
    }
    for name, text in otherwise.items():
        (tmp_path / name).write_bytes(text.encode())
    assert planned(*good) == planned(*(tmp_path / name for name in otherwise))
