"""The runout picture: the curve unrolled, and the circle with its shape exaggerated."""

from __future__ import annotations

from matplotlib.figure import Figure
from matplotlib.gridspec import GridSpec

from rimgauge.records import Runout
from rimgauge.report.circle import draw_circle, nice_factor
from rimgauge.report.comparison import NOMINAL_RIM_DIAMETER_MM
from rimgauge.report.palette import AFTER, BEFORE, our_style
from rimgauge.report.sheet import printable
from rimgauge.report.unrolled import draw_unrolled, largest_reach_mm

TERMINAL_PLACES = 2
"""The picture stands beside what the terminal says, in hundredths of a millimetre."""


def runout_figure(
    runout: Runout,
    *,
    before: Runout | None = None,
    rim_diameter_mm: float = NOMINAL_RIM_DIAMETER_MM,
    title: str = "",
) -> Figure:
    """Draw a runout, or the runouts before and after a correction on the same scale.

    Lateral is positive toward the wheel's right, radial outward.

    Parameters
    ----------
    runout : the measurement, or the one after the correction.
    before : the measurement before the correction, of the same direction.
    rim_diameter_mm : diameter of the rim, against which the circle's deviation is exaggerated [mm].
    title : a line above all, such as the wheel's name.

    Returns
    -------
    Figure
        11 inches wide; not attached to any window.

    """
    rows = [("", runout, AFTER)] if before is None else [("Before", before, BEFORE), ("After", runout, AFTER)]
    reach_mm = largest_reach_mm(runout, before)
    factor = nice_factor(reach_mm, rim_diameter_mm)
    with our_style():
        figure = Figure(figsize=(11, 0.4 + 3.7 * len(rows)))
        grid = _grid(figure, len(rows))
        figure.suptitle(
            printable(title), x=0.06, y=1 - 0.1 / figure.get_figheight(), ha="left", va="top", fontsize=12
        )
        for row, (when, each, stroke) in enumerate(rows):
            name = f"{when}: {each.direction} runout" if when else f"{each.direction.capitalize()} runout"
            unrolled = figure.add_subplot(grid[row, 0])
            draw_unrolled(unrolled, each, stroke, reach_mm=reach_mm, title=name, places=TERMINAL_PLACES)
            draw_circle(
                figure.add_subplot(grid[row, 1]),
                [(each, stroke)],
                factor=factor,
                rim_diameter_mm=rim_diameter_mm,
                title=when,
            )
    return figure


def _grid(figure: Figure, rows: int) -> GridSpec:
    """Lay out so many rows of a curve and a circle."""
    return figure.add_gridspec(
        rows,
        2,
        width_ratios=(2.1, 1),
        left=0.06,
        right=0.995,
        top=1 - 0.95 / figure.get_figheight(),
        bottom=0.7 / figure.get_figheight(),
        wspace=0.19,
        hspace=0.5,
    )
