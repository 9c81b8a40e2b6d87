"""The page that goes with the wheel: what was measured, how, with what result, and how sure."""

from __future__ import annotations

import re
from typing import Literal

import numpy as np
from matplotlib.figure import Figure

from rimgauge.records import Runout
from rimgauge.report.circle import draw_circle, nice_factor
from rimgauge.report.comparison import Comparison, Evidence
from rimgauge.report.palette import AFTER, BEFORE, QUIET, Stroke, our_style
from rimgauge.report.sheet import (
    frame,
    paragraph,
    paragraph_height,
    rule,
    table,
    table_height,
    text_width,
    write,
)
from rimgauge.report.unrolled import draw_unrolled, largest_reach_mm
from rimgauge.report.words import (
    CAUTIONS,
    budget_rows,
    date_words,
    evidence_headline,
    how_lines,
    judged,
    meaning_words,
    measured_words,
    newest,
    one_sided_words,
    result_rows,
    short,
    verdict_words,
)

PAGE_IN = {"a4": (8.27, 11.69), "letter": (8.5, 11.0)}
_WIDTH = 7.2
_COLUMN = _WIDTH / 2 - 0.1
_SMALL = 6.8
_LEFT, _FACT_SIZE, _BEFORE_FACT = 4.7, 7.2, 0.03
_BUDGET_SIZE, _BUDGET_COLUMNS = 6.3, {2: (0, 2.75), 3: (0, 2.5, 2.98)}
_MOST_ROWS, _LEAST_ROWS = 8, 3
_SHAPE, _SMALL_SHAPE = 1.95, 1.45
_FOOT = 0.6
_AROUND_CURVE = 1.0
_LARGE, _LESS_LARGE = 16, 13
_NOTE_GAP = " • "
_NOTE_SIZE, _AFTER_NOTE, _BEFORE_NOTES = 8.0, 0.06, 0.9
_LOW_CURVE, _LOWEST_CURVE = 0.48, 0.32
ON_A_LATER_PAGE = "The notes stand on a later page."
FACTS_LATER = (
    "Who measured, in which order, tension and dish stand on a later page, as far as they are known."
)


def evidence_pages(evidence: Evidence, *, paper: Literal["a4", "letter"] = "a4") -> tuple[Figure, ...]:
    """Draw one page for each direction measured, the verdict over all of them on top of each.

    Notes for which such a page has no room follow on pages of their own.
    """
    later = _later_notes(evidence, paper)
    pages = len(evidence.comparisons) + len(later)
    figures = [
        evidence_figure(evidence, page=number, paper=paper, pages=pages)
        for number in range(len(evidence.comparisons))
    ]
    for number, notes in enumerate(later, start=len(figures)):
        figures.append(_notes_figure(evidence, notes, number, pages, paper))
    return tuple(figures)


def evidence_figure(
    evidence: Evidence, *, page: int = 0, paper: Literal["a4", "letter"] = "a4", pages: int | None = None
) -> Figure:
    """Draw the page of one direction.

    Parameters
    ----------
    evidence : what is known of the wheel.
    page : which of the comparisons to draw, from 0.
    paper : size of the page, portrait.
    pages : how many pages there are in all; None: as many as comparisons.

    Returns
    -------
    Figure
        Equal evidence gives an equal page; nothing is taken from the clock. Notes that it has no room for are
        left to a later page, and it says so.

    """
    comparison = evidence.comparisons[page]
    with our_style():
        figure, x, y, _ = _upper_half(evidence, comparison, paper)
        notes = comparison.after.notes
        if notes and not _has_room(figure, y, comparison, notes):
            notes = (ON_A_LATER_PAGE,)
        shape = _shape_height(figure, y, comparison, notes)
        y = _curves(figure, x, y, comparison, notes)
        y = _shapes(figure, x, y, shape, comparison, evidence.rim_diameter_mm)
        _small_print(figure, x, y, comparison.after, notes)
        _foot(figure, x, evidence, page, pages or len(evidence.comparisons))
    return figure


