"""The uncertainty of a total runout, line by line, expanded to 95 %, and the verdict that rests on it.

After the GUM (JCGM 100:2008): standard uncertainties add as squares, their degrees of freedom after Welch and
Satterthwaite (G.4.1), the coverage factor is that of Student's distribution.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy.special import ndtri, stdtrit

from rimgauge.records import BudgetLine, CameraPlace, Measured, Outcome, Scale, SideRunout, Verdict
from rimgauge.signal.bending import LENS_LINE

COVERAGE = 0.95
JUDGED_FREEDOM = 12.0
"""Of a judged uncertainty that is itself known to 20 %: ½·(Δu/u)⁻² (JCGM 100:2008, G.4.2)."""
OUTLINE_DEPTH_MM = 5.0 / math.sqrt(3.0)
"""The outline that the camera sees lies up to 5 mm before or behind the rim's edge, at which the scale was
taken: rims are widest somewhere on their wall (a judgement; rectangular, JCGM 100:2008, 4.3.7)."""
FLANK_MM = 20.0 / math.sqrt(3.0)
"""A camera of a lateral view that leans sees the far edge of the rim's flank for the outline, up to 20 mm behind the plane
of the scale (a judgement; rectangular)."""
FLANK_CROSSTALK = math.tan(math.radians(5.0))
"""At 5° it may be all of that, at less a share (a judgement: flanks lean by a few degrees themselves)."""
FAR_LIP_MM = 25.0 / math.sqrt(3.0)
"""The rim's farther lip, up to 25 mm behind the nearer one at which the scale was taken (common widths; rectangular)."""
MEAN_OF_ROOT = math.sqrt(3.0) / 2.0
"""Mean of a rectangle that begins at zero, over the root of its mean square (derived)."""
UNKNOWN_DISTANCE_MM = 150.0
"""A close camera, where the scale doesn't tell how far it is (a judgement)."""
UNKNOWN_CROSSTALK = math.tan(math.radians(20.0)) / math.sqrt(3.0)
"""A camera aimed by eye stands square to the rim within 20° (a judgement; rectangular)."""
USUAL_OTHER_MM = 0.5
"""Total runout of the other direction, where it wasn't measured (common practice: about what is true enough)."""
SWING_SHARE = 0.45
"""Standard deviation of what the other direction differs by between the two places that make max and min, as
a share of its own total: 0.5 for a sine (derived), 0.35 for a rough curve."""
DEPTH_LINE = "depth of the rim's outline against the plane of the scale"
PLACE_LINE = "camera not square to the rim"


def total_budget(
    total_mm: float,
    scale: Scale,
    *,
    repeatability: BudgetLine,
    angle_mm: float,
    other: SideRunout | None,
    lens_share: float,
    far_lip: float | None,
) -> tuple[BudgetLine, ...]:
    """List what makes a total runout unsure.

    Parameters
    ----------
    total_mm : the reading.
    scale : mm per px, and where the camera stands.
    repeatability : the line that the frames themselves give.
    angle_mm : what the angle's own uncertainty does to the reading.
    other : runout of the other direction, with which the reading was corrected; None: it wasn't.
    lens_share : what a lens that wasn't calibrated does, as a share of the reading.
    far_lip : how likely it is the rim's farther lip that is seen, None in a lateral view.
    """
    relative = scale.standard_uncertainty_mm_per_px / scale.mm_per_px
    lines = (
        ("scale", relative * total_mm),
        (DEPTH_LINE, depth_share(scale.camera, far_lip) * total_mm),
        (PLACE_LINE, _crosstalk_mm(total_mm, scale.camera, other)),
        (LENS_LINE, lens_share * total_mm),
        ("angle of the wheel", angle_mm),
    )
    one_sided = {DEPTH_LINE: behind_share(scale.camera, far_lip) * total_mm}
    judged = tuple(
        BudgetLine(
            source=name,
            standard_uncertainty_mm=value,
            degrees_of_freedom=JUDGED_FREEDOM,
            one_sided_mm=one_sided.get(name, 0.0),
        )
        for name, value in lines
    )
    return (repeatability, *judged)


def depth_share(camera: CameraPlace | None, far_lip: float | None = None) -> float:
    """Relative standard uncertainty of a reading whose outline isn't in the plane of the scale: δ/D.

    far_lip: how likely it is the rim's farther lip that is seen, None in a lateral view.

    A pinhole camera at distance D sees what lies δ behind the plane smaller by δ/D (derived); δ grows with the camera's
    lean, or with how unsure that is. A distance that is itself unsure widens it: E[1/D²] = D⁻²·exp(2s²) for a lognormal
    D of relative spread s.
    """
    depth_mm = math.hypot(OUTLINE_DEPTH_MM, _behind_mm(camera, far_lip)[0])
    if camera is None:
        return depth_mm / UNKNOWN_DISTANCE_MM
    spread = camera.distance_standard_uncertainty_mm / camera.distance_mm
    return depth_mm / camera.distance_mm * math.exp(min(spread, 1.0) ** 2)


