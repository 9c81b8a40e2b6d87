"""Readings of the wrong side or in the wrong unit: a plan says so instead of turning the wrong nipples, or none."""

from dataclasses import replace

import numpy as np
import pytest

from rimgauge.correcting import correct
from rimgauge.plan import typed_in
from rimgauge.records import Readings
from tests.benchmarks.true_wheel import KINDS, random_wheel


def read_wheel(name: str, seed: int = 29551):
    true = random_wheel(seed, 0.5, {name: KINDS[name]})
    return true.nominal, true.read(np.random.default_rng(seed))


def other_way_round(readings: Readings) -> Readings:
    """Readings as typed from a wheel whose spokes were counted the other way round."""
    names = ("lateral_mm", "radial_mm", "tension_n")
    return replace(readings, **{name: getattr(readings, name)[::-1] for name in names})


def mistaken(wheel, readings) -> list[str]:
    return [words for words in correct(readings, wheel).see_to_first if "sides are mistaken" in words]


def test_a_dished_wheel_whose_looser_side_was_read_tighter_is_asked_after() -> None:
    wheel, readings = read_wheel("dished rear")
    said = mistaken(wheel, other_way_round(readings))
    assert len(said) == 1
    assert said[0].startswith("Before you turn a nipple: the right side was read at ")


@pytest.mark.parametrize("name", list(KINDS))
def test_sides_that_are_right_are_not_asked_after(name) -> None:
    wheel, readings = read_wheel(name)
    assert mistaken(wheel, readings) == []


@pytest.mark.parametrize("name", ["front", "touring"])
def test_of_sides_that_pull_alike_nothing_is_told(name) -> None:
    wheel, readings = read_wheel(name)
    assert mistaken(wheel, other_way_round(readings)) == []


@pytest.mark.parametrize("turns", [True, False])
def test_runout_typed_in_inches_is_asked_after(turns) -> None:
    _, readings = read_wheel("front")
    inches = replace(readings, lateral_mm=readings.lateral_mm / 25.4, radial_mm=readings.radial_mm / 25.4)
    assert any("typed in inches" in words for words in typed_in(inches, turns=turns))
    assert not any("inches" in words for words in typed_in(readings, turns=turns))


def test_a_true_wheel_typed_in_millimetres_is_let_be() -> None:
    _, readings = read_wheel("front")
    true = replace(readings, lateral_mm=0.2 * readings.lateral_mm, radial_mm=0.2 * readings.radial_mm)
    assert np.ptp(true.lateral_mm) > 0.1
    assert typed_in(true, turns=False) == ()
