"""The runout curve unrolled: millimetres against the angle, spoke numbers on the axis."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.transforms import ScaledTranslation, blended_transform_factory

from rimgauge.records import Runout, SideRunout, Zone, shortest_deg
from rimgauge.report.palette import BAND, FLANGE_LETTER, FLANGE_MARKER, INK, OTHER_SIDE, QUIET, ZONE, Stroke

MOST_LETTERED_SPOKES = 40
"""With more spokes than this the letters would touch; the markers' shapes still tell the sides."""

MOST_ZONES_NAMED = 4


def largest_reach_mm(*runouts: Runout | None) -> float:
    """Return the largest distance from zero of all curves and tolerance bands [mm], for a shared scale."""
    reach = 0.0
    for runout in runouts:
        if runout is not None:
            middle = _middle_mm(runout.worse_side)
            reach = max(reach, abs(middle) + runout.verdict.tolerance_mm / 2)
            reach = max(reach, *(float(np.abs(side.curve_mm).max()) for side in runout.sides))
    return reach


def draw_unrolled(
    axes: Axes, runout: Runout, stroke: Stroke, *, reach_mm: float, title: str, places: int = 3
) -> None:
    """Draw one runout: curve, spokes, zones, tolerance band and the total runout as a bracket.

    reach_mm is half the height of the scale [mm], the same for figures to be compared; places are those of the total.
    """
    side = runout.worse_side
    _set_scales(axes, side, reach_mm)
    _draw_band(axes, runout, side)
    _draw_zones(axes, side.zones)
    for other in runout.sides:
        if other is not side:
            axes.plot(
                other.curve_angle_deg,
                other.curve_mm,
                color=OTHER_SIDE.colour,
                linestyle=OTHER_SIDE.line,
                linewidth=OTHER_SIDE.width,
                label=f"rim's {other.side} side",
            )
    axes.plot(
        side.curve_angle_deg,
        side.curve_mm,
        color=stroke.colour,
        linestyle=stroke.line,
        linewidth=stroke.width,
        label=f"rim's {side.side} side" if len(runout.sides) > 1 else None,
    )
    _draw_spokes(axes, side, stroke)
    _draw_bracket(axes, side, places)
    axes.set_title(title, loc="left", fontsize=9, fontweight="bold", pad=24)
    axes.set_ylabel(_sign_words(runout), fontsize=7.5)
    axes.legend(
        loc="upper left",
        bbox_to_anchor=(0.0, 0.0),
        bbox_transform=axes.transAxes + ScaledTranslation(0, -23 / 72, axes.figure.dpi_scale_trans),
        ncols=6,
        fontsize=6.5,
        frameon=False,
        borderaxespad=0,
        handlelength=1.8,
        columnspacing=1.4,
        handletextpad=0.5,
    )


def _sign_words(runout: Runout) -> str:
    if runout.direction == "lateral":
        return "mm (+ right)"
    return "mm (+ outward)"


def _set_scales(axes: Axes, side: SideRunout, reach_mm: float) -> None:
    axes.set_xlim(0, 360)
    axes.set_ylim(-1.12 * reach_mm, 1.12 * reach_mm)
    axes.grid(axis="y", color="#d8d8d8", linewidth=0.5)
    axes.set_axisbelow(True)
    axes.axhline(0, color=QUIET, linewidth=0.6)
    axes.spines[["top", "right"]].set_visible(False)
    count = len(side.spoke_angle_deg)
    lettered = count <= MOST_LETTERED_SPOKES
    step = 1 if lettered else 2
    labels = [
        f"{number}\n{FLANGE_LETTER[flange]}" if lettered else f"{number}"
        for number, flange in enumerate(side.spoke_flange, start=1)
    ]
    axes.set_xticks(side.spoke_angle_deg[::step], labels[::step], fontsize=6.5 if count <= 32 else 5.5)
    axes.tick_params(axis="x", length=2, pad=1.5)
    axes.tick_params(axis="y", labelsize=7)
    axes.annotate(
        "spoke",
        (0, 0),
        xytext=(-4, -3.5),
        xycoords="axes fraction",
        textcoords="offset points",
        ha="right",
        va="top",
        fontsize=6.5,
        color=QUIET,
    )