def behind_share(camera: CameraPlace | None, far_lip: float | None = None) -> float:
    """Mean relative error of such a reading: flank and farther lip always lie behind the scale, never before it."""
    distance_mm = UNKNOWN_DISTANCE_MM if camera is None else camera.distance_mm
    return _behind_mm(camera, far_lip)[1] / distance_mm


def _behind_mm(camera: CameraPlace | None, far_lip: float | None) -> tuple[float, float]:
    """Root of the mean square and mean of how far behind the rim's edge the outline lies.

    Of a rectangle from 0 to a they are a/√3 and a/2, and where it counts only with a chance p, √p and p times that
    (derived). To which side a camera leans that may stand square isn't known: p is one half.
    """
    if far_lip is not None:
        return math.sqrt(far_lip) * FAR_LIP_MM, far_lip * MEAN_OF_ROOT * FAR_LIP_MM
    crosstalk = 0.0 if camera is None else camera.crosstalk
    unsure = UNKNOWN_CROSSTALK if camera is None else camera.crosstalk_standard_uncertainty
    flank_mm = FLANK_MM * min(math.hypot(crosstalk, unsure) / FLANK_CROSSTALK, 1.0)
    sees_it = 1.0 if abs(crosstalk) > unsure else 0.5
    return math.sqrt(sees_it) * flank_mm, sees_it * MEAN_OF_ROOT * flank_mm


def _crosstalk_mm(total_mm: float, camera: CameraPlace | None, other: SideRunout | None) -> float:
    """Standard uncertainty from runout of the other direction that enters the reading, or from correcting it.

    What enters differs between the two places that make max and min; and since it has bends of its own, it
    makes small readings larger: totals of unrelated curves add about as squares (derived for sines).
    """
    crosstalk = 0.0 if camera is None else camera.crosstalk
    unsure = UNKNOWN_CROSSTALK if camera is None else camera.crosstalk_standard_uncertainty
    if other is not None:
        total = other.total_runout
        return math.hypot(unsure * SWING_SHARE * total.value, crosstalk * total.expanded_uncertainty / 2.0)
    entering_mm = math.hypot(crosstalk, unsure) * USUAL_OTHER_MM
    larger_mm = total_mm - math.sqrt(max(total_mm**2 - entering_mm**2, 0.0))
    return math.hypot(SWING_SHARE * entering_mm, larger_mm)


def combined(lines: tuple[BudgetLine, ...]) -> tuple[float, float]:
    """Combined standard uncertainty [mm] and its effective degrees of freedom.

    References
    ----------
    JCGM 100:2008, 5.1.2 for independent lines, and G.4.1, formula G.2b (Welch and Satterthwaite).
    """
    parts = np.array([line.standard_uncertainty_mm for line in lines])
    freedom = np.array([line.degrees_of_freedom for line in lines])
    whole = math.sqrt(float(parts @ parts))
    spent = float(np.sum(parts**4 / freedom))
    return whole, whole**4 / spent if spent > 0.0 else math.inf


def coverage_factor(freedom: float, coverage: float = COVERAGE) -> float:
    """Student's factor for a two-sided interval; broken degrees of freedom are cut (JCGM 100:2008, G.4.1)."""
    share = 0.5 + coverage / 2.0
    return float(ndtri(share) if math.isinf(freedom) else stdtrit(max(1.0, math.floor(freedom)), share))


def expand(total_mm: float, lines: tuple[BudgetLine, ...]) -> Measured:
    """Give the total runout its expanded uncertainty.

    A mean error of one sign that isn't taken off doesn't spread: it widens the interval by all of itself, so that the
    end that it moves toward still holds (JCGM 100:2008, F.2.4.5).
    """
    spreading = tuple(
        replace(
            line, standard_uncertainty_mm=math.sqrt(line.standard_uncertainty_mm**2 - line.one_sided_mm**2)
        )
        for line in lines
    )
    whole, freedom = combined(spreading)
    return Measured(
        value=total_mm,
        expanded_uncertainty=coverage_factor(freedom) * whole + sum(line.one_sided_mm for line in lines),
        coverage_probability=COVERAGE,
    )


def judge(total: Measured, tolerance_mm: float) -> Verdict:
    """Within, out or undecided, the expanded uncertainty as guard band (decision rule of ISO 14253-1)."""
    value, guard = total.value, total.expanded_uncertainty
    rule = (
        "within if the reading plus its uncertainty stays under the limit, out if the reading less its "
        "uncertainty is over it, else undecided (ISO 14253-1)"
    )
    outcome: Outcome = "undecided"
    if value + guard <= tolerance_mm:
        outcome = "within"
    elif value - guard > tolerance_mm:
        outcome = "out"
    return Verdict(tolerance_mm=tolerance_mm, rule=rule, outcome=outcome)
