"""Dish: how far the rim stands from the middle, from gaps measured on both of its sides."""

from __future__ import annotations

import math

import numpy as np

from rimgauge.errors import BadInput
from rimgauge.records import BudgetLine, Dish, FloatArray, Measured, Outcome, Runout, Scale, SideRunout
from rimgauge.signal.bending import LENS_LINE, lens_share
from rimgauge.signal.budget import COVERAGE, JUDGED_FREEDOM, coverage_factor, depth_share, judge
from rimgauge.signal.budget import combined as combine_lines

SEATED_MM = 0.05
"""How well an axle finds its seat again after the wheel was turned round (a judgement)."""
POINTERS_MM = 0.1
"""A distance between two pointers by caliper (common practice)."""
ALIKE_SHARE, MOST_NOISE = 0.4, 4.0
"""Two curves are of the same side where they differ by less than that share of what a turned wheel's would, and that
stands so far out of the noise (judgements)."""
MARK_DEG = 10
"""A wheel turned round may show its mark so far off."""


def dish_turned(first: Runout, second: Runout) -> Dish:
    """Half the difference of the mean gaps of two passes, the wheel turned round in the stand in between.

    A pointer that stays p from the middle sees the rim of width w, offset d, at p − w/2 − d on its right and,
    turned round, at p − w/2 + d on its left: d = (left gap − right gap)/2 (derived). Where both passes name
    the same side, the second one is taken for the turned one.

    Raises
    ------
    BadInput
        A pass isn't lateral, or was measured at two pointers; or the runout shows that both are of the same side.
    """
    for runout, which in ((first, "first"), (second, "second")):
        if runout.direction != "lateral":
            raise BadInput(f"the {which} measurement is {runout.direction}; dish needs two lateral ones")
        if len(runout.sides) != 1:
            raise BadInput(f"the {which} measurement has two pointers; give it alone, with --between-mm")
    one, two = first.sides[0], second.sides[0]
    if same_side(one, two):
        raise BadInput(
            "both measurements are of the same side of the wheel: turned round in the stand it would show its runout "
            "mirrored, and here it shows it the same way twice. Turn the wheel round, so that its other side faces "
            "the pointer, measure again, and give dish the new measurement as the second one"
        )
    half_mm = (two.mean_gap_mm - one.mean_gap_mm) / 2.0
    offset_mm = half_mm if one.side == "right" else -half_mm
    relative = max(_relative(_scale(first)), _relative(_scale(second)))
    lines = (
        _line("mean gap, before turning round", _mean_gap_error(one) / 2.0),
        _line("mean gap, after turning round", _mean_gap_error(two) / 2.0),
        _line("scale and depth of the outline", relative * abs(offset_mm)),
        _line(LENS_LINE, max(_lens_share(first), _lens_share(second)) * abs(offset_mm)),
        _line("seat of the axle in the stand", SEATED_MM / math.sqrt(2.0)),
    )
    return _dish(offset_mm, lines, None)


def same_side(one: SideRunout, two: SideRunout) -> bool:
    """Whether two passes at one pointer saw the same side of a wheel, by the shape of its runout.

    Of a wheel turned round, what bulged toward the pointer bulges away from it, and passes in the other order:
    p₂(θ) = −p₁(−θ), or −p₁(θ) where θ was counted the other way for it (derived). A rim too true, or one whose
    curve is its own mirror image, can't tell.
    """
    degrees = np.arange(360.0)
    before, after = (_toward_pointer(side, degrees) for side in (one, two))
    ways = [before, np.roll(before[::-1], 1)]
    mirrored = min(
        float(np.std(after + np.roll(way, shift))) for way in ways for shift in range(-MARK_DEG, MARK_DEG + 1)
    )
    noise = math.hypot(*(_mean_gap_error(side) for side in (one, two)))
    return mirrored > MOST_NOISE * noise and float(np.std(after - before)) < ALIKE_SHARE * mirrored


def _toward_pointer(side: SideRunout, degrees: FloatArray) -> FloatArray:
    """How far the rim stands toward the pointer at angles (n,) [mm]."""
    curve_mm = np.interp(degrees, side.curve_angle_deg, side.curve_mm, period=360.0)
    return -curve_mm if side.side == "left" else curve_mm