def _upper_half(
    evidence: Evidence, comparison: Comparison, paper: Literal["a4", "letter"]
) -> tuple[Figure, float, float, tuple[str, ...]]:
    """Begin a page with what was found: the figure, where the next thing begins, x and y [in], and facts left for later.

    A page too full even with the fewest rows leaves the facts to a later one.
    """
    x = (PAGE_IN[paper][0] - _WIDTH) / 2
    facts = tuple(f"{name}: {short(words, 200)}" for name, words in evidence.facts)
    for most in range(_MOST_ROWS, _LEAST_ROWS - 1, -1):
        figure, y = _begun(evidence, comparison, paper, most, facts)
        if _has_room(figure, y, comparison, (ON_A_LATER_PAGE,)):
            return figure, x, y, ()
    if facts and _shape_room(figure, y, comparison, (ON_A_LATER_PAGE,)) < _SMALL_SHAPE:
        figure, y = _begun(evidence, comparison, paper, _LEAST_ROWS, (FACTS_LATER,))
        return figure, x, y, facts
    return figure, x, y, ()


def _begun(
    evidence: Evidence,
    comparison: Comparison,
    paper: Literal["a4", "letter"],
    most: int,
    facts: tuple[str, ...],
) -> tuple[Figure, float]:
    """Begin a page with so many rows a direction at most; the figure, and where the next thing begins [in]."""
    figure = Figure(figsize=PAGE_IN[paper])
    x = (PAGE_IN[paper][0] - _WIDTH) / 2
    y = _head(figure, x, 0.5, evidence)
    return figure, _summary(figure, x, y, result_rows(evidence, most=most), facts, comparison)


def _later_notes(evidence: Evidence, paper: Literal["a4", "letter"]) -> list[list[str]]:
    """Notes, each direction's after a heading, for which its page has no room: those of each further page."""
    lines: list[str] = []
    for comparison in evidence.comparisons:
        with our_style():
            figure, _, y, facts = _upper_half(evidence, comparison, paper)
            lines += [fact for fact in facts if fact not in lines]
            notes = comparison.after.notes
            if notes and not _has_room(figure, y, comparison, notes):
                lines += [f"{comparison.after.direction.capitalize()} runout:", *notes]
    pages: list[list[str]] = []
    y = np.inf
    for line in lines:
        height = paragraph_height(line, width=_WIDTH, size=_NOTE_SIZE) + _AFTER_NOTE
        if y + height > PAGE_IN[paper][1] - _FOOT:
            pages.append([])
            y = _BEFORE_NOTES
        pages[-1].append(line)
        y += height
    return pages


def _notes_figure(
    evidence: Evidence, notes: list[str], page: int, pages: int, paper: Literal["a4", "letter"]
) -> Figure:
    with our_style():
        figure = Figure(figsize=PAGE_IN[paper])
        x, y = (PAGE_IN[paper][0] - _WIDTH) / 2, _BEFORE_NOTES
        write(figure, x, 0.5, f"Notes: {short(evidence.wheel_name, 60)}", fontsize=11, fontweight="bold")
        for line in notes:
            y = paragraph(figure, x, y, line, width=_WIDTH, size=_NOTE_SIZE) + _AFTER_NOTE
        _foot(figure, x, evidence, page, pages)
    return figure


def _head(figure: Figure, x: float, y: float, evidence: Evidence) -> float:
    words = evidence_headline(evidence)
    size = _LARGE if text_width(words, _LARGE, bold=True) <= _WIDTH else _LESS_LARGE
    # What stands in brackets stays in one line, so that no lone unit is left for the next.
    words = re.sub(r"\([^)]*\)", lambda found: found[0].replace(" ", "\u00a0"), words)
    y = paragraph(figure, x, y, words, width=_WIDTH, size=size, fontweight="bold") + 0.08
    write(figure, x, y, short(evidence.wheel_name, 60), fontsize=11)
    write(figure, x + _WIDTH, y + 0.02, date_words(newest(judged(evidence)).created), fontsize=9, ha="right")
    y = paragraph(figure, x, y + 0.24, measured_words(evidence), width=_WIDTH, size=8.5)
    rule(figure, x, y + 0.06, _WIDTH)
    return y + 0.16


