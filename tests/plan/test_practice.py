"""The practice wheel answers as the model says, and the terminal shows it."""

import json
import re
from functools import reduce

import numpy as np
import pytest
from click.testing import CliRunner
from numpy.testing import assert_allclose

from rimgauge.cli.practice import _spoke_and_turns, command
from rimgauge.errors import BadInput
from rimgauge.plan import explain_text, single_turns
from rimgauge.plan.wording import correction_words
from rimgauge.practice import is_true, plan_from_here, practice_wheel, turn, undo, warnings
from tests.said import stopped


@pytest.fixture(scope="module")
def practice(wheel):
    return practice_wheel(wheel, np.random.default_rng(4))


def _typed(lines: str, *arguments: str) -> str:
    result = CliRunner().invoke(command, ["--seed", "4", *arguments], input=lines, catch_exceptions=False)
    assert result.exit_code == 0
    return result.output


@pytest.mark.parametrize("seed", range(8))
def test_every_practice_wheel_is_out_of_true_and_safe(wheel, seed):
    made = practice_wheel(wheel, np.random.default_rng(seed))
    readings = made.readings
    assert 1.0 <= np.ptp(readings.lateral_mm) <= 2.5
    assert readings.tension_n.max() <= wheel.tension.limit_n
    assert not warnings(made)
    assert_allclose(made.turned * 8, np.round(made.turned * 8), rtol=0, atol=0)


def test_a_turn_does_what_the_influence_says_and_undo_takes_it_back(practice, answer):
    turned = turn(practice, 7, 0.25)
    moved = turned.readings.lateral_mm - practice.readings.lateral_mm
    assert_allclose(moved, 0.25 * answer.lateral_mm[:, 6], rtol=0, atol=1e-12)
    pulled = turned.readings.tension_n - practice.readings.tension_n
    assert_allclose(pulled, 0.25 * answer.tension_n[:, 6], rtol=0, atol=1e-9)
    assert_allclose(undo(turned).turned, practice.turned, rtol=0, atol=0)


def test_the_plan_trues_it(practice):
    now = practice
    for item in plan_from_here(practice).corrections:
        now = turn(now, item.spoke, item.turns)
    assert is_true(now)
    assert any("true enough" in words for words in warnings(now))


def test_what_would_be_unsafe_is_said(practice):
    tight = practice
    for _ in range(2):
        tight = turn(tight, 7, 1.0)
    assert any("over the limit" in words for words in warnings(tight))
    loose = practice
    for _ in range(8):
        loose = turn(turn(loose, 7, -1.0), 9, -1.0)
    (slack,) = (words for words in warnings(loose) if "slack" in words)
    assert re.search(r"spokes 7 \(by [\d.]+ turns\)\sand 9 \(by [\d.]+ turns\)\sare", slack)


def test_a_slack_spoke_pulls_no_more_and_never_pushes(practice):
    loose = practice
    while not loose.slack[6]:
        loose = turn(loose, 7, -0.5)
    looser = turn(loose, 7, -1.0)
    for values in ("lateral_mm", "radial_mm", "tension_n"):
        assert_allclose(getattr(looser.readings, values), getattr(loose.readings, values), rtol=0, atol=1e-9)
    taken_up = turn(looser, 7, 1.0)
    assert_allclose(taken_up.readings.lateral_mm, loose.readings.lateral_mm, rtol=0, atol=1e-9)
    tighter = turn(taken_up, 7, float(loose.slack[6]) + 0.25)
    assert tighter.readings.tension_n[6] == pytest.approx(0.25 * practice.answer.tension_n[6, 6], rel=1e-9)


def test_why_ends_the_pull_of_a_spoke_where_it_is_slack(practice):
    loose = practice
    while loose.readings.tension_n[6] > 100.0:
        loose = turn(loose, 7, -0.125)
    rows = {row.turns: row for row in single_turns(loose.readings, loose.wheel, loose.answer, 7)}
    pull_n = loose.answer.tension_n[6, 6]
    assert rows[-0.5].tension_n == 0.0
    for turns in (-0.5, 0.25):
        done = turn(loose, 7, turns)
        assert rows[turns].lateral_mm == pytest.approx(np.ptp(done.readings.lateral_mm), abs=2e-3)
    assert rows[0.25].tension_n == pytest.approx(loose.readings.tension_n[6] + 0.25 * pull_n, rel=1e-9)
    for now, words in ((loose, "loosening it further"), (turn(loose, 7, -1.0), "are counted from there")):
        told = explain_text(now.readings, now.wheel, now.answer, 7)
        assert words in told
        assert {len(line) for line in told.splitlines()[2:11]} == {65}, "the rows stand in line"


def test_why_says_in_its_row_which_turn_takes_the_spoke_over_the_limit(practice):
    limit_n = practice.wheel.tension.limit_n
    tight = turn(practice, 7, 0.125 * round(8 * (limit_n - practice.readings.tension_n[6]) / 340))
    rows = single_turns(tight.readings, tight.wheel, tight.answer, 7)
    told = explain_text(tight.readings, tight.wheel, tight.answer, 7)
    marked = [line for line in told.splitlines() if line.endswith("over the limit")]
    assert 0 < len(marked) == sum(row.tension_n > limit_n for row in rows) < len(rows)
    assert max(len(line) for line in told.splitlines()) <= 80


def test_a_number_that_is_not_whole_is_refused_in_plain_words(capsys):
    assert "1,5 is no whole number" in stopped(["practice", "--seed", "1,5"], capsys)[1]


