"""The tag sheet to print: a numbered tag for each spoke, by which camera and class know where the wheel stands."""

from __future__ import annotations

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from rimgauge.records import MOST_TAGS, TAG_DICTIONARY, TAG_MODULES
from rimgauge.report.scale_sheet import MM_PER_INCH, blank

TAG_MM = 10.0
PAPER_MM = TAG_MM * (TAG_MODULES + 2) / TAG_MODULES
"""With the white border of one square that a camera needs to find the black one."""
NUMBER_MM, BETWEEN_MM, COLUMNS = 11.0, 3.0, 6
ROWS = MOST_TAGS // COLUMNS
DOTS = 20
"""Dots a square is drawn with, so that a viewer that smooths pictures keeps its edges sharp."""
POINTS_PER_MM = 72.0 / MM_PER_INCH

STEPS = (
    "Print at 100 %. Cut along the grey lines; leave the white border round each black square.",
    "Clean the rim. Find spoke 1: the first to pass the pointer after the valve as the wheel rolls forward.",
    "Stick tag 1 flat with the middle of its black square in line with spoke 1, on the side that the camera",
    "   sees (the rim's flank or its bed), clear of the edge that is measured and of the brake.",
    "Go on with 2, 3, 4 in the order in which the spokes pass the pointer. A tag beside every second or",
    "   third spoke is enough; the numbers must be those of their spokes.",
    "Run aim again, then measure. Turn slowly and with good light: a smeared tag can't be read.",
    "Take the tags off before riding.",
)


def draw_tags(paper: str, tags: int) -> Figure:
    """Draw tags 1 to `tags`."""
    sheet, page, height = blank(paper)
    page.text(22, height - 24, "rimgauge tag sheet", fontsize=20, weight="bold")
    page.text(22, height - 32, f"numbered tags of {TAG_MM:g} mm: number = spoke", fontsize=11)
    label = PAPER_MM + NUMBER_MM
    for index in range(tags):
        row, column = divmod(index, COLUMNS)
        left = 22.0 + column * (label + BETWEEN_MM)
        bottom = height - 53.0 - row * (PAPER_MM + BETWEEN_MM)
        _label(page, index + 1, left, bottom)
    line, number = height - 53.0 - ROWS * (PAPER_MM + BETWEEN_MM) + 8.0, 0
    for step in STEPS:
        if not step.startswith(" "):
            number += 1
            page.text(22, line, f"{number}.", fontsize=9)
        page.text(28, line, step.strip(), fontsize=9)
        line -= 5.5
    return sheet


def _label(page: Axes, number: int, left: float, bottom: float) -> None:
    """Draw one label to cut out: the number for people, and the tag in its white border."""
    size = (NUMBER_MM + PAPER_MM, PAPER_MM)
    page.add_patch(Rectangle((left, bottom), *size, fill=False, edgecolor="0.7", linewidth=0.4))
    page.text(
        left + NUMBER_MM / 2.0 + 0.5,
        bottom + PAPER_MM / 2.0,
        str(number),
        fontsize=7.5 * POINTS_PER_MM,
        weight="bold",
        ha="center",
        va="center_baseline",
    )
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, TAG_DICTIONARY))
    square = cv2.aruco.generateImageMarker(dictionary, number, TAG_MODULES)
    border = (PAPER_MM - TAG_MM) / 2.0
    x, y = left + NUMBER_MM + border, bottom + border
    page.imshow(
        np.kron(square, np.ones((DOTS, DOTS), dtype=np.uint8)),
        cmap="gray",
        vmin=0,
        vmax=255,
        extent=(x, x + TAG_MM, y, y + TAG_MM),
        interpolation="none",
        aspect="auto",
    )
