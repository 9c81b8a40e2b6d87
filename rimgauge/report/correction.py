"""The sheet for the bench: the wheel drawn, the nipples to turn in order, and the usual cautions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from rimgauge.records import (
    AT_ONCE_EIGHTHS,
    EIGHTH,
    Correction,
    Plan,
    SeenFrom,
    Wheel,
    WheelState,
    clockwise,
    turns_in_all,
    turns_words,
)
from rimgauge.report.evidence import PAGE_IN
from rimgauge.report.palette import (
    FLANGE_LETTER,
    FLANGE_MARKER,
    LOOSEN,
    QUIET,
    TIGHTEN,
    Stroke,
    our_style,
)
from rimgauge.report.sheet import frame, paragraph, paragraph_height, rule, table, write
from rimgauge.report.words import short

_LEFT, _WIDTH = 0.55, 7.2
_WHEEL = 3.7
_FOOT = 0.4
_TWO_COLUMNS = 36
"""So many steps are listed in two columns; more in three."""
_HUB = 0.13
_UNTURNED = Stroke(QUIET, "-", 0.5)


def correction_sheet(plan: Plan, wheel: Wheel, *, seen_from: SeenFrom) -> Figure:
    """Draw one A4 page to take to the wheel; seen_from: where the person looks at the nipples from.

    The wheel is seen from its right, the valve on top; spoke numbers rise counter-clockwise. A filled
    triangle pointing outward tightens, a hollow one pointing inward loosens; the number beside it is the step.
    """
    with our_style():
        figure = Figure(figsize=PAGE_IN["a4"])
        title = f"Round {plan.round}: {'which nipples' if plan.corrections else 'nothing'} to turn"
        write(figure, _LEFT, 0.45, title, fontsize=15, fontweight="bold")
        write(figure, _LEFT, 0.8, short(wheel.name, 90), fontsize=9, color=QUIET)
        rule(figure, _LEFT, 1.05, _WIDTH)
        _draw_wheel(frame(figure, _LEFT - 0.1, 1.1, _WHEEL, _WHEEL), plan, wheel)
        left_over = _states(figure, plan)
        below = _steps(figure, plan.corrections, seen_from)
        _below_steps(figure, plan.cautions, left_over, below)
    return figure


def _draw_wheel(axes: Axes, plan: Plan, wheel: Wheel) -> None:
    axes.set_aspect("equal")
    axes.axis("off")
    axes.set_xlim(-1.4, 1.4)
    axes.set_ylim(-1.5, 1.4)
    round_ = np.radians(np.linspace(0, 360, 181))
    axes.plot(-np.sin(round_), np.cos(round_), color=QUIET, linewidth=1.2)
    axes.plot([0], [1.0], marker="v", color=QUIET, markersize=5)
    axes.text(0, 1.3, "valve", ha="center", va="bottom", fontsize=6, color=QUIET)
    steps = {item.spoke: item for item in plan.corrections}
    angles = np.radians(wheel.spoke_angles_deg)
    for number, (angle, flange) in enumerate(zip(angles, wheel.flanges, strict=True), start=1):
        way = np.array([-np.sin(angle), np.cos(angle)])
        item = steps.get(number)
        stroke = _UNTURNED if item is None else _stroke(item)
        ends = np.stack([way * _HUB, way * 0.98])
        axes.plot(*ends.T, color=stroke.colour, linestyle=stroke.line, linewidth=stroke.width)
        axes.plot(
            *(way * 0.93),
            marker=FLANGE_MARKER[flange],
            color=stroke.colour,
            markersize=3.6,
            markerfacecolor=stroke.colour if flange == "right" else "white",
        )
        axes.text(
            way[0] * 1.22, way[1] * 1.22, f"{number}", ha="center", va="center", fontsize=5.5, color=QUIET
        )
        if item is not None:
            _draw_step(axes, item, float(angle))
    for level, words in (
        (-1.41, "▲ filled, outward: tighten; △ hollow, inward: loosen; number on a spoke: the step"),
        (-1.49, "seen from the right side, where the drive is; ● spokes of the right side, □ of the left"),
    ):
        axes.text(0, level, words, ha="center", va="bottom", fontsize=6)


def _stroke(item: Correction) -> Stroke:
    return TIGHTEN if item.turns > 0 else LOOSEN


def _draw_step(axes: Axes, item: Correction, angle: float) -> None:
    """Mark the nipple: outward and filled to tighten, inward and hollow to loosen."""
    tighten = item.turns > 0
    way = np.array([-np.sin(angle), np.cos(angle)])
    axes.plot(
        *(way * 1.06),
        marker=(3, 0, np.degrees(angle) + (0 if tighten else 180)),
        markersize=7,
        color=_stroke(item).colour,
        fillstyle="full" if tighten else "none",
    )
    place = way * (0.8 if item.order % 2 else 0.7)
    axes.text(
        place[0],
        place[1],
        f"{item.order}",
        ha="center",
        va="center",
        fontsize=6.5,
        fontweight="bold",
        bbox={"boxstyle": "square,pad=0.1", "facecolor": "white", "edgecolor": "none"},
    )


def _states(figure: Figure, plan: Plan) -> list[str]:
    """Write beside the wheel how it stands and what is to know; return what found no room there."""
    planned = bool(plan.corrections)
    rows: list[tuple[str, ...]] = [("", "now", "expected" if planned else "")]
    for title, name, form in (
        ("lateral runout at spokes, mm", "lateral_mm", "{:.2f}"),
        ("radial runout at spokes, mm", "radial_mm", "{:.2f}"),
        ("off centre, mm (+ right)", "dish_mm", "{:+.2f}"),
        ("tension spread, right", "tension_spread_right", "{:.0%}"),
        ("tension spread, left", "tension_spread_left", "{:.0%}"),
        ("highest tension, N", "highest_tension_n", "{:.0f}"),
    ):
        if getattr(plan.before, name) is not None:
            after = _cell(plan.predicted, name, form) if planned else ""
            rows.append((title, _cell(plan.before, name, form), after))
    left = _LEFT + _WHEEL + 0.1
    below = table(figure, left, 1.3, rows, columns=(0.0, 1.95, 2.5), size=8)
    width = _WIDTH - _WHEEL - 0.1
    level = paragraph(figure, left, below + 0.15, _what_to_do(plan), width=width, size=8) + 0.05
    for words in plan.see_to_first:
        level = paragraph(figure, left, level, words, width=0.93 * width, size=7, fontweight="bold") + 0.02
    left_over = list(plan.notes)
    while left_over and level + paragraph_height(left_over[0], width=width, size=7) < 1.1 + _WHEEL:
        level = paragraph(figure, left, level, f"• {left_over.pop(0)}", width=width, size=7) + 0.02
    return left_over


def _what_to_do(plan: Plan) -> str:
    """Say in a sentence what the steps come to, or why there are none."""
    if plan.refused is not None:
        return f"No corrections: {plan.refused}"
    turns, count = turns_in_all(item.turns for item in plan.corrections), len(plan.corrections)
    return f"{count} {'nipple' if count == 1 else 'nipples'}, {turns}. Tick each step that is done."


def _cell(state: WheelState, name: str, form: str) -> str:
    value = getattr(state, name)
    return "" if value is None else form.format(round(value, 2) + 0.0)


def _steps(figure: Figure, steps: tuple[Correction, ...], seen_from: SeenFrom) -> float:
    """List the steps in columns; return where the next line begins [in]."""
    top = 1.1 + _WHEEL + 0.1
    count, size = (2, 8.0) if len(steps) <= _TWO_COLUMNS else (3, 7.0)
    offsets = (0.0, 0.45, 1.05, 2.95) if count == 2 else (0.0, 0.4, 0.85, 2.0)
    rows = -(-len(steps) // count)
    lowest = top
    for place in range(count):
        part = steps[place * rows : (place + 1) * rows]
        if part:
            cells: list[tuple[str, ...]] = [("step", "spoke", "turn", "done")]
            cells += [
                (
                    f"{item.order}",
                    f"{item.spoke} {FLANGE_LETTER[item.side]}",
                    f"{_turn(item)} {_arrow(tighten=item.turns > 0, seen_from=seen_from)}",
                    "□",
                )
                for item in part
            ]
            left = _LEFT + place * _WIDTH / count
            lowest = max(lowest, table(figure, left, top, cells, columns=offsets, size=size))
    if steps:
        note = _legend(steps, seen_from)
        lowest = paragraph(figure, _LEFT, lowest + 0.05, note, width=_WIDTH, size=8, fontweight="bold")
    return lowest


def _legend(steps: tuple[Correction, ...], seen_from: SeenFrom) -> str:
    arrows = {"↻": "clockwise ↻", "↺": "anticlockwise ↺"}
    tighten, loosen = (arrows[_arrow(tighten=way, seen_from=seen_from)] for way in (True, False))
    note = (
        f"Looking at the nipple from the {seen_from}: tighten is {tighten}, loosen is {loosen}. R: right side, where "
        "the drive is; L: left. Spoke 1 is the first after the valve; numbers rise as the wheel rolls forward."
    )
    laps = {_halves_first(item) for item in steps}
    if laps - {0}:
        note += " 1/2 + 1/4: half a turn now, the rest on a second lap round the wheel."
    if max(laps) > 1:
        note += " 2 × 1/2 + 1/4: half a turn on each of two laps, the rest on a third."
    return note


def _arrow(*, tighten: bool, seen_from: SeenFrom) -> str:
    return "↻" if clockwise(tighten=tighten, seen_from=seen_from) else "↺"


def _halves_first(item: Correction) -> int:
    """So many laps of half a turn come before the one that does the rest."""
    return (round(abs(item.turns) / EIGHTH) - 1) // AT_ONCE_EIGHTHS


def _turn(item: Correction) -> str:
    """Say the turn; over half a turn as what is done now and what on further laps."""
    way = "tighten" if item.turns > 0 else "loosen"
    eighths, halves = round(abs(item.turns) / EIGHTH), _halves_first(item)
    first = "" if halves == 0 else "1/2 + " if halves == 1 else f"{halves} × 1/2 + "
    return f"{way} {first}{turns_words(eighths - halves * AT_ONCE_EIGHTHS)}"


def _below_steps(figure: Figure, cautions: Sequence[str], left_over: Sequence[str], top: float) -> None:
    """Write the cautions below the steps, and what found no room beside the wheel as far as the page holds it."""
    rule(figure, _LEFT, top + 0.08, _WIDTH)
    level = top + 0.16
    for words in cautions:
        level = paragraph(figure, _LEFT, level, f"• {words}", width=_WIDTH, size=7) + 0.02
    for note in left_over:
        if level + paragraph_height(note, width=_WIDTH, size=7) < figure.get_figheight() - _FOOT:
            level = paragraph(figure, _LEFT, level, f"• {note}", width=_WIDTH, size=7) + 0.02