def dish_between(runout: Runout, between_mm: float) -> Dish:
    """Offset from the middle between two pointers a known distance apart, and the rim's width.

    d = (left gap − right gap)/2, w = distance − left gap − right gap (derived); the middle between the
    pointers must be that of the hub.

    Raises
    ------
    BadInput
        The pass isn't lateral with two pointers, or the distance is less than both gaps.
    """
    gaps = {side.side: side for side in runout.sides}
    if set(gaps) != {"right", "left"}:
        raise BadInput("--between-mm needs a lateral measurement with a pointer on either side of the rim")
    right, left = gaps["right"], gaps["left"]
    width_mm = between_mm - right.mean_gap_mm - left.mean_gap_mm
    if width_mm <= 0.0:
        raise BadInput(
            f"--between-mm {between_mm:g} is less than both gaps together "
            f"({right.mean_gap_mm + left.mean_gap_mm:.2f} mm); measure from tip to tip"
        )
    offset_mm = (left.mean_gap_mm - right.mean_gap_mm) / 2.0
    relative = _relative(_scale(runout))
    own = (_line("mean gap, right", _mean_gap_error(right)), _line("mean gap, left", _mean_gap_error(left)))
    halves = tuple(_line(line.source, line.standard_uncertainty_mm / 2.0) for line in own)
    lines = (
        *halves,
        _line("scale and depth of the outline", relative * abs(offset_mm)),
        _line(LENS_LINE, _lens_share(runout) * abs(offset_mm)),
        _line("middle between the pointers", POINTERS_MM),
    )
    across = (
        *own,
        _line("scale and depth of the outline", relative * (right.mean_gap_mm + left.mean_gap_mm)),
        _line(LENS_LINE, _lens_share(runout) * (right.mean_gap_mm + left.mean_gap_mm)),
        _line("distance between the pointers", POINTERS_MM),
    )
    whole, freedom = combine_lines(across)
    width = Measured(value=width_mm, expanded_uncertainty=coverage_factor(freedom) * whole)
    return _dish(offset_mm, lines, width)


def judge_dish(dish: Dish, tolerance_mm: float) -> Outcome:
    """Within, out or undecided, by the offset's size [mm] and the rule that runout is judged by."""
    size = Measured(
        value=abs(dish.offset_mm),
        expanded_uncertainty=dish.expanded_uncertainty_mm,
        coverage_probability=dish.coverage_probability,
    )
    return judge(size, tolerance_mm).outcome


def _dish(offset_mm: float, lines: tuple[BudgetLine, ...], width: Measured | None) -> Dish:
    whole, freedom = combine_lines(lines)
    return Dish(
        offset_mm=offset_mm,
        expanded_uncertainty_mm=coverage_factor(freedom) * whole,
        coverage_probability=COVERAGE,
        budget=lines,
        width=width,
    )


def _line(source: str, value_mm: float) -> BudgetLine:
    return BudgetLine(source=source, standard_uncertainty_mm=value_mm, degrees_of_freedom=JUDGED_FREEDOM)


def _mean_gap_error(side: SideRunout) -> float:
    """No more than the mean of the curve's own standard uncertainties; play adds what doesn't repeat."""
    loose = 0.0 if math.isnan(side.non_repeatable_mm) else side.non_repeatable_mm
    return math.hypot(float(side.spoke_repeatability_mm.mean()), loose / (2.0 * math.sqrt(3.0)))


def _scale(runout: Runout) -> Scale | None:
    return runout.basis.view.scale if runout.basis is not None else None


def _lens_share(runout: Runout) -> float:
    """Relative standard uncertainty that a lens adds that nobody calibrated, of the edge where it is largest."""
    if runout.basis is None:
        return 0.0
    return max(lens_share(runout.basis.view, edge) for edge in runout.basis.view.edges)


def _relative(scale: Scale | None) -> float:
    """Relative standard uncertainty of a length read off the picture."""
    if scale is None:
        return depth_share(None)
    return math.hypot(scale.standard_uncertainty_mm_per_px / scale.mm_per_px, depth_share(scale.camera))
