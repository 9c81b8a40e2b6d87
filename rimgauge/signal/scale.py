"""Millimetres per pixel from a known length, and how sure it is (GUM: a budget of standard uncertainties)."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from rimgauge.errors import BadInput
from rimgauge.records import USUAL_DISTANCE_MM, USUAL_FOCAL, CameraPlace, FloatArray, Scale, View, record
from rimgauge.signal import bending
from rimgauge.signal.budget import UNKNOWN_CROSSTALK
from rimgauge.signal.standing import COVERAGE_FACTOR, VAGUE_DISTANCE

FOCUSED_ROUNDS = 3
HELD_MM = 0.5
"""A board or card is held so far before or behind the rim's edge (common practice)."""
POINTER_DEPTH_MM = 2.0 / math.sqrt(3.0)
"""The outline of a pointer's tip lies within 2 mm before or behind the rim's edge (a judgement; rectangular)."""
PRINT_SHARE = 0.001
"""A printed sheet whose size was checked with a ruler: 0.1 mm in 100 mm (common practice)."""
SHIM_SHARE = 0.005
"""A stack of shims or paper measured with a caliper (common practice); 0.0025 mm in 0.5 mm."""
UNKNOWN_LEAN = UNKNOWN_CROSSTALK
"""A thing held up by hand before a camera of unknown place faces it within 20° (a judgement; rectangular)."""
CALIPER_MM = 0.05 / math.sqrt(3.0)
"""A length read off a caliper to 0.05 mm (common practice; rectangular)."""
CARD_MM, CARD_SPREAD_MM = 53.98, 0.055 / math.sqrt(3.0)
"""Short side of an ID-1 card, unused 53.92 to 54.03 mm (ISO/IEC 7810)."""
COINS_MM = {"1-euro": 23.25, "2-euro": 25.75, "50-cent": 24.25, "us-quarter": 24.26}
"""Diameters, as the mints state them (seen)."""
COIN_MM = 0.2
"""The border of a coin is rounded and raised, and what stands out in the picture is either side of it: ± 0.35 mm of
the diameter (a judgement; rectangular)."""
COIN_DEPTH_MM = 1.0
"""A coin is about 2 mm thick: its outline lies as far before what it is held against (a judgement)."""
RIM_MM = 0.1 / math.sqrt(3.0)
"""The width of a rim varies that much round the wheel (a judgement; rectangular)."""
RIM_DEPTH_MM = 10.0 / math.sqrt(3.0)
"""A rim is widest up to 10 mm before or behind the edge at which runout is read (a judgement; rectangular)."""
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
    """A scale and the budget that its uncertainty comes from.

    doubts: a sentence for each thing that was told of the camera and contradicts what is known of it otherwise.
    """

    scale: Scale
    budget: tuple[ScaleLine, ...]
    doubts: tuple[str, ...] = ()


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


def _held(camera: CameraPlace | None, depth_mm: float = HELD_MM) -> ScaleLine:
    """How far the known length stood before or behind the rim's edge, beside the camera's distance: δ/D."""
    distance_mm = USUAL_DISTANCE_MM if camera is None else camera.distance_mm
    return ScaleLine(source="distance from the rim's edge", relative=depth_mm / distance_mm)


