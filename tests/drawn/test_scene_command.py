"""`rimgauge scene` writes a whole folder or nothing."""

import csv
import json
import shlex
import signal
import subprocess
import sys
import time
import tomllib

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from numpy.testing import assert_allclose

from rimgauge.cli.measure import command as measure
from rimgauge.job import read_view


def _scene(*options):
    return subprocess.run(
        [sys.executable, "-m", "rimgauge", "scene", *map(str, options)],
        capture_output=True,
        text=True,
        check=False,
    )


def test_folder_holds_everything_and_agrees_with_itself(tmp_path):
    folder = tmp_path / "drawn"
    done = _scene("--out", folder, "--frames", 4, "--spokes", 28, "--runout-mm", 1.2, "--json")
    assert done.returncode == 0, done.stderr
    assert done.stderr.strip() == "Drawing 4 frames"
    assert json.loads(done.stdout)["total_runout_mm"] == 1.2
    names = {path.name for path in folder.iterdir()}
    assert names == {"frames", "times.csv", "view.json", "wheel.toml", "truth.json", "scale.jpg"}
    assert sorted(path.name for path in (folder / "frames").iterdir()) == [f"{i:06d}.jpg" for i in range(4)]
    assert cv2.imread(str(folder / "frames" / "000003.jpg")).shape == (360, 640, 3)
    with (folder / "times.csv").open() as file:
        times = [float(row["time_s"]) for row in csv.DictReader(file)]
    truth = json.loads((folder / "truth.json").read_text())
    assert_allclose(times, [frame["t_s"] for frame in truth["frames"]], rtol=0, atol=1e-6)
    view = read_view(folder / "view.json")
    assert_allclose(view.scale.mm_per_px, truth["mm_per_px_at_rim_edge"], rtol=1e-9, atol=0)
    wheel = tomllib.loads((folder / "wheel.toml").read_text())
    assert wheel["spokes"] == 28
    assert_allclose(wheel["first_spoke_deg"], truth["spokes"][0]["angle_deg"], rtol=0, atol=1e-3)


def test_the_next_command_can_be_copied_though_the_folder_has_a_space(tmp_path):
    folder = tmp_path / "two words"
    words = shlex.split(_scene("--out", folder, "--frames", 4, "--runout-mm", "1,2").stdout.splitlines()[-1])
    assert str(folder / "frames") in words
    assert str(folder / "view.json") in words


def test_curve_from_a_file_is_what_is_drawn(tmp_path):
    curve = tmp_path / "curve.csv"
    angles = np.arange(0, 360, 5.0)
    rows = [f"{angle},{0.4 * np.cos(np.radians(2 * angle)):.6f}" for angle in angles]
    curve.write_text("angle_deg,runout_mm\n" + "\n".join(rows) + "\n")
    done = _scene("--out", tmp_path / "drawn", "--frames", 1, "--curve", curve)
    assert done.returncode == 0, done.stderr
    truth = json.loads((tmp_path / "drawn" / "truth.json").read_text())
    assert_allclose(truth["curve"]["runout_mm"][90], 0.4 * np.cos(np.radians(90.0)), rtol=0, atol=1e-4)
    assert_allclose(truth["total_runout_mm"], 0.8, rtol=0, atol=1e-4)


def test_tags_drawn_without_more_ado_are_read(tmp_path):
    """With seed 2 the smear of 8 ms left fewer than two of them to be read."""
    drawn = tmp_path / "drawn"
    assert _scene("--out", drawn, "--tags", 4, "--seed", 2, "--frames", 140).returncode == 0
    done = CliRunner().invoke(
        measure, [str(drawn / "frames"), "--view", str(drawn / "view.json"), "--spokes", "32", "--json"]
    )
    assert done.exit_code == 0, done.exception
    found = json.loads(done.stdout)["total_runout_mm"]
    true = json.loads((drawn / "truth.json").read_text())["total_runout_mm"]
    assert abs(found["value"] - true) < found["expanded_uncertainty"]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--spokes", "7.5"], "7.5"),
        (["--spokes", "0"], "--spokes is 0"),
        (["--spokes", "60", "--tags", "1"], "tags go up to number 48"),
        (["--runout-mm", "nan"], "--runout-mm"),
        (["--runout-mm", "9"], "come within"),
        (["--mm-per-px", "0"], "--mm-per-px is 0: it must lie"),
        (["--direction", "sideways"], "sideways"),
        (["--curve", "nowhere.csv"], "nowhere.csv"),
    ],
)
def test_bad_option_writes_nothing(tmp_path, options, words):
    done = _scene("--out", tmp_path / "drawn", "--frames", 2, *options)
    assert done.returncode != 0
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "text", ["angle,mm\n1,2\n", "angle_deg,runout_mm\n0,x\n", "angle_deg,runout_mm\n0,1\n"]
)
def test_bad_curve_is_named(tmp_path, text):
    curve = tmp_path / "curve.csv"
    curve.write_text(text)
    done = _scene("--out", tmp_path / "drawn", "--curve", curve)
    assert done.returncode == 1
    assert "curve.csv" in done.stderr
    assert not (tmp_path / "drawn").exists()


def test_folder_in_use_is_left_alone(tmp_path):
    (tmp_path / "mine.txt").write_text("keep")
    done = _scene("--out", tmp_path, "--frames", 1)
    assert done.returncode == 1
    assert "isn't empty" in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.skipif(sys.platform == "win32", reason="there a process is ended without being asked")
@pytest.mark.parametrize("ending", ["SIGTERM", "SIGHUP"])
@pytest.mark.parametrize("ctrl_c", [signal.SIG_DFL, signal.SIG_IGN])
def test_what_asks_to_end_leaves_nothing_half_written(tmp_path, ending, ctrl_c):
    words = [sys.executable, "-m", "rimgauge", "scene", "--out", str(tmp_path / "drawn"), "--frames", "2000"]
    # Handed on: a script's background work is started with Ctrl-C ignored; and these tests may run under nohup.
    wanted = {signal.SIGINT: ctrl_c, getattr(signal, ending): signal.SIG_DFL}
    before = {number: signal.signal(number, action) for number, action in wanted.items()}
    try:
        drawing = subprocess.Popen(words, stderr=subprocess.PIPE, text=True)
    finally:
        for number, action in before.items():
            signal.signal(number, action)
    with drawing:
        while not list(tmp_path.glob(".drawn-*.part/frames/*.jpg")):
            assert drawing.poll() is None
            time.sleep(0.02)
        drawing.send_signal(getattr(signal, ending))
        said = drawing.communicate()[1]
    assert drawing.returncode == 1
    assert "stopped" in said
    assert "Traceback" not in said
    assert not list(tmp_path.iterdir())
