"""One runout reading that was misread is named, before it is turned for in earnest; sound ones never are."""

from dataclasses import replace

import numpy as np
import pytest

from rimgauge.correcting import correct
from rimgauge.plan import Wishes
from rimgauge.plan.out_of_line import out_of_line
from rimgauge.plan.problem import flange_spokes
from rimgauge.plan.stating import state_problem
from rimgauge.records import Readings, Wheel
from rimgauge.wheel import influence
from tests.benchmarks.misread import rows
from tests.benchmarks.true_wheel import random_wheel

SPOKE = 6


def read_wheel(seed: int) -> tuple[Wheel, Readings]:
    true = random_wheel(seed, 0.5)
    return true.nominal, true.read(np.random.default_rng(seed))


def slipped(readings: Readings, by_mm: float, direction: str = "lateral") -> Readings:
    values = getattr(readings, f"{direction}_mm").copy()
    values[SPOKE] += by_mm
    return replace(readings, **{f"{direction}_mm": values})


def named(wheel: Wheel, readings: Readings):
    answer = influence(wheel)
    tension_n = state_problem(readings, wheel, answer, Wishes()).tension_n
    return out_of_line(readings, tension_n, answer, flange_spokes(wheel))


@pytest.mark.parametrize("direction", ["lateral", "radial"])
@pytest.mark.parametrize("tension", [True, False])
def test_a_reading_half_a_millimetre_off_is_named_with_what_would_fit(direction, tension) -> None:
    wheel, sound = read_wheel(29460)
    if not tension:
        sound = replace(sound, tension_n=np.full_like(sound.tension_n, np.nan))
    found = named(wheel, slipped(sound, -0.5, direction))
    assert [(one.spoke, one.direction) for one in found] == [(SPOKE, direction)]
    # by how far a rim between its neighbours can be told: their own noise is 0.01 mm, the rim bends within a spacing
    assert found[0].expected_mm == pytest.approx(getattr(sound, f"{direction}_mm")[SPOKE], abs=0.15)


def test_two_that_were_misread_are_both_named() -> None:
    wheel, sound = read_wheel(29460)
    both = slipped(slipped(sound, 0.8), 0.8, "radial")
    assert {one.direction for one in named(wheel, both)} == {"lateral", "radial"}


@pytest.mark.parametrize("seed", range(29461, 29465))
def test_sound_readings_are_not_named_however_they_are_read(seed) -> None:
    for name, true, readings, _ in rows(seed):
        assert named(true.nominal, readings) == (), name
        if name == "sound":
            for step_mm in (0.25, 0.5):
                coarse = replace(
                    readings,
                    lateral_mm=np.round(readings.lateral_mm / step_mm) * step_mm,
                    radial_mm=np.round(readings.radial_mm / step_mm) * step_mm,
                )
                assert named(true.nominal, coarse) == (), f"in steps of {step_mm} mm"


def test_it_is_said_before_the_steps_until_the_rim_was_looked_at() -> None:
    wheel, sound = read_wheel(29460)
    readings = slipped(sound, 0.5)
    first = correct(readings, wheel).see_to_first
    slip = [words for words in first if "doesn't fit how the rest of the rim runs" in words]
    assert len(slip) == 1
    assert f"{readings.lateral_mm[SPOKE]:.2f} mm lateral at spoke {SPOKE + 1}" in slip[0]
    assert slip[0].startswith("Before you turn a nipple: ")
    looked = correct(readings, wheel, wishes=Wishes(checked=frozenset({"rim"})))
    assert not any("doesn't fit" in words for words in (*looked.see_to_first, *looked.notes))


def test_a_wheel_that_seems_bent_by_one_reading_is_told_so() -> None:
    wheel, sound = read_wheel(29460)
    refused = correct(slipped(sound, 3.0), wheel).refused
    assert refused is not None
    assert f"mm lateral at spoke {SPOKE + 1} doesn't fit" in refused.split("As read, ")[0]
    assert "the rim itself seems bent" in refused.split("As read, ")[1]


def test_a_wheel_that_needs_no_turns_is_told_so_too() -> None:
    wheel, sound = read_wheel(29460)
    flat = replace(sound, lateral_mm=np.zeros_like(sound.lateral_mm), radial_mm=0.1 * sound.radial_mm)
    plan = correct(slipped(flat, 0.4), wheel)
    assert not plan.corrections
    assert any(f"0.40 mm lateral at spoke {SPOKE + 1} doesn't fit" in words for words in plan.notes)


def test_a_flat_spot_at_one_spoke_is_at_that_spoke() -> None:
    wheel, sound = read_wheel(29460)
    unread = np.full_like(sound.tension_n, np.nan)  # a dip where tension is high is no flat spot
    round_rim = replace(sound, radial_mm=0.1 * sound.radial_mm, tension_n=unread)
    refused = correct(slipped(round_rim, -1.0, "radial"), wheel).refused
    assert refused is not None
    assert f"flat spot at spoke {SPOKE + 1}, " in refused
