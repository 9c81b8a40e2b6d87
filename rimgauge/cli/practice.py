"""`rimgauge practice`: turn nipples on a simulated wheel and see where the rim goes."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rimgauge.cli.common import FILE, json_option
from rimgauge.cli.decimals import WholeRange, plain
from rimgauge.errors import BadInput, RimgaugeError

if TYPE_CHECKING:
    from rimgauge.practice import PracticeWheel

WORDS = """\
  7 1/4     tighten the nipple of spoke 7 by a quarter turn (7 -1/8 loosens)
  why 7     what turning the nipple of spoke 7 alone would do
  radial    draw the radial runout; lateral draws the lateral one
  hint      the next step a plan would take
  undo      take the last turn back
  again     put the wheel back as it was at the start
  quit      end (so does Ctrl-D)"""

LONGEST_WORD = 12
"""Characters: no spoke, turn or command is written longer, and endless numbers aren't worked out."""

_BESIDE_THE_TURN = re.compile(
    r"^\d{1,3}\. |\((left|right) side\):|:|, (anti)?clockwise( seen from the (tyre|hub))?\.?$|(?<=turn)\.$|(?<=turns)\.$"
)
_WHOLE_TURNS, _PART = re.compile(r"[+-]?\d"), re.compile(r"[1-7]/[248]")
"""1 1/4, as a plan writes more than a turn."""

EXAMPLES = """\b
Example:  rimgauge practice --seed 4
From a file of lines as typed:  rimgauge practice --seed 4 < steps.txt
"""


@click.command(epilog=EXAMPLES)
@click.option(
    "--wheel",
    type=FILE,
    help="The build of the wheel (wheel.toml); left out: 36 spokes, three-crossed.",
)
@click.option(
    "--seed", type=WholeRange(min=0), help="The same number gives the same wheel; left out: another one."
)
@json_option
def command(*, wheel: Path | None, seed: int | None, as_json: bool) -> None:
    """Practise truing on a simulated wheel in the terminal.

    Turn one nipple at a time and see where the rim goes and what it does to tension. Nothing is
    scored. The wheel answers by the model that plans are made with. Lines may come from a file or another
    program; with --json each is answered by one line of JSON.
    """
    import numpy as np

    from rimgauge.job import read_build
    from rimgauge.practice import practice_wheel
    from rimgauge.wheel import complete_wheel

    number = int(np.random.default_rng().integers(10_000)) if seed is None else seed
    build = {"spokes": 36} if wheel is None else read_build(wheel)
    start = practice_wheel(complete_wheel(build), np.random.default_rng(number))
    if as_json:
        _print_state(start, None)
    else:
        _greet(start, number)
    now = start
    for line in _lines(prompt=not as_json):
        try:
            then, said = _answered(line, now, start)
        except RimgaugeError as trouble:
            then, said = now, str(trouble)
        now = then
        if as_json:
            _print_state(now, said)
        else:
            click.echo(said + "\n")


def _greet(start: PracticeWheel, number: int) -> None:
    from rimgauge.practice import picture_text, totals_text

    tension, enough = start.wheel.tension, start.wheel.tolerance
    click.echo(
        f"A practice wheel with {len(start.turned)} spokes, number {number}. Nothing here can break.\n"
        f"The right side pulls {tension.right_n:.0f} N on average, the left {tension.left_n:.0f} N; "
        f"the limit is {tension.limit_n:.0f} N.\n"
        f"It is true enough within {enough.lateral_mm:g} mm lateral and {enough.radial_mm:g} mm radial.\n\n"
        f"{picture_text(start)}\n{totals_text(start)}\n\nType:\n{WORDS}\n"
    )


def _lines(*, prompt: bool) -> Iterator[str]:
    """What is typed, line by line, until quit or the end; blank lines are passed over."""
    asked = prompt and sys.stdin.isatty()
    while True:
        if asked:
            click.echo("turn> ", nl=False)
        line = sys.stdin.readline()
        words = line.strip().lower()
        if not line or words in ("quit", "q", "exit"):
            return
        if words:
            if prompt and not asked:
                click.echo(f"turn> {words}")
            yield words


