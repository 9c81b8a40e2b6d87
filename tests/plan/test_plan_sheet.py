"""The plan's page for the bench."""

import re
from dataclasses import replace

import pytest
from steps import plan_of
from wheels import build

from rimgauge.plan.to_know import CAUTIONS
from rimgauge.plan.wording import turning_direction
from rimgauge.records import Correction
from rimgauge.report.correction import _arrow, _legend, _turn, correction_sheet


@pytest.mark.parametrize(
    ("turns", "words"),
    [
        (0.5, "tighten 1/2"),
        (-0.75, "loosen 1/2 + 1/4"),
        (1.0, "tighten 1/2 + 1/2"),
        (1.625, "tighten 3 × 1/2 + 1/8"),
    ],
)
def test_the_sheet_asks_for_half_a_turn_at_once(turns, words):
    assert _turn(Correction(order=1, spoke=2, side="left", turns=turns, words="")) == words


@pytest.mark.parametrize(("seen_from", "tighten"), [("tyre", "↻"), ("hub", "↺")])
def test_the_sheet_draws_the_way_that_the_steps_say(seen_from, tighten):
    """Tightening is clockwise seen from the tyre; the arrow, the line below the steps and the words must say the same."""
    for way in (True, False):
        assert (_arrow(tighten=way, seen_from=seen_from) == tighten) == way
    named = turning_direction(tighten=True, seen_from=seen_from)
    item = Correction(order=1, spoke=2, side="left", turns=0.25, words="")
    said = _legend((item,), seen_from)
    assert said.startswith(f"Looking at the nipple from the {seen_from}: tighten is {named} {tighten},")
    assert "lap" not in said


@pytest.mark.parametrize("seen_from", ["tyre", "hub"])
def test_every_step_of_the_sheet_has_its_arrow_whatever_its_words(seen_from):
    wheel = build(8)
    steps = tuple(
        Correction(order=n, spoke=n, side=wheel.flanges[n - 1], turns=turns, words="In other words.")
        for n, turns in ((1, 0.25), (2, -0.25))
    )
    page = correction_sheet(plan_of(steps, CAUTIONS), wheel, seen_from=seen_from)
    arrows = [text.get_text()[-1] for text in page.texts if re.match("(tighten|loosen) 1/4", text.get_text())]
    assert "".join(arrows) == ("↻↺" if seen_from == "tyre" else "↺↻")


def test_a_sheet_of_many_steps_holds_them_all():
    many = build(60)
    steps = tuple(
        Correction(order=spoke, spoke=spoke, side=many.flanges[spoke - 1], turns=0.125, words="")
        for spoke in range(1, 61)
    )
    page = correction_sheet(plan_of(steps, CAUTIONS), many, seen_from="hub")
    written = [text.get_text() for text in page.texts]
    assert [text for text in written if re.fullmatch(r"\d+ [RL]", text)] == [
        f"{item.spoke} {item.side[0].upper()}" for item in steps
    ]
    assert any(text.startswith("Looking at the nipple from the hub:") for text in written)
    assert min(text.get_position()[1] for text in page.texts) > 0.02
    # The valve's name stands clear of every number in the drawing, of spokes and of steps.
    page.draw_without_rendering()
    drawn = {text: text.get_window_extent() for text in page.axes[0].texts}
    valve = next(text for text in drawn if text.get_text() == "valve")
    assert [
        text.get_text() for text in drawn if text is not valve and drawn[text].overlaps(drawn[valve])
    ] == []


def test_what_finds_no_room_beside_the_wheel_stands_below_the_cautions():
    wheel = build(36)
    notes = tuple(f"Note {number}: " + "what is to be known of this wheel. " * 6 for number in range(7))
    step = Correction(order=1, spoke=2, side="left", turns=0.25, words="")
    page = correction_sheet(replace(plan_of((step,), CAUTIONS), notes=notes), wheel, seen_from="tyre")
    height = {
        text.get_text().replace("\n", " "): text.get_position()[1] for text in page.texts if text.get_text()
    }
    said = [next(y for words, y in height.items() if words.startswith(f"• {note[:7]}")) for note in notes]
    last_caution = next(y for words, y in height.items() if words.startswith(f"• {CAUTIONS[-1][:30]}"))
    assert said[0] > last_caution > said[-1] > 0.02
    assert any(words.startswith("1 nipple, 1/4 turn in all") for words in height)


def test_a_sheet_without_steps_asks_for_nothing_and_expects_nothing():
    """It was headed "which nipples to turn", and foretold that all stays as it is."""
    refused = replace(plan_of((), CAUTIONS), refused="the rim itself seems bent.")
    said = [text.get_text() for text in correction_sheet(refused, build(24), seen_from="tyre").texts]
    assert said[0] == "Round 1: nothing to turn"
    assert said.count("0.50") == 1
    assert not {"expected", "step", "done"} & set(said)
    assert any(words.startswith("No corrections: the rim itself seems bent.") for words in said)
