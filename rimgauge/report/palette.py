"""Colours, line styles and letters that every figure shares.

The colours are a dark blue and a vermilion for after and before, a dark green and a purple for tighten and loosen;
each pair stays apart for all common kinds of colour blindness (Okabe and Ito, "Color universal design", 2008).
A colour, a line style, a marker or a word always says the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

import matplotlib.style

from rimgauge.records import Flange


class Stroke(NamedTuple):
    """How one curve is drawn."""

    colour: str
    line: str
    width: float


INK = "#1a1a1a"
QUIET = "#5c5c5c"
BAND = "#dfe9d8"
ZONE = "#ececec"

AFTER = Stroke("#0b3c6f", "-", 1.6)
BEFORE = Stroke("#c04a00", (0, (5, 1.6)), 1.4)  # type: ignore[arg-type] # matplotlib takes on-off lengths
OTHER_SIDE = Stroke(QUIET, ":", 1.1)
TIGHTEN = Stroke("#006b4f", "-", 1.4)
LOOSEN = Stroke("#8e2a6b", "-", 1.4)

FLANGE_MARKER: dict[Flange, str] = {"right": "o", "left": "s"}
FLANGE_LETTER: dict[Flange, str] = {"right": "R", "left": "L"}

_STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans",  # comes with matplotlib, so that the same record gives the same bytes
    "font.size": 8.0,
    "axes.edgecolor": QUIET,
    "axes.linewidth": 0.7,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "text.parse_math": False,  # a wheel's name may hold a dollar sign
    "pdf.fonttype": 42,
    "figure.facecolor": "white",
    "hatch.linewidth": 0.5,
}


@contextmanager
def our_style() -> Iterator[None]:
    """Draw and save in our own style, whatever the person's matplotlib settings are."""
    with matplotlib.style.context(["default", _STYLE]):
        yield
