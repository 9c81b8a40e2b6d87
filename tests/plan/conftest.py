"""One wheel and its influence, worked out once for all tests of the plan."""

import sys
from pathlib import Path

import pytest

from rimgauge.records import Influence, Wheel
from rimgauge.wheel import influence

sys.path.insert(0, str(Path(__file__).parent))

from wheels import build


@pytest.fixture(scope="session")
def wheel() -> Wheel:
    return build()


@pytest.fixture(scope="session")
def answer(wheel: Wheel) -> Influence:
    return influence(wheel)