def _summary(
    figure: Figure,
    x: float,
    y: float,
    rows: list[tuple[str, ...]],
    facts: tuple[str, ...],
    comparison: Comparison,
) -> float:
    """Write the table of results on the left, how they were made on the right.

    What else is known follows below the table, or across the page where that takes less of it.
    """
    bottom = table(figure, x, y, rows, columns=(0, 0.88, 2.78, 4.38), size=7.1)
    bottom = paragraph(
        figure, x, bottom + 0.02, meaning_words(comparison.after), width=_LEFT, size=6.5, color=QUIET
    )
    right = y
    for line in how_lines(comparison):
        right = paragraph(figure, x + 5.1, right, line, width=_WIDTH - 5.1, size=6.8)
    below, across = max(bottom + _facts_height(facts, _LEFT), right), max(bottom, right)
    if across + _facts_height(facts, _WIDTH) < below:
        bottom, width = across, _WIDTH
    else:
        width = _LEFT
    for fact in facts:
        bottom = paragraph(figure, x, bottom + _BEFORE_FACT, fact, width=width, size=_FACT_SIZE)
    return max(bottom, right) + 0.12


def _facts_height(facts: tuple[str, ...], width: float) -> float:
    return sum(_BEFORE_FACT + paragraph_height(fact, width=width, size=_FACT_SIZE) for fact in facts)


def rows_of(comparison: Comparison) -> list[tuple[str, Runout, Stroke]]:
    """List what is drawn of a direction: when, the measurement, and its stroke."""
    if comparison.before is None:
        return [("", comparison.after, AFTER)]
    return [
        (comparison.first_name, comparison.before, BEFORE),
        (comparison.last_name, comparison.after, AFTER),
    ]


def legend_words(comparison: Comparison) -> str:
    """Say which line is which, a line for each, where there are two."""
    if comparison.before is None:
        return ""
    return f"dashed: {comparison.first_name.lower()}\nsolid: {comparison.last_name.lower()}"


def _curve_height(figure: Figure, y: float, comparison: Comparison, notes: tuple[str, ...]) -> float:
    """Height that the rest of the page leaves to each curve [in]."""
    left = _left_over(figure, y, comparison, notes) - _SHAPE
    return left / len(rows_of(comparison)) - _AROUND_CURVE


def _left_over(figure: Figure, y: float, comparison: Comparison, notes: tuple[str, ...]) -> float:
    """Height that the rest of the page leaves to curves and shape [in]."""
    return figure.get_figheight() - y - 0.14 - _small_print_height(comparison.after, notes) - _FOOT


def _shape_height(figure: Figure, y: float, comparison: Comparison, notes: tuple[str, ...]) -> float:
    """Height of shape and pictures [in], y being where the curves begin: less only where the page would be too full."""
    return float(np.clip(_shape_room(figure, y, comparison, notes), _SMALL_SHAPE, _SHAPE))


def _shape_room(figure: Figure, y: float, comparison: Comparison, notes: tuple[str, ...]) -> float:
    """Height that the lowest curves leave to shape and pictures [in]."""
    curves = len(rows_of(comparison)) * (_LOWEST_CURVE + _AROUND_CURVE)
    return _left_over(figure, y, comparison, notes) - curves


def _has_room(figure: Figure, y: float, comparison: Comparison, notes: tuple[str, ...]) -> bool:
    return _curve_height(figure, y, comparison, notes) >= _LOW_CURVE


def _curves(figure: Figure, x: float, y: float, comparison: Comparison, notes: tuple[str, ...]) -> float:
    """Draw the curves on one scale, as high as the rest of the page leaves room for."""
    reach_mm = largest_reach_mm(comparison.after, comparison.before)
    rows = rows_of(comparison)
    height = float(np.clip(_curve_height(figure, y, comparison, notes), _LOWEST_CURVE, 2.6))
    for when, each, stroke in rows:
        named = f"{when}: {each.direction} runout, {date_words(each.created)}"
        title = named if when else f"{each.direction.capitalize()} runout"
        axes = frame(figure, x + 0.42, y + 0.42, _WIDTH - 1.34, height)
        draw_unrolled(axes, each, stroke, reach_mm=reach_mm, title=title)
        y += height + _AROUND_CURVE
    return y


