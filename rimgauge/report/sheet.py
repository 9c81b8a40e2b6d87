"""Writing on a page measured in inches from its upper left corner."""

from __future__ import annotations

import re
from functools import cache
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.lines import Line2D

from rimgauge.report.palette import QUIET

_LINE_SPACING = 1.3
SPACES = re.compile("[ \t\r\n]+")
"""Where a line may be broken: not at a space that holds words together."""
_FINE = 100
"""Size in points at which letters are measured."""


@cache
def _drawable() -> frozenset[int]:
    """Return the characters that our typeface has."""
    return frozenset(get_font(findfont(FontProperties(family="DejaVu Sans"))).get_charmap())


def printable(words: str) -> str:
    """Put a box in place of each character that our typeface lacks."""
    return "".join(letter if letter == "\n" or ord(letter) in _drawable() else "□" for letter in words)


def write(figure: Figure, x: float, y: float, words: str, **style: Any) -> None:
    """Write one or several lines whose top left corner is at x, y [in]."""
    width, height = figure.get_size_inches()
    settings = {"va": "top", "linespacing": _LINE_SPACING, **style}
    figure.text(x / width, 1 - y / height, printable(words), **settings)


@cache
def _letter_ems(letter: str, *, bold: bool) -> float:
    """Width of a letter, in heights of its typeface."""
    weight = "bold" if bold else "normal"
    font = get_font(findfont(FontProperties(family="DejaVu Sans", weight=weight)))
    font.set_size(_FINE, 72)
    return float(font.load_char(ord(letter)).linearHoriAdvance) / 65536 / _FINE


def text_width(words: str, size: float, *, bold: bool) -> float:
    """Return how wide a line is [in]."""
    return sum(_letter_ems(letter, bold=bold) for letter in printable(words)) * size / 72


def _broken(words: str, width: float, size: float, *, bold: bool) -> list[str]:
    """Break words into lines of a width [in], between words; a word too wide for a line is cut."""
    lines: list[str] = []
    for word in SPACES.split(words):
        longer = f"{lines[-1]} {word}" if lines else word
        if text_width(longer, size, bold=bold) > width:
            lines += _cut(word, width, size, bold=bold)
        else:
            lines[-1:] = [longer]
    return lines or [""]


def _cut(word: str, width: float, size: float, *, bold: bool) -> list[str]:
    pieces = [""]
    for letter in word:
        if pieces[-1] and text_width(pieces[-1] + letter, size, bold=bold) > width:
            pieces.append("")
        pieces[-1] += letter
    return pieces


def paragraph_height(words: str, *, width: float, size: float, bold: bool = False) -> float:
    """Return how much of the page's height a paragraph takes [in]."""
    return len(_broken(words, width, size, bold=bold)) * size * _LINE_SPACING * 1.13 / 72


def paragraph(
    figure: Figure, x: float, y: float, words: str, *, width: float, size: float, **style: Any
) -> float:
    """Write words broken to a width [in] and return where the next line begins [in]."""
    bold = style.get("fontweight") == "bold"
    write(figure, x, y, "\n".join(_broken(words, width, size, bold=bold)), fontsize=size, **style)
    return y + paragraph_height(words, width=width, size=size, bold=bold)


def rule(figure: Figure, x: float, y: float, width: float) -> None:
    """Draw a thin line across."""
    page_width, page_height = figure.get_size_inches()
    level = 1 - y / page_height
    figure.add_artist(
        Line2D([x / page_width, (x + width) / page_width], [level, level], color=QUIET, linewidth=0.6)
    )


def frame(figure: Figure, x: float, y: float, width: float, height: float) -> Axes:
    """Add axes whose top left corner is at x, y [in]."""
    page_width, page_height = figure.get_size_inches()
    return figure.add_axes(
        (x / page_width, 1 - (y + height) / page_height, width / page_width, height / page_height)
    )


def table_height(rows: int, *, size: float) -> float:
    """Return how much of the page's height a table takes [in]."""
    return rows * size * 1.75 / 72


def table(
    figure: Figure,
    x: float,
    y: float,
    rows: list[tuple[str, ...]],
    *,
    columns: tuple[float, ...],
    size: float,
) -> float:
    """Write rows at column offsets [in], the first in bold; return where the next line begins [in]."""
    for number, row in enumerate(rows):
        for offset, words in zip(columns, row, strict=True):
            weight = "bold" if number == 0 else "normal"
            level = y + table_height(number, size=size)
            write(figure, x + offset, level, words, fontsize=size, fontweight=weight)
    return y + table_height(len(rows), size=size)
