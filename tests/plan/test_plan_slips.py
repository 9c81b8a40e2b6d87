"""One runout reading that was misread is named, before it is turned for in earnest; sound ones never are."""

from dataclasses import replace

import numpy as np
import pytest

from rimgauge.correcting import correct
from rimgauge.plan import Wishes
from rimgauge.plan.out_of_line import OutOfLine, _to_read, out_of_line, slips
from rimgauge.plan.problem import flange_spokes
from rimgauge.plan.stating import state_problem
from rimgauge.records import Readings, Wheel
from rimgauge.wheel import influence
from tests.benchmarks.misread import rows
from tests.benchmarks.true_wheel import random_wheel
from tests.laws.simulated import simulated_pass, wave

SPOKE = 6


def read_wheel(seed: int) -> tuple[Wheel, Readings]:
    true = random_wheel(seed, 0.5)
    return true.nominal, true.read(np.random.default_rng(seed))


def slipped(readings: Readings, by_mm: float, direction: str = "lateral", spoke: int = SPOKE) -> Readings:
    values = getattr(readings, f"{direction}_mm").copy()
    values[spoke] += by_mm
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


def noisy(readings: Readings, seed: int) -> Readings:
    """Read by a hand that errs by 0.05 mm, three times what is taken for usual."""
    random = np.random.default_rng(seed)
    names = ("lateral_mm", "radial_mm")
    return replace(
        readings,
        **{
            name: getattr(readings, name) + random.normal(0, 0.05, len(readings.lateral_mm)) for name in names
        },
    )


@pytest.mark.parametrize(("by_mm", "spokes"), [(0.12, []), (0.25, [SPOKE])])
def test_how_small_a_slip_is_named(by_mm, spokes) -> None:
    wheel, sound = read_wheel(29460)
    true = replace(sound, lateral_mm=0.1 * sound.lateral_mm, radial_mm=0.1 * sound.radial_mm)
    assert [one.spoke for one in named(wheel, slipped(true, by_mm))] == spokes


@pytest.mark.parametrize("seed", [29462, 29466])
def test_sound_readings_of_an_unsteady_hand_are_not_named(seed) -> None:
    # the first has readings four usual deviations off, the second more than five, and fewer of its own scatter
    wheel, sound = read_wheel(seed)
    assert named(wheel, noisy(sound, seed + 1)) == ()


@pytest.mark.parametrize("seed", [29460, 29465])
def test_three_that_were_misread_are_all_named_though_each_hides_the_others(seed) -> None:
    wheel, sound = read_wheel(seed)
    three = slipped(slipped(slipped(sound, 0.7, spoke=3), -0.7, spoke=14), 0.7, spoke=25)
    assert [one.spoke for one in named(wheel, three)] == [3, 14, 25]


def test_a_large_slip_is_expected_to_be_what_a_small_one_is() -> None:
    # it shifts the mean of all readings by a tenth of a millimetre, which is no movement of the rim
    wheel, sound = read_wheel(29460)
    small, large = (named(wheel, slipped(sound, by_mm)) for by_mm in (0.5, 3.0))
    assert [one.spoke for one in small] == [one.spoke for one in large] == [SPOKE]
    assert large[0].expected_mm == pytest.approx(small[0].expected_mm, abs=0.02)


def test_one_that_fits_once_all_that_do_not_are_left_out_is_not_named() -> None:
    wheel, sound = read_wheel(29462)
    three = slipped(slipped(slipped(sound, 0.6), 0.6, spoke=7), 0.6, spoke=8)
    assert 5 not in [one.spoke for one in named(wheel, three)], "spoke 6 was read as it is"