def _shapes(
    figure: Figure, x: float, y: float, height: float, comparison: Comparison, rim_diameter_mm: float
) -> float:
    """Draw the wheel's shape, first and last in one circle, and the pictures of the worst place."""
    rows = rows_of(comparison)
    reach_mm = max(float(np.abs(side.curve_mm).max()) for _, each, _ in rows for side in each.sides)
    factor = nice_factor(reach_mm, rim_diameter_mm)
    draw_circle(
        frame(figure, x - 0.1, y, _SHAPE, height),
        [(each, stroke) for _, each, stroke in rows],
        factor=factor,
        rim_diameter_mm=rim_diameter_mm,
        legend=legend_words(comparison),
    )
    width = (_WIDTH - _SHAPE - 0.1) / 2
    for number, photo in enumerate(comparison.photos):
        left = x + _SHAPE + number * (width + 0.1)
        axes = frame(figure, left, y + 0.02, width, height - 0.34)
        axes.imshow(photo.picture[:, :, ::-1], interpolation="none")
        axes.set_anchor("SW")
        axes.set_xticks([])
        axes.set_yticks([])
        paragraph(figure, left, y + height - 0.28, short(photo.words, 90), width=width, size=_SMALL)
    return y + height + 0.14


def _small_print_height(after: Runout, notes: tuple[str, ...]) -> float:
    left = paragraph_height(verdict_words(after), width=_COLUMN, size=_SMALL)
    left += 0.04 + table_height(1 + len(after.budget), size=_BUDGET_SIZE)
    if one_sided := one_sided_words(after):
        left += paragraph_height(one_sided, width=_COLUMN, size=_BUDGET_SIZE)
    right = sum(paragraph_height(words, width=_COLUMN, size=_SMALL) + 0.04 for words in CAUTIONS)
    below = 0.19 + paragraph_height(_NOTE_GAP.join(notes), width=_WIDTH, size=_SMALL) if notes else 0.0
    return 0.25 + max(left, right) + below


def _small_print(figure: Figure, x: float, y: float, after: Runout, notes: tuple[str, ...]) -> None:
    """Write the rule and the uncertainty budget on the left, the cautions on the right, the notes below both."""
    rule(figure, x, y, _WIDTH)
    y += 0.08
    write(figure, x, y, "How the verdict was reached", fontsize=8, fontweight="bold")
    left = paragraph(figure, x, y + 0.17, verdict_words(after), width=_COLUMN, size=_SMALL)
    rows = [(short(source, 66), *values) for source, *values in budget_rows(after)]
    left = table(figure, x, left + 0.04, rows, columns=_BUDGET_COLUMNS[len(rows[0])], size=_BUDGET_SIZE)
    if one_sided := one_sided_words(after):
        left = paragraph(figure, x, left, one_sided, width=_COLUMN, size=_BUDGET_SIZE, color=QUIET)
    right = x + _WIDTH / 2 + 0.1
    write(figure, right, y, "Cautions", fontsize=8, fontweight="bold")
    y += 0.17
    for words in CAUTIONS:
        y = paragraph(figure, right, y, words, width=_COLUMN, size=_SMALL) + 0.04
    if notes:
        y = max(left, y) + 0.02
        write(figure, x, y, "Notes", fontsize=8, fontweight="bold")
        paragraph(figure, x, y + 0.17, _NOTE_GAP.join(notes), width=_WIDTH, size=_SMALL)


def _foot(figure: Figure, x: float, evidence: Evidence, page: int, pages: int) -> None:
    y = figure.get_figheight() - _FOOT + 0.05
    rule(figure, x, y, _WIDTH)
    paragraph(figure, x, y + 0.06, evidence.fingerprint, width=_WIDTH - 1.7, size=5.6, color=QUIET)
    write(
        figure,
        x + _WIDTH,
        y + 0.06,
        f"{evidence.software}, page {page + 1} of {pages}",
        fontsize=6.5,
        ha="right",
    )
