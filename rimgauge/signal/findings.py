"""What a curve says beside its total: the part of the whole rim, what doesn't repeat, and the rim's width."""

from __future__ import annotations

import numpy as np

from rimgauge.records import Direction, FloatArray, SideRunout, record, worse_of

WORTH_SAYING_MM = 0.1
"""Less than this is no use to a mechanic (common practice: 0.2 mm is better than riding needs)."""
WIDTH_BY_RADIUS_MM = 25.0 / 150.0 * 0.5
"""A rim looks wider where it comes nearer the camera: one of 25 mm that is out of round by 0.5 mm seems to vary by so much in a
picture from 150 mm (pinhole, derived; usual sizes, a judgement), and is taken to where its radial runout isn't known. Drawn rims of one width seemed to vary by 0.07 to 0.13 mm."""


@record
class WholeRim:
    """The once-a-turn part of a curve: its total [mm], and the total of what is left without it [mm]."""

    once_mm: float
    rest_mm: float


def whole_rim(side: SideRunout) -> WholeRim:
    """Part a curve into its first harmonic, which moves the rim as a whole, and its bends."""
    once = np.zeros(len(side.curve_mm))
    for order, size_mm, phase_deg in zip(
        side.harmonic_order, side.harmonic_amplitude_mm, side.harmonic_phase_deg, strict=True
    ):
        if order == 1:
            once = size_mm * np.cos(np.radians(side.curve_angle_deg - phase_deg))
    return WholeRim(once_mm=float(np.ptp(once)), rest_mm=float(np.ptp(side.curve_mm - once)))


def once_a_turn(side: SideRunout) -> WholeRim | None:
    """Part a curve as `whole_rim` does, where most of it comes once a turn, more than the bends make; None where not."""
    parts = whole_rim(side)
    return parts if parts.once_mm > max(WORTH_SAYING_MM, parts.rest_mm) else None


def axle_first(direction: Direction, sides: tuple[SideRunout, ...]) -> str | None:
    """Say before a plan's steps what `findings` says of the axle; None where it says nothing of it.

    An eccentric rim is no matter of the axle: it turns about its bearings wherever they sit.
    """
    if direction == "radial":
        return None
    side = worse_of(sides)
    parts = once_a_turn(side)
    if parts is None:
        return None
    return (
        f"Before you turn a nipple: {parts.once_mm:.2f} mm of the lateral runout of "
        f"{side.total_runout.value:.2f} mm comes once a turn, the whole rim stands tilted. See that the axle is straight "
        "and clamped, and its bearings without play; if you had to mend that, measure and plan again. If it is in order, go on "
        "(--checked axle leaves this out)."
    )


def width_curve_mm(sides: tuple[SideRunout, ...]) -> FloatArray | None:
    """How the rim's width departs from its mean (m,) [mm], where both edges were measured together."""
    by_side = {side.side: side for side in sides}
    if set(by_side) != {"right", "left"}:
        return None
    return np.asarray(by_side["right"].curve_mm - by_side["left"].curve_mm)


def width_uncertainty_mm(sides: tuple[SideRunout, ...], by_radius_mm: float) -> float:
    """Expanded uncertainty (95 %) of the width's largest less its smallest, which four readings of an edge tell.

    by_radius_mm: by how much the rim seems to vary in width because it is out of round.
    """
    readings = np.array([np.sqrt(np.mean(side.spoke_standard_uncertainty_mm**2)) for side in sides])
    return float(np.hypot(2.0 * np.sqrt(2.0 * np.sum(readings**2)), by_radius_mm))


@record
class Finding:
    """What a curve says, and what a mechanic should look at for it; '' for nothing."""

    said: str
    look: str = ""


def findings(
    direction: Direction, sides: tuple[SideRunout, ...], *, within: bool, by_radius_mm: float | None
) -> tuple[Finding, ...]:
    """Say in words what nipples can't mend, or what spoils the measurement.

    within: the tolerance, so that no nipple is turned. by_radius_mm: how much wider the rim looks where it comes nearest the
    camera than where it is farthest; None where its radial runout wasn't measured.
    """
    side = worse_of(sides)
    found: list[Finding] = []
    parts = once_a_turn(side)
    if parts is not None and direction == "lateral":
        found.append(
            Finding(
                said=f"{parts.once_mm:.2f} mm of it comes once a turn: the whole rim stands tilted; the bends alone make "
                f"{parts.rest_mm:.2f} mm.",
                look=""
                if within
                else "Before you turn nipples, check that the axle is straight and clamped, and its bearings without play: "
                "most of the runout comes once a turn.",
            )
        )
    elif parts is not None:
        words = (
            f"{parts.once_mm:.2f} mm of it comes once a turn: the whole rim sits beside the hub's middle, high on one half "
            f"and low on the other; the bends alone make {parts.rest_mm:.2f} mm."
        )
        found.append(Finding(said=words))
    loose_mm = side.non_repeatable_mm
    if loose_mm > max(WORTH_SAYING_MM, 0.25 * side.total_runout.value):
        found.append(
            Finding(
                said=f"{loose_mm:.2f} mm differs from one turn to the next, which no rim does.",
                look="Look for play in the bearings, a loose pointer or a camera that moves: something differs from one "
                "turn to the next.",
            )
        )
    uneven = _of_the_width(sides, by_radius_mm)
    return (*found, uneven) if uneven is not None else tuple(found)


def _of_the_width(sides: tuple[SideRunout, ...], by_radius_mm: float | None) -> Finding | None:
    """Say that the width varies where it surely does; where nobody knows how round the rim is, that it seems so."""
    width = width_curve_mm(sides)
    if width is None:
        return None
    unsure_mm = width_uncertainty_mm(sides, WIDTH_BY_RADIUS_MM if by_radius_mm is None else by_radius_mm)
    if np.ptp(width) - unsure_mm <= WORTH_SAYING_MM:
        return None
    varies = f"the rim's width varies by {np.ptp(width):.2f} ± {unsure_mm:.2f} mm round the wheel"
    if by_radius_mm is None:
        return Finding(
            said=f"It seems that {varies}; a rim that is out of round by more than half a millimetre can look so too. A radial "
            "measurement, given with --radial, tells which."
        )
    return Finding(said=f"T{varies[1:]}, which no nipple mends.")