def _middle_mm(side: SideRunout) -> float:
    return float(side.curve_mm.max() + side.curve_mm.min()) / 2


def _draw_band(axes: Axes, runout: Runout, side: SideRunout) -> None:
    """Shade a band as high as the tolerance about the curve's middle: the curve fits if it is true enough."""
    middle, half = _middle_mm(side), runout.verdict.tolerance_mm / 2
    # With a second side's curve named as well, the row below has no room for the sentence.
    meaning = f"tolerance: the whole curve must fit into {2 * half:.2f} mm"
    label = meaning if len(runout.sides) == 1 else f"tolerance {2 * half:.2f} mm"
    axes.axhspan(middle - half, middle + half, color=BAND, zorder=0, label=label)
    for level in (middle - half, middle + half):
        axes.axhline(level, color="#5f7d4b", linewidth=0.7, linestyle=(0, (1, 2)))


def _draw_zones(axes: Axes, zones: tuple[Zone, ...]) -> None:
    """Mark each zone above the curve: a line from start to end and a triangle where it is worst."""
    lane = blended_transform_factory(axes.transData, axes.transAxes)
    named = sorted(zones, key=lambda zone: -abs(zone.peak_mm))[:MOST_ZONES_NAMED]
    for zone in named:
        start, end = zone.start_deg % 360, zone.end_deg % 360
        for left, right in [(start, end)] if start <= end else [(start, 360.0), (0.0, end)]:
            axes.axvspan(left, right, color=ZONE, zorder=-1)
            axes.plot([left, right], [1.04, 1.04], transform=lane, color=INK, linewidth=0.9, clip_on=False)
        axes.plot([start, end], [1.04, 1.04], "|", transform=lane, color=INK, markersize=6, clip_on=False)
        worst = zone.centre_deg % 360
        axes.plot([worst], [1.04], "v", transform=lane, color=INK, markersize=4.5, clip_on=False)
    if named:
        axes.plot([], [], "v-", color=INK, markersize=4, linewidth=0.9, label="deviation: start, worst, end")
    for zone in _with_room(named):
        axes.annotate(
            f"{zone.peak_mm:+.2f} mm".replace("-", "−"),
            (float(np.clip(zone.centre_deg % 360, 14, 346)), 1.04),
            xycoords=lane,
            xytext=(0, 4.5),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=7,
        )


def _with_room(zones: list[Zone]) -> list[Zone]:
    """Keep the zones whose names don't touch that of a worse one."""
    kept: list[Zone] = []
    for zone in zones:
        if all(abs(shortest_deg(zone.centre_deg - other.centre_deg)) > 36 for other in kept):
            kept.append(zone)
    return kept


def _draw_spokes(axes: Axes, side: SideRunout, stroke: Stroke) -> None:
    for flange, marker in FLANGE_MARKER.items():
        here = np.array([each == flange for each in side.spoke_flange])
        if here.any():
            axes.plot(
                side.spoke_angle_deg[here],
                side.spoke_mm[here],
                marker,
                color=stroke.colour,
                markersize=3.6,
                markerfacecolor=stroke.colour if flange == "right" else "white",
                markeredgewidth=0.9,
                label=f"{flange} flange",
            )


def _draw_bracket(axes: Axes, side: SideRunout, places: int) -> None:
    """Draw the total runout as a bracket, with a bar for its uncertainty at the upper end."""
    total, middle = side.total_runout, _middle_mm(side)
    low, high = middle - total.value / 2, middle + total.value / 2
    beside = blended_transform_factory(axes.transAxes, axes.transData)
    axes.plot(
        [1.012, 1.025, 1.025, 1.012],
        [low, low, high, high],
        transform=beside,
        color=INK,
        linewidth=1.1,
        clip_on=False,
    )
    axes.errorbar(
        [1.025],
        [high],
        yerr=total.expanded_uncertainty,
        transform=beside,
        color=INK,
        elinewidth=0.7,
        capsize=2.5,
        capthick=0.7,
        clip_on=False,
    )
    axes.text(
        1.045,
        middle,
        f"{total.value:.{places}f} mm\n± {total.expanded_uncertainty:.{places}f}",
        transform=beside,
        va="center",
        fontsize=8,
        fontweight="bold",
    )