def _answered(line: str, now: PracticeWheel, start: PracticeWheel) -> tuple[PracticeWheel, str]:
    """The wheel after a line, and what to say to it."""
    from rimgauge.practice import change_text, picture_text, totals_text, turn, undo

    line = _in_short(line)
    first, *rest = line.split()
    if any(len(word) > LONGEST_WORD for word in line.split()):
        raise BadInput("that is longer than any turn; type for example 7 1/4, or help")
    if line in ("lateral", "radial"):
        return now, f"{picture_text(now, line)}\n{totals_text(now)}"
    if line == "hint":
        return now, _hint(now)
    if line == "again":
        return start, f"{picture_text(start)}\n{totals_text(start)}"
    if line in ("help", "?"):
        return now, WORDS
    if first == "why" and len(rest) == 1:
        return now, _why(now, _whole(rest[0]))
    then = undo(now) if line == "undo" else turn(now, *_spoke_and_turns(line))
    return then, f"{picture_text(then)}\n{change_text(now, then)}"


def _in_short(line: str) -> str:
    """Take off what a plan's line says beside the spoke and the turn: the step, the side, and which way it turns."""
    return _BESIDE_THE_TURN.sub(" ", line) if "spoke" in line else line


def _spoke_and_turns(line: str) -> tuple[int, float]:
    """Read a spoke and its turns, also in the words of a plan: 7 -1/4, 7 loosen 1 1/4, spoke 7 (left side): loosen 1/4 turn."""
    said = [word for word in line.split() if word not in ("spoke", "turn", "turns")]
    ways = [word for word in said if word in ("tighten", "loosen")]
    numbers = [word for word in said if word not in ways]
    signed = bool(ways) and any(word.startswith(("+", "-")) for word in numbers)
    if len(numbers) == 3 and _WHOLE_TURNS.fullmatch(numbers[1]) and _PART.fullmatch(numbers[2]):
        sign = "-" if numbers[1].startswith("-") else ""
        whole, part = int(numbers[1].strip("+-")), Fraction(numbers[2])
        numbers = [numbers[0], f"{sign}{whole + part}"]
    if len(numbers) != 2 or len(ways) > 1 or signed:
        raise BadInput(f'"{line}" is not understood; type a spoke and a turn, for example 7 1/4, or help')
    turns = _turns(numbers[1])
    return _whole(numbers[0]), -turns if ways == ["loosen"] else turns


def _whole(word: str) -> int:
    if not word.isascii() or not word.isdigit():
        raise BadInput(f'"{word}" is no number of a spoke; type for example 7 1/4, or help')
    return int(word)


def _turns(word: str) -> float:
    try:
        # A power of ten is no way to write a turn, and a large one would be worked out digit by digit.
        if "e" not in word:
            return float(Fraction(plain(word)))
    except (ValueError, ZeroDivisionError):
        pass
    raise BadInput(f'"{word}" is no turn; type for example 1/4, 0.25 or -1/8')


def _why(now: PracticeWheel, spoke: int) -> str:
    from rimgauge.plan import explain_text

    return explain_text(now.readings, now.wheel, now.answer, spoke).rstrip()


def _hint(now: PracticeWheel) -> str:
    from textwrap import fill

    from rimgauge.practice import plan_from_here

    plan = plan_from_here(now)
    if plan.refused is not None:
        return fill(plan.refused, 79)
    if not plan.corrections:
        return "The wheel is true enough: leave it."
    count, step = len(plan.corrections), plan.corrections[0]
    typed = f"{step.spoke} {Fraction(step.turns)}"
    return (
        f"{fill(f'The first of {count} steps of a plan from here: {step.words}', 79)}\nHere you type: {typed}"
    )


def _print_state(now: PracticeWheel, said: str | None) -> None:
    """One line of JSON: the wheel as it stands, and what was said."""
    from rimgauge.practice import is_true

    readings = now.readings
    lateral, radial = readings.lateral_mm, readings.radial_mm
    state: dict[str, Any] = {
        "steps": [{"spoke": spoke, "turns": turns} for spoke, turns in now.steps],
        "lateral_mm": float(lateral.max() - lateral.min()),
        "radial_mm": float(radial.max() - radial.min()),
        "dish_mm": float(lateral.mean()),
        "true_enough": is_true(now),
        "spokes": [
            {
                "number": index + 1,
                "side": side,
                "lateral_mm": float(x),
                "radial_mm": float(z),
                "tension_n": float(t),
            }
            for index, (side, x, z, t) in enumerate(
                zip(now.wheel.flanges, lateral, radial, readings.tension_n, strict=True)
            )
        ],
        "said": said,
    }
    click.echo(json.dumps(state, ensure_ascii=False))
