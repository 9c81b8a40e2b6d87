"""Colours and lettering of the projector picture, large enough for the back row."""

from __future__ import annotations

import functools

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.records import record

Image = NDArray[np.uint8]
Colour = tuple[int, int, int]

_FONT = cv2.FONT_HERSHEY_SIMPLEX
_CAPITAL_PX = 22.0
"""Height of a capital letter of this typeface at scale 1."""


@record
class Ink:
    """Colours, blue-green-red, which stay apart for all common kinds of colour blindness."""

    ground: Colour
    words: Colour
    quiet: Colour
    grid: Colour
    curve: Colour
    here: Colour


DARK = Ink(
    ground=(20, 18, 16),
    words=(245, 245, 245),
    quiet=(175, 175, 175),
    grid=(70, 68, 66),
    curve=(255, 190, 70),
    here=(0, 200, 255),
)
LIGHT = Ink(
    ground=(255, 255, 255),
    words=(20, 20, 20),
    quiet=(95, 95, 95),
    grid=(215, 215, 215),
    curve=(120, 62, 10),
    here=(0, 74, 200),
)


@functools.lru_cache(maxsize=512)
def size_of(text: str, height: float, *, bold: bool = False) -> tuple[int, int]:
    """Return width and height of a text whose capitals are `height` pixels high."""
    scale, thick = _pen(height, bold)
    (width, tall), _ = cv2.getTextSize(text, _FONT, scale, thick)
    return width, tall


def write(
    picture: Image,
    text: str,
    at: tuple[float, float],
    *,
    height: float,
    colour: Colour,
    bold: bool = False,
    align: float = 0.0,
) -> None:
    """Write a text on its base line at x, y; align 0 begins, 0.5 centres and 1 ends it at x."""
    scale, thick = _pen(height, bold)
    x = at[0] - align * size_of(text, height, bold=bold)[0]
    cv2.putText(picture, text, (round(x), round(at[1])), _FONT, scale, colour, thick, cv2.LINE_AA)


def polyline(
    picture: Image, points: NDArray[np.floating], colour: Colour, thick: float, *, closed: bool = False
) -> None:
    """Draw a line through points (n, 2) [px], to a sixteenth of a pixel."""
    fine = np.round(points * 16).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(picture, [fine], closed, colour, max(1, round(thick)), cv2.LINE_AA, 4)


def _pen(height: float, bold: bool) -> tuple[float, int]:
    return height / _CAPITAL_PX, max(1, round(height / (5.5 if bold else 9)))
