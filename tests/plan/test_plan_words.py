"""The words of a correction, and the page of text."""

from dataclasses import replace

import numpy as np
import pytest
from steps import STATE, plan_of
from wheels import out_of_true

from rimgauge.plan import Wishes, make_plan, plan_text
from rimgauge.plan.remains import left_over
from rimgauge.plan.stating import state_problem
from rimgauge.plan.wording import correction_words, turning_direction
from rimgauge.records import turns_in_all, turns_words
from rimgauge.report.correction import correction_sheet


def test_a_correction_in_full():
    assert correction_words(7, "left", 2, "tyre") == (
        "Spoke 7 (left side): tighten 1/4 turn, clockwise seen from the tyre."
    )
    assert correction_words(12, "right", -3, "hub") == (
        "Spoke 12 (right side): loosen 3/8 turn, clockwise seen from the hub."
    )
    for eighths, laps in (
        (6, "tighten 3/4 turn (1/2 now, 1/4 on a second lap), clockwise"),
        (8, "tighten 1 turn (1/2 now, 1/2 on a second lap), clockwise"),
        (9, "tighten 1 1/8 turns (1/2 on each of two laps, 1/8 on a third), clockwise"),
        (16, "tighten 2 turns (1/2 on each of three laps, 1/2 on a fourth), clockwise"),
    ):
        assert laps in correction_words(7, "left", eighths, "tyre")


@pytest.mark.parametrize("seen_from", ["tyre", "hub"])
@pytest.mark.parametrize("eighths", [-4, -3, -1, 1, 3, 4])
def test_a_step_that_takes_one_lap_takes_one_line_of_79(seen_from, eighths):
    assert len(f" 36.  {correction_words(36, 'right', eighths, seen_from)}") <= 79


@pytest.mark.parametrize(
    ("tighten", "seen_from", "direction"),
    [
        (True, "tyre", "clockwise"),
        (False, "tyre", "anticlockwise"),
        (True, "hub", "anticlockwise"),
        (False, "hub", "clockwise"),
    ],
)
def test_a_right_hand_thread_as_the_person_sees_it(tighten, seen_from, direction):
    """A nipple is the nut of a right-hand thread: turned clockwise, seen from its own end, it goes on."""
    assert turning_direction(tighten=tighten, seen_from=seen_from) == direction


@pytest.mark.parametrize(("eighths", "words"), [(1, "1/8"), (4, "1/2"), (8, "1"), (9, "1 1/8"), (16, "2")])
def test_eighths_are_written_as_mixed_numbers(eighths, words):
    assert turns_words(eighths) == words


@pytest.mark.parametrize("seen_from", ["tyre", "hub"])
def test_the_page_fits_80_columns_and_holds_every_step(wheel, answer, seen_from):
    plan = make_plan(
        out_of_true(wheel, 1, lateral_mm=2.0),
        wheel,
        answer,
        wishes=Wishes(seen_from=seen_from),
        round_number=2,
    )
    text = plan_text(plan)
    assert max(len(line) for line in text.splitlines()) <= 80
    joined = " ".join(text.split())
    assert all(item.words in joined for item in plan.corrections)
    assert all(caution in joined for caution in plan.cautions)
    assert text.startswith("Round 2\n")
    assert "2.00" in text


def test_a_refusal_is_on_the_page(wheel, answer):
    plan = make_plan(out_of_true(wheel, 1, lateral_mm=12.0, tension=False, radial=False), wheel, answer)
    assert plan.refused is not None
    assert plan.refused in " ".join(plan_text(plan).split())


@pytest.mark.parametrize(
    ("turns", "words"),
    [
        ([], "0 turn in all"),
        ([0.5, -0.5], "1 turn in all"),
        ([0.125], "1/8 turn in all"),
        ([-1.5, 0.125], "1 5/8 turns in all"),
    ],
)
def test_turns_are_counted_either_way(turns, words):
    assert turns_in_all(turns) == words


def test_what_is_off_centre_by_nothing_has_no_minus(wheel):
    state = replace(STATE, dish_mm=-0.003)
    plan = replace(plan_of(()), before=state, refused="it is true.")
    sheet = correction_sheet(plan, wheel, seen_from="tyre")
    for said in (plan_text(plan), "\n".join(text.get_text() for text in sheet.texts)):
        assert "+0.00" in said
        assert "-0.00" not in said


@pytest.mark.parametrize(("past_mm", "words"), [(0.004, "hardly over"), (0.05, "over"), (-0.004, None)])
def test_what_prints_like_the_tolerance_is_not_called_over_it(wheel, answer, past_mm, words):
    readings = out_of_true(wheel, 1, lateral_mm=1.0, tension=False, radial=False)
    problem = state_problem(readings, wheel, answer, Wishes())
    eighths = np.eye(36, dtype=np.int64)[4]
    lateral, after_mm = problem.lateral, 0.75
    start_mm = lateral.start_mm + lateral.step_mm @ eighths
    start_mm = start_mm * after_mm / np.ptp(start_mm) - lateral.step_mm @ eighths
    line = replace(lateral, start_mm=start_mm, tolerance_mm=after_mm - past_mm)
    said = left_over(replace(problem, lateral=line), eighths)
    assert len(said) == (words is not None)
    if words is not None:
        assert f"leaves about 0.75 mm of lateral runout, {words} the tolerance" in said[0]
