"""A measurement in words for the terminal."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rimgauge.records import Runout

COLUMNS = 80


def runout_text(runout: Runout) -> str:
    """Put the result in words and a table of spokes, at most 80 columns wide."""
    total = runout.total_runout
    outcome = {"within": "WITHIN", "out": "OUT OF", "undecided": "UNDECIDED against"}[runout.verdict.outcome]
    lines = [
        f"{runout.direction.capitalize()} runout: {total.value:.2f} ± {total.expanded_uncertainty:.2f} mm "
        f"({total.coverage_probability:.0%}), {outcome} the tolerance of {runout.verdict.tolerance_mm:g} mm",
        f"{runout.source.used} of {runout.source.frames} frames used, {runout.revolutions:.1f} revolutions",
    ]
    ways = ("to the right", "to the left") if runout.direction == "lateral" else ("outward", "inward")
    for side in runout.sides:
        for zone in side.zones[:4]:
            spokes = ", ".join(str(number) for number in zone.spokes)
            lines += textwrap.wrap(
                f"{abs(zone.peak_mm):.2f} mm {ways[zone.peak_mm < 0]} at {zone.centre_deg:.0f}°, "
                f"from {zone.start_deg:.0f}° to {zone.end_deg:.0f}°: "
                + (f"spokes {spokes}" if spokes else "between two spokes"),
                COLUMNS,
                initial_indent="  ",
                subsequent_indent="    ",
            )
        lines += ["", f"Runout at each spoke, {side.side} side of the rim [mm]:"]
        cells = [
            f"{number:3d}{flange[0].upper()} {value:+.2f}"
            for number, (flange, value) in enumerate(
                zip(side.spoke_flange, side.spoke_mm, strict=True), start=1
            )
        ]
        lines += ["  ".join(cells[k : k + 6]) for k in range(0, len(cells), 6)]
    if runout.notes:
        lines.append("")
    for note in runout.notes:
        lines += textwrap.wrap(note, COLUMNS, initial_indent="- ", subsequent_indent="  ")
    return "\n".join(lines)
