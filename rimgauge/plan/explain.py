"""What turning one nipple alone would do, before any is touched: like pressing a pair of spokes by hand."""

from __future__ import annotations

import numpy as np

from rimgauge.errors import BadInput
from rimgauge.plan.problem import starting_tension
from rimgauge.plan.stating import state_problem
from rimgauge.plan.wishes import Wishes
from rimgauge.records import EIGHTH, Influence, Readings, Wheel, record, turn_words

TRIED_EIGHTHS = (-4, -2, -1, 1, 2, 4)
AROUND = 3
"""So many spokes to either side are shown."""


@record
class SingleTurn:
    """The wheel after one turn of one nipple; None where it was not measured. tension_n: of that spoke.

    A spoke pulls and never pushes: loosened beyond slack it has no tension and moves the rim no further.
    """

    turns: float
    lateral_mm: float | None
    radial_mm: float | None
    dish_change_mm: float
    tension_n: float


def single_turns(
    readings: Readings, wheel: Wheel, influence: Influence, spoke: int
) -> tuple[SingleTurn, ...]:
    """Work out what each size of turn at one spoke (from 1) would do, nothing (0 turns) among them.

    Raises
    ------
    BadInput
        The wheel has no such spoke.

    """
    spokes = len(wheel.flanges)
    if not 1 <= spoke <= spokes:
        raise BadInput(f"there is no spoke {spoke}; this wheel has spokes 1 to {spokes}")
    problem = state_problem(readings, wheel, influence, Wishes())
    tension_n, _ = starting_tension(readings.tension_n, wheel)
    index = spoke - 1
    alone = np.eye(spokes)[index]
    until_slack = -float(tension_n[index] / problem.tension_step_n[index, index])
    rows = []
    for tried in sorted((*TRIED_EIGHTHS, 0)):
        eighths = max(float(tried), min(until_slack, 0.0))
        lateral, radial = (
            line.reading_after_mm(alone * eighths) if line.known else None
            for line in (problem.lateral, problem.radial)
        )
        rows.append(
            SingleTurn(
                turns=tried * EIGHTH,
                lateral_mm=lateral,
                radial_mm=radial,
                dish_change_mm=float(problem.dish_step_mm[index] * eighths),
                tension_n=max(float(tension_n[index] + problem.tension_step_n[index, index] * eighths), 0.0),
            )
        )
    return tuple(rows)


def explain_text(readings: Readings, wheel: Wheel, influence: Influence, spoke: int) -> str:
    """Write what each turn of one nipple alone would do, at most 80 columns."""
    rows = single_turns(readings, wheel, influence, spoke)
    side = wheel.flanges[spoke - 1]
    known = starting_tension(readings.tension_n, wheel)[1][spoke - 1]
    head = f"{'turn':27}{'lateral':>8}{'radial':>8}{'rim shifts':>11}{'tension':>11}"
    units = f"{'':27}{'mm':>8}{'mm':>8}{'mean, mm':>11}{'N' if known else 'N, assumed':>11}"
    lines = [f"Spoke {spoke} ({side} side), if this nipple alone is turned:", "", head, units]
    for row in rows:
        over = " over the limit" if row.tension_n > wheel.tension.limit_n else ""
        lines.append(
            f"{_named(row.turns):27}{_cell(row.lateral_mm):>8}{_cell(row.radial_mm):>8}"
            f"{round(row.dish_change_mm, 3) + 0.0:>+11.3f}{_tension(row.tension_n):>11}{over}"
        )
    if next(row.tension_n for row in rows if row.turns == 0) <= 0:
        lines += ["", "A slack spoke pulls no more: loosening it moves nothing, and tightening it moves"]
        lines += ["nothing until the slack is taken up; the turns above are counted from there."]
    elif rows[0].tension_n <= 0:
        lines += ["", "A slack spoke pulls no more: loosening it further moves nothing."]
    return "\n".join([*lines, "", *_around(wheel, influence, spoke)]) + "\n"


def _around(wheel: Wheel, influence: Influence, spoke: int) -> list[str]:
    """Show where the rim goes about the spoke for a quarter turn tighter."""
    n = len(wheel.flanges)
    near = [(spoke - 1 + step) % n for step in range(-AROUND, AROUND + 1)]
    quarter = 0.25
    rows = [
        ("spoke", [f"{index + 1} {wheel.flanges[index][0].upper()}" for index in near]),
        ("lateral, mm", [_signed(quarter * influence.lateral_mm[index, spoke - 1], 2) for index in near]),
        ("radial, mm", [_signed(quarter * influence.radial_mm[index, spoke - 1], 2) for index in near]),
        ("tension, N", [_signed(quarter * influence.tension_n[index, spoke - 1], 0) for index in near]),
    ]
    lines = ["A quarter turn tighter moves the rim near it (+ right, + outward) and tension:"]
    return lines + [f"{name:14}" + "".join(f"{cell:>9}" for cell in cells) for name, cells in rows]


def _named(turns: float) -> str:
    return "as it is" if turns == 0 else turn_words(turns)


def _signed(value: float, places: int) -> str:
    return f"{round(value, places) + 0.0:+.{places}f}"


def _tension(value: float) -> str:
    return f"{value:.0f}" if value > 0 else "slack"


def _cell(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.2f}"
