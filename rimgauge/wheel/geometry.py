"""Where the spokes run: from nipple to flange, in the directions of the rim at each nipple."""

import numpy as np

from rimgauge.records import FloatArray, Hub, Wheel, record


@record
class SpokeLines:
    """The straight lines of n spokes.

    toward_hub (n, 3): unit vectors from nipple to flange, components lateral (+ right), radial (+ outward),
    tangential (+ toward higher angles). length_mm (n,): from nipple to flange.
    """

    toward_hub: FloatArray
    length_mm: FloatArray


def spoke_lines(wheel: Wheel) -> SpokeLines:
    """Run each spoke from its place in the rim to its hole in the flange.

    On each flange spokes lean in turn toward higher and toward lower angles, the first of each flange
    toward higher ones: that leaves the widest gap at the valve (common practice).

    References
    ----------
    The hole lies 360·crossings/(spokes of its flange) degrees from the nipple, seen along the axle; common practice.

    """
    sign, radius, offset = _flange_of_each(wheel)
    lean = np.radians(_lean_deg(wheel))
    rim_radius = wheel.rim.effective_diameter_mm / 2
    run = np.stack([sign * offset, radius * np.cos(lean) - rim_radius, radius * np.sin(lean)], axis=1)
    length = np.linalg.norm(run, axis=1)
    return SpokeLines(toward_hub=run / length[:, None], length_mm=length)


def lateral_sines(lines: SpokeLines, wheel: Wheel) -> tuple[float, float]:
    """Sum over the right and over the left spokes of the sine of the angle between spoke and rim plane."""
    sine = np.abs(lines.toward_hub[:, 0])
    right = np.array(wheel.flanges) == "right"
    return float(sine[right].sum()), float(sine[~right].sum())


def lean_step_deg(crossings: int, spokes_on_flange: int) -> float:
    """Angle at the axle between a nipple and its hole in the flange [deg]."""
    return 360.0 * crossings / spokes_on_flange


def _lean_deg(wheel: Wheel) -> FloatArray:
    """Signed angle from each nipple to its hole, (n,)."""
    lean = np.empty(len(wheel.flanges))
    flanges = np.array(wheel.flanges)
    for side in ("right", "left"):
        members = np.flatnonzero(flanges == side)
        if len(members):
            turn = lean_step_deg(wheel.crossings, len(members))
            lean[members] = np.where(np.arange(len(members)) % 2 == 0, turn, -turn)
    return lean


def _flange_of_each(wheel: Wheel) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Side (+1 right, −1 left), flange radius and flange offset of each spoke, three times (n,)."""
    hub: Hub = wheel.hub
    right = np.array(wheel.flanges) == "right"
    sign = np.where(right, 1.0, -1.0)
    radius = np.where(right, hub.right_flange_diameter_mm, hub.left_flange_diameter_mm) / 2
    offset = np.where(right, hub.right_flange_offset_mm, hub.left_flange_offset_mm)
    return sign, radius, offset
