"""Millimetres per pixel from a known length, and how sure it is (GUM: a budget of standard uncertainties)."""

from __future__ import annotations

import math

import numpy as np

from rimgauge.errors import BadInput
from rimgauge.records import CameraPlace, FloatArray, Scale, record

COVERAGE_FACTOR = 2.0
"""Expanded uncertainty at about 95 % (JCGM 100:2008, 6.2)."""
HELD_MM = 0.5
"""A board or card is held so far before or behind the rim's edge (common practice)."""
USUAL_DISTANCE_MM = 200.0
"""From the camera to the rim, where the scale doesn't tell (a judgement)."""
PRINT_SHARE = 0.001
"""A printed sheet whose size was checked with a ruler: 0.1 mm in 100 mm (common practice)."""
SHIM_SHARE = 0.005
"""A stack of shims or paper measured with a caliper (common practice); 0.0025 mm in 0.5 mm."""
CLICK_PX = 1.0
"""Half-width of where a person points; a rectangular distribution (JCGM 100:2008, 4.3.7)."""
MOST_SLANT_DEG = 20.0


@record
class ScaleLine:
    """One line of the scale's budget: what it is, and its relative standard uncertainty."""

    source: str
    relative: float


@record
class ScaleResult:
    """A scale and the budget that its uncertainty comes from."""

    scale: Scale
    budget: tuple[ScaleLine, ...]


def combine(
    length_mm: float,
    length_px: float,
    method: str,
    budget: tuple[ScaleLine, ...],
    camera: CameraPlace | None = None,
) -> ScaleResult:
    """Divide a length by its pixels; relative uncertainties add as squares (JCGM 100:2008, 5.1.6)."""
    mm_per_px = length_mm / length_px
    relative = math.sqrt(sum(line.relative**2 for line in budget))
    scale = Scale(
        mm_per_px=mm_per_px,
        standard_uncertainty_mm_per_px=mm_per_px * relative,
        method=method,
        camera=camera,
    )
    return ScaleResult(scale=scale, budget=budget)


def _held(camera: CameraPlace | None) -> ScaleLine:
    """How far the known length stood before or behind the rim's edge, beside the camera's distance: δ/D."""
    distance_mm = USUAL_DISTANCE_MM if camera is None else camera.distance_mm
    return ScaleLine(source="distance from the rim's edge", relative=HELD_MM / distance_mm)


def scale_from_squares(
    square_mm: float,
    square_px: FloatArray,
    error_px: FloatArray,
    place_error_px: FloatArray,
    camera: CameraPlace | None = None,
) -> ScaleResult:
    """Scale from the side of a board's square at each pointer.

    Parameters
    ----------
    square_mm : float
        Side of one square [mm].
    square_px : FloatArray
        Its side at each of n pointers, shape (n,) [px].
    error_px : FloatArray
        Standard error of the fit, shape (n,) [px].
    place_error_px : FloatArray
        Standard uncertainty from where the rim's edge may stand, shape (n,) [px].
    camera : CameraPlace or None
        Where the camera stands, as the board shows it.
    """
    mean_px = float(np.mean(square_px))
    budget = [
        ScaleLine(source="fit of the corners", relative=float(np.max(error_px)) / mean_px),
        ScaleLine(source="where the rim's edge is", relative=float(np.max(place_error_px)) / mean_px),
        ScaleLine(source="size of the print", relative=PRINT_SHARE),
        _held(camera),
    ]
    if len(square_px) > 1:
        apart = float(np.ptp(square_px)) / (2.0 * math.sqrt(3.0) * mean_px)
        budget.append(ScaleLine(source="difference between the sides", relative=apart))
    return combine(square_mm, mean_px, "checkerboard", tuple(budget), camera)


def scale_from_points(
    length_mm: float,
    start: FloatArray,
    end: FloatArray,
    positive: FloatArray,
    camera: CameraPlace | None = None,
) -> ScaleResult:
    """Scale from two points (2,) [px] that are a known length apart along the measuring direction.

    Raises
    ------
    BadInput
        The points are the same, or their line runs across the measuring direction.
    """
    span = end - start
    length_px = float(np.linalg.norm(span))
    if length_px < 1.0:
        raise BadInput("--from and --to are the same place; give the two ends of the length")
    cosine = min(1.0, abs(float(span @ positive)) / length_px)
    slant_deg = math.degrees(math.acos(cosine))
    if slant_deg > MOST_SLANT_DEG:
        raise BadInput(
            f"the line from --from to --to runs {slant_deg:.0f}° off the direction in which the rim strays; "
            "lay the length along that direction"
        )
    budget = (
        ScaleLine(source="pointing at the ends", relative=CLICK_PX * math.sqrt(2.0 / 3.0) / length_px),
        ScaleLine(source="slant of the line", relative=(1.0 - cosine) / math.sqrt(3.0)),
        _held(camera),
    )
    return combine(length_mm, length_px, "length", budget, camera)


def scale_from_shim(
    shim_mm: float, moved_px: FloatArray, error_px: FloatArray, camera: CameraPlace | None = None
) -> ScaleResult:
    """Scale from how far (n,) [px] pointers moved away when a shim was put in; the surest pointer counts."""
    best = int(np.argmin(error_px / moved_px))
    budget = (
        ScaleLine(source="shift of the pointer", relative=float(error_px[best] / moved_px[best])),
        ScaleLine(source="thickness of the shim", relative=SHIM_SHARE),
        _held(camera),
    )
    return combine(shim_mm, float(moved_px[best]), "shim", budget, camera)


def disagree(one: Scale, other: Scale) -> bool:
    """Whether two scales differ by more than the expanded uncertainty of their difference."""
    together = math.hypot(one.standard_uncertainty_mm_per_px, other.standard_uncertainty_mm_per_px)
    return abs(one.mm_per_px - other.mm_per_px) > COVERAGE_FACTOR * together