def scale_from_squares(
    square_mm: float,
    square_px: FloatArray,
    error_px: FloatArray,
    place_error_px: FloatArray,
    camera: CameraPlace | None,
) -> ScaleResult:
    """Scale from the side of a board's square at each pointer.

    Parameters
    ----------
    square_mm : side of one square [mm].
    square_px, error_px : (n,) its side at each of n pointers and the fit's standard error [px].
    place_error_px : (n,) standard uncertainty from where the rim's edge may stand [px].
    camera : where it stands, as the board shows it.
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
    view: View,
    *,
    method: str = "length",
    length_error_mm: float = CALIPER_MM,
    depth_mm: float = HELD_MM,
    camera: CameraPlace | None = None,
    sharpened: tuple[float, float] | None = None,
    stretch: float = 1.0,
    bend: tuple[float, float] | None = None,
) -> ScaleResult:
    """Scale from two points (2,) [px] that are a known length apart along the measuring direction.

    Parameters
    ----------
    length_mm : between the two points [mm].
    start, end : (2,) x, y [px].
    view : where the rim's edge is.
    method : what the length was taken from.
    length_error_mm, depth_mm : standard uncertainty of the length itself, and how far before or behind the rim's
        edge it lies [mm].
    camera : where it stands, if that is known.
    sharpened : their distance and its standard error [px], where edges were found there in a picture.
    stretch : how much longer it would be seen at the rim's edge, through a lens that is known.
    bend : k₁/f² of one that isn't, and its standard error [px⁻²], where straight edges in the picture show it.

    Raises
    ------
    BadInput
        The points are the same, or their line runs across the measuring direction.
    """
    apart_px, cosine = _lain(start, end, view)
    length_px, error_px = sharpened or (apart_px, CLICK_PX * math.sqrt(2.0 / 3.0))
    edge, unsure_px = edge_place(view)
    middle_px = float(((start + end) / 2.0 - edge) @ view.positive)
    seen_px, perspective, camera = _at_its_focus(middle_px, length_px, length_mm, camera, view)
    lean = 0.0 if camera is None else camera.crosstalk / camera.focal_px
    budget = (
        ScaleLine(source="the length itself", relative=length_error_mm / length_mm),
        ScaleLine(source="ends of the length", relative=error_px / length_px),
        ScaleLine(source="slant of the line", relative=(1.0 - cosine) / math.sqrt(3.0)),
        ScaleLine(source="perspective along the length", relative=perspective),
        ScaleLine(source="where the rim's edge is", relative=2.0 * abs(lean) * unsure_px),
        ScaleLine(source=bending.LENS_LINE, relative=bending.length_share(view, start, end, bend)),
        _held(camera, depth_mm),
    )
    return combine(length_mm, seen_px * stretch, method, budget, camera)


def _at_its_focus(
    middle_px: float, length_px: float, length_mm: float, camera: CameraPlace | None, view: View
) -> tuple[float, float, CameraPlace | None]:
    """`_flattened` by the focal length that the length itself tells, and the camera with that."""
    seen_px, perspective = _flattened(middle_px, length_px, camera, view.image_size[0])
    if camera is not None and view.lens is None:
        seen_px = length_px
        # As seen the length is off by its perspective; each time round leaves about a tenth of that.
        for _ in range(FOCUSED_ROUNDS):
            camera = _focused(camera, length_mm / seen_px)
            seen_px, perspective = _flattened(middle_px, length_px, camera, view.image_size[0])
    return seen_px, perspective, camera


def _focused(camera: CameraPlace, mm_per_px: float) -> CameraPlace:
    """Give a camera whose distance is known the focal length that its scale tells: m = D·√(1 + tan²τ)/f (pinhole camera)."""
    if camera.distance_standard_uncertainty_mm > VAGUE_DISTANCE * camera.distance_mm:
        return camera
    return replace(camera, focal_px=camera.distance_mm * math.hypot(1.0, camera.crosstalk) / mm_per_px)


def _lain(start: FloatArray, end: FloatArray, view: View) -> tuple[float, float]:
    """Distance of two points (2,) [px], and the cosine of the angle between their line and the measuring direction."""
    span = end - start
    apart_px = float(np.linalg.norm(span))
    if apart_px < 1.0:
        raise BadInput("--from and --to are the same place; give the two ends of the length")
    cosine = min(1.0, abs(float(span @ view.positive)) / apart_px)
    slant_deg = math.degrees(math.acos(cosine))
    if slant_deg > MOST_SLANT_DEG:
        raise BadInput(
            f"the line from --from to --to runs {slant_deg:.0f}° off the direction in which the rim strays; "
            "lay the length along that direction"
        )
    return apart_px, cosine


def edge_place(view: View) -> tuple[FloatArray, float]:
    """Mean place (2,) of the rim's edges, and its standard uncertainty along the measuring direction [px]."""
    found = [bending.edge_place(view, edge) for edge in view.edges]
    return np.asarray(np.mean([each[0] for each in found], axis=0)), float(
        np.mean([each[1] for each in found])
    )


def _flattened(
    middle_px: float, length_px: float, camera: CameraPlace | None, width_px: int
) -> tuple[float, float]:
    """Length that the object would have at the rim's edge's own scale [px], and its relative uncertainty.

    On a plane tilted by τ a place u px from the edge is m·u/(1 − g·u) mm from it, g = tan τ/focal length
    (pinhole camera, derived); with an unknown camera g is 0 within what is usual.
    """
    ends = middle_px + length_px * np.array([-0.5, 0.5])
    if camera is None:
        lean, unsure = 0.0, UNKNOWN_LEAN / (USUAL_FOCAL * width_px)
    else:
        lean, unsure = (
            camera.crosstalk / camera.focal_px,
            camera.crosstalk_standard_uncertainty / camera.focal_px,
        )
    straight = ends / (1.0 - lean * ends)
    change = abs(float(ends.sum())) * unsure + float(ends @ ends + ends[0] * ends[1]) * unsure**2
    return float(straight[1] - straight[0]), change


def scale_from_shim(
    shim_mm: float,
    moved_px: FloatArray,
    error_px: FloatArray,
    camera: CameraPlace | None,
    lens_share: float,
) -> ScaleResult:
    """Scale from how far (n,) [px] pointers moved away when a shim was put in; the surest pointer counts.

    lens_share: what a lens that wasn't calibrated does between pointer and rim, as a share of the scale.
    """
    best = int(np.argmin(error_px / moved_px))
    budget = (
        ScaleLine(source="shift of the pointer", relative=float(error_px[best] / moved_px[best])),
        ScaleLine(source="thickness of the shim", relative=SHIM_SHARE),
        ScaleLine(source=bending.LENS_LINE, relative=lens_share),
        _held(camera, POINTER_DEPTH_MM),
    )
    return combine(shim_mm, float(moved_px[best]), "shim", budget, camera)


def disagree(one: Scale, other: Scale) -> bool:
    """Whether two scales differ by more than the expanded uncertainty of their difference."""
    together = math.hypot(one.standard_uncertainty_mm_per_px, other.standard_uncertainty_mm_per_px)
    return abs(one.mm_per_px - other.mm_per_px) > COVERAGE_FACTOR * together
