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
    date_words,
    evidence_headline,
    how_lines,
    judged,
    meaning_words,
    measured_words,
    newest,
    result_rows,
    short,
    verdict_words,
)

PAGE_IN = {"a4": (8.27, 11.69), "letter": (8.5, 11.0)}
_WIDTH = 7.2
_COLUMN = _WIDTH / 2 - 0.1
_SMALL = 6.8
_MOST_ROWS, _LEAST_ROWS = 8, 3
_SHAPE = 1.95
_FOOT = 0.6
_AROUND_CURVE = 1.0
_LARGE, _LESS_LARGE = 16, 13
_NOTE_GAP = " • "
_NOTE_SIZE, _AFTER_NOTE, _BEFORE_NOTES = 8.0, 0.06, 0.9
_LOW_CURVE, _LOWEST_CURVE = 0.48, 0.32
ON_A_LATER_PAGE = "The notes stand on a later page."


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
        figure, x, y = _upper_half(evidence, comparison, paper)
        notes = comparison.after.notes
        if notes and not _has_room(figure, y, comparison, notes):
            notes = (ON_A_LATER_PAGE,)
        y = _curves(figure, x, y, comparison, notes)
        y = _shapes(figure, x, y, comparison, evidence.rim_diameter_mm)
        _small_print(figure, x, y, comparison.after, notes)
        _foot(figure, x, evidence, page, pages or len(evidence.comparisons))
    return figure


def _upper_half(
    evidence: Evidence, comparison: Comparison, paper: Literal["a4", "letter"]
) -> tuple[Figure, float, float]:
    """Begin a page with what was found; the figure, and where the next thing begins, x and y [in]."""
    x = (PAGE_IN[paper][0] - _WIDTH) / 2
    for most in range(_MOST_ROWS, _LEAST_ROWS - 1, -1):
        figure = Figure(figsize=PAGE_IN[paper])
        y = _head(figure, x, 0.5, evidence)
        y = _summary(figure, x, y, evidence, comparison, most)
        if _has_room(figure, y, comparison, (ON_A_LATER_PAGE,)):
            break
    return figure, x, y


def _later_notes(evidence: Evidence, paper: Literal["a4", "letter"]) -> list[list[str]]:
    """Notes, each direction's after a heading, for which its page has no room: those of each further page."""
    lines: list[str] = []
    for comparison in evidence.comparisons:
        with our_style():
            figure, _, y = _upper_half(evidence, comparison, paper)
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
    figure: Figure, x: float, y: float, evidence: Evidence, comparison: Comparison, most: int
) -> float:
    """Write the table of results, so many rows a direction at most, on the left, how they were made on the right."""
    rows = result_rows(evidence, most=most)
    bottom = table(figure, x, y, rows, columns=(0, 0.88, 2.78, 4.38), size=7.1)
    bottom = paragraph(
        figure, x, bottom + 0.02, meaning_words(comparison.after), width=4.7, size=6.5, color=QUIET
    )
    for name, words in evidence.facts:
        bottom = paragraph(figure, x, bottom + 0.03, f"{name}: {short(words, 200)}", width=4.7, size=7.2)
    right = y
    for line in how_lines(comparison):
        right = paragraph(figure, x + 5.1, right, line, width=_WIDTH - 5.1, size=6.8)
    return max(bottom, right) + 0.12


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
    lower = _SHAPE + 0.14 + _small_print_height(comparison.after, notes) + _FOOT
    return (figure.get_figheight() - y - lower) / len(rows_of(comparison)) - _AROUND_CURVE


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


def _shapes(figure: Figure, x: float, y: float, comparison: Comparison, rim_diameter_mm: float) -> float:
    """Draw the wheel's shape, first and last in one circle, and the pictures of the worst place."""
    rows = rows_of(comparison)
    reach_mm = max(float(np.abs(side.curve_mm).max()) for _, each, _ in rows for side in each.sides)
    factor = nice_factor(reach_mm, rim_diameter_mm)
    draw_circle(
        frame(figure, x - 0.1, y, _SHAPE, _SHAPE),
        [(each, stroke) for _, each, stroke in rows],
        factor=factor,
        rim_diameter_mm=rim_diameter_mm,
        legend=legend_words(comparison),
    )
    width = (_WIDTH - _SHAPE - 0.1) / 2
    for number, photo in enumerate(comparison.photos):
        left = x + _SHAPE + number * (width + 0.1)
        axes = frame(figure, left, y + 0.02, width, _SHAPE - 0.34)
        axes.imshow(photo.picture[:, :, ::-1], interpolation="none")
        axes.set_anchor("S")
        axes.set_xticks([])
        axes.set_yticks([])
        paragraph(figure, left, y + _SHAPE - 0.28, short(photo.words, 90), width=width, size=_SMALL)
    return y + _SHAPE + 0.14


def _small_print_height(after: Runout, notes: tuple[str, ...]) -> float:
    left = paragraph_height(verdict_words(after), width=_COLUMN, size=_SMALL)
    left += 0.04 + table_height(1 + len(after.budget), size=6.3)
    right = sum(paragraph_height(words, width=_COLUMN, size=_SMALL) + 0.04 for words in CAUTIONS)
    below = 0.19 + paragraph_height(_NOTE_GAP.join(notes), width=_WIDTH, size=_SMALL) if notes else 0.0
    return 0.25 + max(left, right) + below


def _small_print(figure: Figure, x: float, y: float, after: Runout, notes: tuple[str, ...]) -> None:
    """Write the rule and the uncertainty budget on the left, the cautions on the right, the notes below both."""
    rule(figure, x, y, _WIDTH)
    y += 0.08
    write(figure, x, y, "How the verdict was reached", fontsize=8, fontweight="bold")
    left = paragraph(figure, x, y + 0.17, verdict_words(after), width=_COLUMN, size=_SMALL)
    rows: list[tuple[str, ...]] = [("Uncertainty from", "standard, mm")]
    rows += [(short(line.source, 66), f"{line.standard_uncertainty_mm:.3f}") for line in after.budget]
    left = table(figure, x, left + 0.04, rows, columns=(0, 2.75), size=6.3)
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
