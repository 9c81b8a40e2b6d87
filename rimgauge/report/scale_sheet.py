"""The scale sheet to print: a checkerboard of true size, and two rulers that check the printer."""

from __future__ import annotations

import io

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

MM_PER_INCH = 25.4
PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""ISO 216 A4, and letter of 8.5 × 11 inches."""
SQUARE_MM, COLUMNS, ROWS = 5.0, 10, 7
RULER_MM = 100

STEPS: tuple[tuple[str, ...], ...] = (
    ("Print at 100 % (“actual size”), never “fit to page”.",),
    (
        "Measure both rulers with a caliper or a steel ruler.",
        "If 100 mm isn't 100 mm, print again, or tell rimgauge the true size of a square:",
        "a twentieth of what you measured.",
    ),
    ("Cut along the grey line and glue the board to stiff, flat card.",),
    (
        "Hold it flat where the rim's edge is, facing the camera, one side of it along",
        "the axle (lateral) or along the spokes (radial). Don't move the camera.",
        "Take one picture.",
    ),
    ("rimgauge scale --view view.json --checkerboard picture.jpg --square-mm 5",),
)


def blank(paper: str) -> tuple[Figure, Axes, float]:
    """A sheet, its axes, which are the paper in mm, so that everything on it has its true size, and its height [mm]."""
    width, height = PAPERS_MM[paper]
    sheet = Figure(figsize=(width / MM_PER_INCH, height / MM_PER_INCH))
    page = sheet.add_axes((0, 0, 1, 1))
    page.set(xlim=(0, width), ylim=(0, height))
    page.set_axis_off()
    return sheet, page, height


def as_pdf(sheet: Figure, title: str) -> bytes:
    """Make a sheet the bytes of a PDF that prints at its true size."""
    file = io.BytesIO()
    with mpl.rc_context({"pdf.fonttype": 42}):
        sheet.savefig(file, format="pdf", metadata={"Title": title, "CreationDate": None})
    return file.getvalue()


def draw_sheet(paper: str) -> Figure:
    """Draw the scale sheet."""
    sheet, page, height = blank(paper)
    page.text(25, height - 28, "rimgauge scale sheet", fontsize=20, weight="bold")
    page.text(25, height - 37, f"checkerboard of {SQUARE_MM:g} mm squares, {COLUMNS} × {ROWS}", fontsize=11)
    _board(page, left=35.0, bottom=height - 95.0)
    _ruler(page, left=25.0, bottom=height - 125.0, upright=False)
    _ruler(page, left=155.0, bottom=height - 150.0, upright=True)
    line = height - 168.0
    for number, step in enumerate(STEPS, start=1):
        page.text(25, line, f"{number}.", fontsize=10)
        for text in step:
            command = text.startswith("rimgauge ")
            page.text(
                32, line, text, fontsize=9 if command else 10, family="monospace" if command else "sans-serif"
            )
            line -= 6.5
        line -= 2.0
    return sheet


def _board(page: Axes, *, left: float, bottom: float) -> None:
    for row in range(ROWS):
        for column in range(COLUMNS):
            if (row + column) % 2 == 0:
                corner = (left + column * SQUARE_MM, bottom + row * SQUARE_MM)
                page.add_patch(Rectangle(corner, SQUARE_MM, SQUARE_MM, facecolor="black", linewidth=0))
    margin = SQUARE_MM
    size = (COLUMNS * SQUARE_MM + 2 * margin, ROWS * SQUARE_MM + 2 * margin)
    page.add_patch(
        Rectangle((left - margin, bottom - margin), *size, fill=False, edgecolor="0.7", linewidth=0.4)
    )


def _ruler(page: Axes, *, left: float, bottom: float, upright: bool) -> None:
    """Draw a ruler of 100 mm with a mark every millimetre."""
    for mark in range(RULER_MM + 1):
        length = 6.0 if mark % 10 == 0 else 4.0 if mark % 5 == 0 else 2.5
        start, end = (left, bottom + mark), (left + length, bottom + mark)
        if not upright:
            start, end = (left + mark, bottom), (left + mark, bottom + length)
        page.plot(*zip(start, end, strict=True), color="black", linewidth=0.35, solid_capstyle="butt")
        if mark % 10 == 0:
            place = (left + 8.0, bottom + mark) if upright else (left + mark, bottom + 8.0)
            page.text(*place, str(mark), fontsize=7, ha="center", va="center")
    text = (left + 14.0, bottom + 50.0) if upright else (left + 50.0, bottom - 5.0)
    page.text(
        *text, "100 mm: measure me", fontsize=8, ha="center", va="center", rotation=90 if upright else 0
    )
