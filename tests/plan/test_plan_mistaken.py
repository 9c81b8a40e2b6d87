"""Readings of the wrong side or in the wrong unit: a plan says so instead of turning the wrong nipples, or none."""

from dataclasses import replace

import numpy as np
import pytest
from plan_bench import write_readings
from wheels import out_of_true

from rimgauge.cli import run
from rimgauge.correcting import correct
from rimgauge.plan import Wishes, typed_in
from rimgauge.plan.stating import state_problem
from rimgauge.plan.to_know import sides_mistaken
from rimgauge.records import Readings
from rimgauge.wheel import influence
from tests.benchmarks.true_wheel import KINDS, random_wheel
from tests.laws.simulated import wave


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


@pytest.mark.parametrize(("right_n", "left_n", "asked"), [(900.0, 1000.0, False), (900.0, 1080.0, True)])
def test_sides_that_differ_hardly_are_not_asked_after(right_n, left_n, asked) -> None:
    # as built the right side is far tighter; as read the left one is, by a ninth, or by a fifth
    wheel, readings = read_wheel("dished rear")
    on_right = np.array(wheel.flanges) == "right"
    read = replace(readings, tension_n=np.where(on_right, right_n, left_n))
    problem = state_problem(read, wheel, influence(wheel), Wishes())
    assert bool(sides_mistaken(wheel, problem)) == asked


@pytest.mark.parametrize("side", ["right", "left"])
def test_of_one_side_alone_nothing_is_told(side) -> None:
    wheel, readings = read_wheel("dished rear")
    turned = other_way_round(readings)
    read = replace(turned, tension_n=np.where(np.array(wheel.flanges) == side, turned.tension_n, np.nan))
    problem = state_problem(read, wheel, influence(wheel), Wishes())
    # the other side, worked out from this one, comes out the opposite of the wheel file's
    right, left = problem.sides
    sides = (replace(right, mean_n=500.0), replace(left, mean_n=1000.0))
    assert [each.read for each in sides] == [side == "right", side == "left"]
    assert sides_mistaken(wheel, replace(problem, sides=sides)) == ()


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


@pytest.mark.parametrize(("most_mm", "asked"), [(0.09, True), (0.12, False)])
def test_only_readings_truer_than_hardly_any_wheel_are_asked_after(most_mm, asked) -> None:
    _, readings = read_wheel("front")
    share = most_mm / max(np.ptp(readings.lateral_mm), np.ptp(readings.radial_mm))
    read = replace(readings, lateral_mm=share * readings.lateral_mm, radial_mm=share * readings.radial_mm)
    assert any("typed in inches" in words for words in typed_in(read, turns=False)) == asked


def test_a_wheel_that_was_trued_is_not_asked_after() -> None:
    _, before = read_wheel("front")
    now = replace(before, lateral_mm=before.lateral_mm / 25.4, radial_mm=before.radial_mm / 25.4)
    assert np.ptp(now.lateral_mm) > 0.03
    assert typed_in(now, turns=False, before=[before]) == ()
    assert any("typed in inches" in words for words in typed_in(now, turns=False, before=[now]))


@pytest.mark.parametrize("seed", range(29551, 29555))
def test_a_trued_wheel_typed_in_inches_is_truer_than_a_hand_reads_and_asked_after(seed) -> None:
    _, before = read_wheel("front", seed)
    random = np.random.default_rng(seed)
    waves = wave(3, 0.2)(np.arange(len(before.lateral_mm)) * 10.0)
    true = replace(before, lateral_mm=waves + random.normal(0, 0.01, len(waves)), radial_mm=waves)
    inches = replace(true, lateral_mm=np.round(true.lateral_mm / 25.4, 3), radial_mm=true.radial_mm / 25.4)
    assert any("typed in inches" in words for words in typed_in(inches, turns=False, before=[before]))
    assert not any("inches" in words for words in typed_in(true, turns=False, before=[before]))
    flat = replace(
        true, lateral_mm=random.normal(0, 0.01, len(waves)), radial_mm=random.normal(0, 0.01, len(waves))
    )
    assert not any("inches" in words for words in typed_in(flat, turns=False, before=[before]))


@pytest.mark.parametrize(
    ("spokes", "most_mm", "asked"),
    [(36, 0.024, True), (36, 0.026, False), (12, 0.012, True), (12, 0.014, False)],
)
def test_readings_that_differ_as_scatter_alone_does_are_let_be(spokes, most_mm, asked) -> None:
    """Range of so many normal values of 0.01 mm that one set in a thousand stays under: 2.512 σ of 36, 1.293 σ of 12 (scipy)."""
    _, before = read_wheel("front")
    values = np.full(spokes, 0.3)
    values[0] -= most_mm
    unread = np.full(spokes, np.nan)
    now = replace(before, lateral_mm=values, radial_mm=unread, tension_n=unread)
    said = " ".join(typed_in(now, turns=False, before=[before]))
    assert (f"no more than {most_mm:.3f} mm" in said) == asked


def test_nor_is_it_by_the_command_in_its_second_round(job, wheel, capsys) -> None:
    readings = out_of_true(wheel, 1, lateral_mm=1.6)
    for number, share in ((1, 1.0), (2, 0.05)):
        read = replace(readings, lateral_mm=share * readings.lateral_mm, radial_mm=share * readings.radial_mm)
        write_readings(job.folder / f"readings-{number:02d}.csv", read)
        run(["plan"])
        said = capsys.readouterr().out
        assert f"Round {number}" in said
        assert "typed in inches" not in said