@pytest.mark.parametrize(
    ("measured", "again"),
    [
        (
            (),
            "Read the lateral runout of spokes 6, 7 and 8 and the radial runout of spokes 1, 2 and 36 again, and if one",
        ),
        (
            ("lateral",),
            "Read the radial runout of spokes 1, 2 and 36 again, measure lateral runout anew, and",
        ),
        (("lateral", "radial"), "Measure again, and if it isn't so any more, plan on that;"),
    ],
)
def test_what_was_measured_is_to_be_measured_again(monkeypatch, measured, again) -> None:
    found = tuple(
        OutOfLine(spoke=spoke, direction=direction, read_mm=1.0, expected_mm=0.0)
        for spoke, direction in ((SPOKE, "lateral"), (0, "radial"))
    )
    monkeypatch.setattr("rimgauge.plan.out_of_line.out_of_line", lambda *_: found)
    wheel, sound = read_wheel(29460)
    answer = influence(wheel)
    problem = state_problem(sound, wheel, answer, Wishes())
    words = slips(sound, wheel, answer, problem, frozenset(), frozenset(measured))
    assert again in words
    assert "look for a dent, a crack or the rim's joint" in words


@pytest.mark.parametrize(
    ("spokes", "again"),
    [
        ((2, 10, 18, 26), "spokes 2, 3, 4, 10, 11, 12, 18, 19, 20, 26, 27 and 28"),
        ((2, 9, 16, 23, 30), "all spokes"),
    ],
)
def test_more_than_a_third_of_the_spokes_are_no_list_to_read_by(spokes, again) -> None:
    found = tuple(
        OutOfLine(spoke=spoke, direction="radial", read_mm=1.0, expected_mm=0.0) for spoke in spokes
    )
    assert _to_read(found, frozenset(), 36) == f"the radial runout of {again}"


@pytest.mark.parametrize(
    ("spokes", "where"), [((5, 5), "bent sharply there"), ((5, 0), "bent sharply at one of them")]
)
def test_one_spoke_that_does_not_fit_in_either_direction_is_one_place(monkeypatch, spokes, where) -> None:
    found = tuple(
        OutOfLine(spoke=spoke, direction=direction, read_mm=1.0, expected_mm=0.0)
        for spoke, direction in zip(spokes, ("lateral", "radial"), strict=True)
    )
    monkeypatch.setattr("rimgauge.plan.out_of_line.out_of_line", lambda *_: found)
    wheel, sound = read_wheel(29460)
    answer = influence(wheel)
    problem = state_problem(sound, wheel, answer, Wishes())
    assert where in slips(sound, wheel, answer, problem, frozenset(), frozenset())


@pytest.mark.parametrize("direction", ["lateral", "radial"])
def test_two_neighbours_misread_alike_are_both_to_be_read_again(direction) -> None:
    # sound ones beside them stand out, as the rim could run so between those two
    wheel, sound = read_wheel(29461)
    alike = slipped(slipped(sound, 1.0, direction), 1.0, direction, SPOKE + 1)
    found = {one.spoke for one in named(wheel, alike)}
    assert SPOKE not in found
    (said,) = [each for each in correct(alike, wheel).see_to_first if "doesn't fit how" in each]
    again = (
        said.split(f". Read the {direction} runout of spokes ")[1]
        .split(" again")[0]
        .replace(" and ", ", ")
        .split(", ")
    )
    assert {str(SPOKE + 1), str(SPOKE + 2)} <= set(again)


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


@pytest.mark.parametrize("by_mm", [0.5, 3.0])
def test_a_plan_on_measurements_asks_for_another_one_whether_it_turns_or_not(by_mm) -> None:
    wheel, sound = read_wheel(29460)
    measured = [simulated_pass(wave(2, 0.5), direction="lateral")]
    typed, seen = (correct(slipped(sound, by_mm), wheel, measured=each) for each in ((), measured))
    assert "Read the lateral runout of spokes 6, 7 and 8 again, and if one was misread" in " ".join(
        (typed.refused or "", *typed.see_to_first)
    )
    said = " ".join((seen.refused or "", *seen.see_to_first))
    assert "Measure again, and if it isn't so any more" in said
    assert "Read the" not in said


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
