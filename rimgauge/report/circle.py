"""The wheel as a circle whose deviation is drawn much too large, by a stated factor."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from rimgauge.records import FloatArray, Runout, SideRunout, round_factor
from rimgauge.report.palette import INK, QUIET, Stroke

LARGEST_BULGE = 0.28
"""The deviation drawn may reach this share of the radius."""

_CAPTION, _BELOW_CURVE, _LINE = -1.2, 0.06, 0.2
"""Where the words below begin, how far below the rim as drawn at the least, and how high each line is, in radii."""


def nice_factor(reach_mm: float, rim_diameter_mm: float) -> int:
    """Return the largest of 1, 2, 5, 10, 20, … that keeps the drawn deviation within the picture.

    Parameters
    ----------
    reach_mm : largest deviation from the mean circle [mm].
    rim_diameter_mm : diameter of the circle that is drawn [mm].

    """
    return round_factor(LARGEST_BULGE * rim_diameter_mm / 2 / max(reach_mm, 1e-3))


def factor_words(runout: Runout, factor: int) -> str:
    """Say what the picture exaggerates, and which way is which."""
    way = "to the right" if runout.direction == "lateral" else "outward"
    return f"deviation drawn {factor} times too large\noutside the thin circle: {way}"


def draw_circle(
    axes: Axes,
    curves: Sequence[tuple[Runout, Stroke]],
    *,
    factor: int,
    rim_diameter_mm: float,
    title: str = "",
    legend: str = "",
) -> None:
    """Draw the rim as seen from the wheel's right, the mark at the valve at the pointer on top.

    The wheel rolls forward clockwise in this view, so that spoke numbers rise counter-clockwise.
    """
    axes.set_aspect("equal")
    axes.axis("off")
    axes.set_xlim(-1.36, 1.36)
    below = "\n".join(line for line in (legend, factor_words(curves[-1][0], factor)) if line)
    around = np.linspace(0, 360, 361)
    axes.plot(*_points(around, np.ones_like(around)), color=QUIET, linewidth=0.6)
    per_mm = factor / (rim_diameter_mm / 2)
    lowest = min(_draw_rim(axes, runout.worse_side, stroke, per_mm) for runout, stroke in curves)
    caption = min(_CAPTION, lowest - _BELOW_CURVE)
    axes.set_ylim(caption - _LINE * (1 + below.count("\n")), 1.62)
    runout = curves[-1][0]
    _number_spokes(axes, runout.worse_side.spoke_angle_deg)
    _draw_pointer(axes)
    _draw_rolling(axes)
    axes.text(0, 0.05, title, ha="center", va="center", fontsize=8.5, fontweight="bold")
    axes.text(0, caption, below, ha="center", va="top", fontsize=6.5)


def _draw_rim(axes: Axes, side: SideRunout, stroke: Stroke, per_mm: float) -> float:
    """Draw one curve, and return how low it reaches, in radii."""
    curve = np.append(side.curve_mm, side.curve_mm[0])
    angle = np.append(side.curve_angle_deg, side.curve_angle_deg[0] + 360)
    x, y = _points(angle, 1 + per_mm * curve)
    axes.plot(x, y, color=stroke.colour, linestyle=stroke.line, linewidth=stroke.width)
    return float(y.min())


def _points(angle_deg: FloatArray, radius: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Place wheel angles in the picture: 0 on top, rising counter-clockwise."""
    angle = np.radians(angle_deg)
    return -radius * np.sin(angle), radius * np.cos(angle)


def _number_spokes(axes: Axes, angle_deg: FloatArray) -> None:
    """Write spoke numbers inside the circle, every one or every few as there is room."""
    count = len(angle_deg)
    step = 1 if count <= 20 else 2 if count <= 40 else 4
    inner, outer = _points(angle_deg, np.full(count, 0.66)), _points(angle_deg, np.full(count, 0.71))
    axes.plot(np.stack([inner[0], outer[0]]), np.stack([inner[1], outer[1]]), color=QUIET, linewidth=0.6)
    x, y = _points(angle_deg, np.full(count, 0.57))
    for index in range(0, count, step):
        axes.text(x[index], y[index], f"{index + 1}", ha="center", va="center", fontsize=6)


def _draw_pointer(axes: Axes) -> None:
    """Draw the pointer on top, where the mark at the valve stands."""
    axes.annotate(
        "", (0, 1.02), xytext=(0, 1.42), arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 1.0}
    )
    axes.text(0, 1.44, "pointer and valve", ha="center", va="bottom", fontsize=6.5)


def _draw_rolling(axes: Axes) -> None:
    """Show which way the wheel rolls forward: clockwise, seen from the right."""
    turn = np.linspace(-30, -58, 15)
    x, y = _points(turn, np.full_like(turn, 1.33))
    axes.plot(x, y, color=QUIET, linewidth=0.8)
    axes.annotate(
        "",
        (x[-1], y[-1]),
        xytext=(x[-2], y[-2]),
        arrowprops={"arrowstyle": "->", "color": QUIET, "linewidth": 0.8},
    )
    axes.text(0.62, 1.3, "rolls forward", ha="left", va="center", fontsize=6, color=QUIET)
