"""Turning a correction into words that can't be got wrong, and a plan into a page of text."""

from __future__ import annotations

import textwrap

from rimgauge.records import (
    AT_ONCE_EIGHTHS,
    EIGHTH,
    Correction,
    Flange,
    IntArray,
    Plan,
    SeenFrom,
    WheelState,
    clockwise,
    turn_words,
    turns_in_all,
    turns_words,
)

COLUMNS = 80
LAPS = (
    "",
    " (1/2 now, {rest} on a second lap)",
    " (1/2 on each of two laps, {rest} on a third)",
    " (1/2 on each of three laps, {rest} on a fourth)",
)
"""How to turn, by the laps that the rest takes; a round asks for two turns at most."""

WHICH_SPOKE = (
    "Right is the side where the drive is. Spoke 1 is the first after the valve; the numbers rise in the order "
    "in which spokes pass the pointer as the wheel rolls forward."
)


def turning_direction(*, tighten: bool, seen_from: SeenFrom) -> str:
    """Say which way the nipple goes round, as the person sees it."""
    return "clockwise" if clockwise(tighten=tighten, seen_from=seen_from) else "anticlockwise"


def correction_words(spoke: int, side: Flange, eighths: int, seen_from: SeenFrom) -> str:
    """Say one correction in full: spoke, side, how far, and which way as the person sees it.

    It fits a line of the plan's 80 columns, unless laps are to be told.
    """
    size = abs(eighths)
    laps = (size - 1) // AT_ONCE_EIGHTHS
    goes = LAPS[laps].format(rest=turns_words(size - laps * AT_ONCE_EIGHTHS))
    way = turning_direction(tighten=eighths > 0, seen_from=seen_from)
    return (
        f"Spoke {spoke} ({side} side): {turn_words(eighths * EIGHTH)}{goes}, {way} seen from the {seen_from}."
    )


def plan_text(plan: Plan) -> str:
    """Write the plan as text of at most 80 columns: before and after, the steps in order, the cautions."""
    blocks = [f"Round {plan.round}"]
    if plan.refused is not None:
        blocks.append(_wrapped(f"No corrections: {plan.refused}"))
    blocks.append(_states(plan))
    blocks += [_wrapped(words) for words in plan.see_to_first]
    if plan.corrections:
        blocks.append(_steps(plan.corrections))
    if plan.notes:
        blocks.append("What to know:\n" + "\n".join(_wrapped(note, "- ") for note in plan.notes))
    blocks.append("Take care:\n" + "\n".join(_wrapped(caution, "- ") for caution in plan.cautions))
    return "\n\n".join(blocks) + "\n"


def _states(plan: Plan) -> str:
    rows = [
        ("lateral runout at spokes, mm", "lateral_mm", "{:.2f}"),
        ("radial runout at spokes, mm", "radial_mm", "{:.2f}"),
        ("off centre, mm (+ right)", "dish_mm", "{:+.2f}"),
        ("tension spread, right side", "tension_spread_right", "{:.0%}"),
        ("tension spread, left side", "tension_spread_left", "{:.0%}"),
        ("highest tension, N", "highest_tension_n", "{:.0f}"),
    ]
    planned = bool(plan.corrections)
    lines = [f"{'':30}{'now':>10}" + (f"{'expected':>12}" if planned else "")]
    for title, name, form in rows:
        before, after = _cell(plan.before, name, form), _cell(plan.predicted, name, form)
        if before is not None or after is not None:
            lines.append(
                f"{title:30}{before or 'unknown':>10}" + (f"{after or 'unknown':>12}" if planned else "")
            )
    return "\n".join(lines)


def _cell(state: WheelState, name: str, form: str) -> str | None:
    value = getattr(state, name)
    return (
        None if value is None else form.format(round(value, 2) + 0.0)
    )  # what rounds to nothing has no minus


def _steps(corrections: tuple[Correction, ...]) -> str:
    count, turns = len(corrections), turns_in_all(item.turns for item in corrections)
    head = f"{count} {'nipple' if count == 1 else 'nipples'} to turn, {turns}, in this order:"
    steps = (_wrapped(item.words, f"{item.order:3d}.  ") for item in corrections)
    return "\n".join([head, *steps, "", _wrapped(WHICH_SPOKE)])


def _wrapped(text: str, lead: str = "") -> str:
    return textwrap.fill(
        text, COLUMNS - 1, initial_indent=lead, subsequent_indent=" " * len(lead), break_on_hyphens=False
    )


def named_spokes(spokes: IntArray) -> str:
    """Name spokes by their numbers, counted from 1; spokes: their indices."""
    numbers = [str(spoke + 1) for spoke in spokes]
    if len(numbers) == 1:
        return f"spoke {numbers[0]}"
    return f"spokes {', '.join(numbers[:-1])} and {numbers[-1]}"


def is_or_are(spokes: IntArray) -> str:
    """The verb that goes with `named_spokes`."""
    return "is" if len(spokes) == 1 else "are"
