"""What is handed on works from the one file alone: the wheel, the module and the shell's completion."""

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

import rimgauge

ROOT = Path(__file__).resolve().parents[1]


def out_of(*words, **environment):
    """Run Python away from the checkout; return what it prints."""
    done = subprocess.run(
        [sys.executable, *words],
        env={**os.environ, **environment},
        cwd=environment.get("PYTHONPATH", ROOT),
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory):
    """Make the wheel and unpack it."""
    pytest.importorskip("hatchling")
    place = tmp_path_factory.mktemp("wheel")
    words = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(place)]
    subprocess.run(words, cwd=ROOT, check=True, capture_output=True)
    with zipfile.ZipFile(next(place.glob("*.whl"))) as wheel:
        wheel.extractall(place / "inside")
    return place / "inside"


def test_the_wheel_holds_the_program_and_the_frames_of_the_demo(unpacked):
    ours = {path.relative_to(ROOT) for path in (ROOT / "rimgauge").rglob("*.py")}
    theirs = {path.relative_to(unpacked) for path in (unpacked / "rimgauge").rglob("*.py")}
    assert ours <= theirs
    assert (unpacked / "rimgauge" / "py.typed").is_file()
    frames = [path.name for path in (ROOT / "sample_frames").rglob("*.jpg")]
    assert sorted(path.name for path in (unpacked / "rimgauge").rglob("*.jpg")) == sorted(frames)
    assert {path.name.split("-")[0] for path in unpacked.iterdir()} == {"rimgauge"}


@pytest.mark.parametrize(("given", "heeded"), [("", "1"), ("os.environ['OPENBLAS_NUM_THREADS'] = '3'", "3")])
def test_small_matrices_keep_to_one_thread_unless_told_otherwise(given, heeded):
    # Numpy reads the setting when it is loaded, and never again.
    lines = [
        "import os, sys, rimgauge.cli",
        "os.environ.pop('OPENBLAS_NUM_THREADS', None)",
        given,
        "rimgauge.cli.run(['--version'])",
        "print(os.environ['OPENBLAS_NUM_THREADS'], 'numpy' in sys.modules)",
    ]
    assert out_of("-c", "\n".join(lines)).split()[-2:] == [heeded, "False"]


def test_the_program_runs_from_the_wheel_alone(unpacked):
    code = "from rimgauge.cli.demo import sample_folder; print(sample_folder())"
    assert out_of("-c", code, PYTHONPATH=str(unpacked)).strip() == str(
        unpacked / "rimgauge" / "sample_frames"
    )
    told = out_of("-m", "rimgauge", "--version", PYTHONPATH=str(unpacked))
    assert told.strip() == f"rimgauge, version {rimgauge.__version__}"


@pytest.mark.parametrize(
    ("typed", "offered"), [("rimgauge me", ["measure"]), ("rimgauge measure --rev", ["--revolutions"])]
)
def test_the_shell_completes_commands_and_options(typed, offered):
    words = {"COMP_WORDS": typed, "COMP_CWORD": str(len(typed.split()) - 1)}
    told = out_of("-m", "rimgauge", _RIMGAUGE_COMPLETE="bash_complete", **words)
    assert [line.partition(",")[2] for line in told.splitlines()] == offered