def test_a_turn_that_would_let_the_rim_go_is_refused(practice):
    turns = [(spoke, -1.0) for _ in range(9) for spoke in range(1, len(practice.turned) + 1)]
    with pytest.raises(BadInput, match="could not hold the rim"):
        reduce(lambda loose, step: turn(loose, *step), turns, practice)


@pytest.mark.parametrize(
    ("spoke", "turns", "words"), [(99, 0.25, "no spoke 99"), (7, 0.0, "0 is no turn"), (7, 2.0, "up to one")]
)
def test_turns_that_can_not_be_meant(practice, spoke, turns, words):
    with pytest.raises(BadInput, match=words):
        turn(practice, spoke, turns)


def test_nothing_to_undo(practice):
    with pytest.raises(BadInput, match="nothing has been turned"):
        undo(practice)


def test_lines_from_a_file_are_answered_in_80_columns():
    said = _typed("7 1/4\nwhy 8\n\nhint\nradial\nfoo\n7 much\nundo\nagain\nhelp\n")
    assert max(len(line) for line in said.splitlines()) <= 80
    for words in ("Spoke 7, right side: the rim went", "Spoke 8 (left side)", '"foo" is not understood'):
        assert words in said
    assert '"much" is no turn' in said


def test_the_picture_names_its_unit_and_keeps_its_scale_while_the_runout_falls_a_little():
    first, smaller = re.findall(r"^Lateral runout in mm\n((?:.*\|.*\n)+)", _typed("32 1/2\n"), re.M)
    # the turn takes the lateral runout from 2.34 to 2.03 mm
    assert smaller != first
    assert re.findall(r"[+-]\d\.\d\d(?=\|)", smaller) == re.findall(r"[+-]\d\.\d\d(?=\|)", first)
    assert "\nRadial runout in mm\n" in _typed("radial\n")


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("7 1e400", '"1e400" is no turn'),
        ("7 1e99999999", '"1e99999999" is no turn'),
        ("7 " + 5000 * "1", "longer than any"),
        (5000 * "1" + " 1/4", "longer than any"),
        ("why " + 5000 * "1", "longer than any"),
    ],
)
def test_endless_numbers_are_refused_at_once(line, words):
    assert words in json.loads(_typed(line + "\n", "--json").splitlines()[-1])["said"]


def test_a_turn_may_be_written_with_a_decimal_comma():
    said = [json.loads(_typed(line, "--json").splitlines()[-1])["steps"] for line in ("7 0,25\n", "7 1/4\n")]
    assert said[0] == said[1] == [{"spoke": 7, "turns": 0.25}]


def test_quit_ends_it():
    assert "Spoke 7" not in _typed("quit\n7 1/4\n")


def test_the_same_number_gives_the_same_wheel():
    assert _typed("") == _typed("")


def test_each_line_is_answered_by_one_line_of_json(answer):
    lines = [json.loads(line) for line in _typed("7 1/4\n99 1\n", "--json").splitlines()]
    assert len(lines) == 3
    start, turned, refused = lines
    assert turned["steps"] == [{"spoke": 7, "turns": 0.25}]
    assert refused["steps"] == turned["steps"]
    assert "no spoke 99" in refused["said"]
    moved = turned["spokes"][6]["lateral_mm"] - start["spokes"][6]["lateral_mm"]
    assert moved > 0
    assert turned["lateral_mm"] == pytest.approx(np.ptp([row["lateral_mm"] for row in turned["spokes"]]))


@pytest.mark.parametrize("line", ["7 loosen 1/4", "loosen 7 1/4", "Spoke 7 loosen 1/4 turn", "7 -1/4"])
def test_a_turn_may_be_typed_in_the_words_of_a_plan(line):
    """What a plan says is what a pupil types."""
    assert (
        _typed(f"{line}\nlateral\n").split("turn>")[1].split("\n", 1)[1]
        == (_typed("7 -1/4\nlateral\n").split("turn>")[1].split("\n", 1)[1])
    )


@pytest.mark.parametrize("eighths", [-4, -2, -1, 1, 3])
@pytest.mark.parametrize("seen_from", ["tyre", "hub"])
def test_a_plans_own_line_of_one_lap_is_taken(eighths, seen_from):
    words = correction_words(7, "left", eighths, seen_from)
    for line in (words, f"12. {words}", words.split(",")[0]):
        assert json.loads(_typed(f"{line}\n", "--json").splitlines()[-1])["steps"] == [
            {"spoke": 7, "turns": eighths / 8}
        ]


@pytest.mark.parametrize(
    ("line", "turns"), [("7 1 1/4", 1.25), ("7 -1 1/8", -1.125), ("loosen 7 1 1/2", -1.5)]
)
def test_more_than_a_turn_is_read_as_a_plan_writes_it(line, turns):
    assert _spoke_and_turns(line) == (7, turns)
    assert "up to one" in json.loads(_typed(f"{line}\n", "--json").splitlines()[-1])["said"]


@pytest.mark.parametrize(
    "line",
    [
        "7 loosen -1/4",
        "loosen tighten 7 1/4",
        "7 loosen",
        "loosen",
        "7 tighten 1/4 1/8",
        "7 1 -1/4",
        "7 8 1 1/4",
    ],
)
def test_words_that_contradict_or_lack_something_are_not_guessed_at(line):
    assert f'"{line}" is not understood' in _typed(f"{line}\n")
