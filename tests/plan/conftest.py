"""One wheel and its influence, worked out once for all tests of the plan."""

import sys
from pathlib import Path

import pytest

from rimgauge.job import create_job
from rimgauge.records import Influence, Wheel
from rimgauge.wheel import influence

sys.path.insert(0, str(Path(__file__).parent))

from plan_bench import write_readings
from wheels import build, out_of_true


@pytest.fixture(scope="session")
def wheel() -> Wheel:
    return build()


@pytest.fixture(scope="session")
def answer(wheel: Wheel) -> Influence:
    return influence(wheel)


@pytest.fixture
def job(tmp_path, monkeypatch):
    """A new job whose folder is the current one."""
    made = create_job(tmp_path / "job", spokes=36)
    monkeypatch.chdir(made.folder)
    return made


@pytest.fixture
def bench(tmp_path, wheel, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "wheel.toml").write_text(
        "spokes = 36\ncrossings = 3\n[tension]\nright_n = 1000.0\nleft_n = 1000.0\nlimit_n = 1300.0\n",
        encoding="utf-8",
    )
    write_readings(tmp_path / "readings.csv", out_of_true(wheel, 1, lateral_mm=2.0))
    return tmp_path
