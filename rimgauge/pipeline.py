"""From frames to a measurement: where capture and signal are wired together; each function takes records and gives one."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from rimgauge import __version__
from rimgauge.capture import Frame, at_full_size, at_working_size, straightened, track
from rimgauge.errors import BadInput, ScaleMissing
from rimgauge.records import (
    Basis,
    BudgetLine,
    Direction,
    FrameValues,
    GapTrack,
    Runout,
    Scale,
    SideRunout,
    Source,
    Turning,
    View,
    WheelInView,
    shortest_deg,
    worse_of,
)
from rimgauge.signal import (
    REPEATED_PX,
    camera_advice,
    check_at_rest,
    check_focus,
    corrected_notes,
    edge_place,
    far_lip,
    find_turning,
    findings,
    judge,
    laid_out,
    lens_share,
    side_runout,
    where_read,
    without_aside,
    without_creep,
)

SEED = 20260101
"""Of the bootstrap: the same frames give the same reading each time, which `verify` rests on."""


def see(frames: Iterable[Frame], view: View, wheel: WheelInView) -> tuple[GapTrack, Turning]:
    """Follow pointer and rim through frames in the order of time, and the wheel as it turns: half of a measurement.

    Gaps are as the place of the scale, which must be known, would show them; NaN where the wheel's angle isn't sure.

    Raises
    ------
    RimgaugeError
        The frames can't give an answer; the message says why and what to do.

    """
    frames, small, times = at_working_size(frames, view)
    kept, turning = _see(frames, small, wheel)
    return at_full_size(kept, times), turning


def _see(frames: Iterable[Frame], view: View, wheel: WheelInView) -> tuple[GapTrack, Turning]:
    """Follow what is seen in frames of the size at which they are read."""
    scale = known_scale(view)
    seen = _through_the_lens(track(frames, view), view)
    turning = find_turning(seen, laid_out(view, seen, scale, wheel))
    check_at_rest(seen, turning, view.positive)
    kept = without_creep(_without_unsure(seen, turning), turning, view.positive, scale.mm_per_px)
    kept = without_aside(kept, turning, scale.mm_per_px)
    check_focus(kept, turning)
    return kept, turning


def _through_the_lens(seen: GapTrack, view: View) -> GapTrack:
    """Gaps as the scale's own place would show them, where the view knows its lens."""
    sides = (
        straightened(side, view, edge_place(view, edge)[0])
        for side, edge in zip(seen.sides, view.edges, strict=True)
    )
    return replace(seen, sides=tuple(sides))


def reckon(
    seen: GapTrack,
    turning: Turning,
    view: View,
    wheel: WheelInView,
    *,
    tolerance_mm: float,
    created: str,
    source: Source,
    other: SideRunout | None = None,
    repeated_px: float = REPEATED_PX,
) -> Runout:
    """Work the runout out from what was seen; raises what `see` does.

    Parameters
    ----------
    seen, turning, view, wheel : what `see` gave, of what.
    tolerance_mm : of the total runout, which the verdict is given against.
    created, source : what the record says of when and from what it was made.
    other : the other direction of the same wheel in the same state, whose share in this view is taken off.
    repeated_px : what every turn shows alike beyond what the gaps' errors tell [px]; older programs took another.
    """
    results = _each_side(seen, turning, view, wheel, other, repeated_px)
    sides = tuple(side for side, _ in results)
    worse = worse_of(sides)
    total, budget = worse.total_runout, results[sides.index(worse)][1]
    verdict = judge(total, tolerance_mm)
    wider_mm = _wider_by_radius_mm(view, other)
    found = findings(view.direction, sides, within=verdict.outcome == "within", by_radius_mm=wider_mm)
    return Runout(
        direction=view.direction,
        created=created,
        source=replace(source, frames=len(seen.time_s), used=sum(not why for why in seen.lost)),
        revolutions=turning.revolutions,
        total_runout=total,
        sides=sides,
        budget=budget,
        verdict=verdict,
        frames=_frame_values(seen, turning, known_scale(view)),
        notes=(
            *(each.said for each in found),
            *corrected_notes(view, other is not None),
            *_notes(seen, turning),
        ),
        advice=(
            *(each.look for each in found if each.look),
            *camera_advice(view, budget, other is not None),
        ),
        basis=_basis(seen, turning, view, wheel, other),
    )


def _wider_by_radius_mm(view: View, other: SideRunout | None) -> float | None:
    """How much wider the rim looks where it comes nearest the camera [mm], where both edges and its radial runout are known.

    What is w wide looks wider by w·r/d where it is r nearer to a camera at d (pinhole, derived), seen from any side no more.
    The width is that between the edges' boxes, which a record has too.
    """
    scale = known_scale(view)
    if other is None or scale.camera is None or len(view.edges) != 2:
        return None
    one, two = (np.array([x + 0.5 * w, y + 0.5 * h]) for x, y, w, h in (edge.rim_box for edge in view.edges))
    width_mm = abs(float((one - two) @ view.positive)) * scale.mm_per_px
    radial = other.total_runout
    return width_mm / scale.camera.distance_mm * (radial.value + radial.expanded_uncertainty)


def _frame_values(seen: GapTrack, turning: Turning, scale: Scale) -> FrameValues:
    """What each frame said."""
    return FrameValues(
        time_s=seen.time_s,
        angle_deg=turning.angle_deg,
        gap_mm=np.stack([side.gap_px for side in seen.sides]) * scale.mm_per_px,
        quality=np.min([side.quality for side in seen.sides], axis=0),
    )


def _each_side(
    seen: GapTrack,
    turning: Turning,
    view: View,
    wheel: WheelInView,
    other: SideRunout | None,
    repeated_px: float,
) -> list[tuple[SideRunout, tuple[BudgetLine, ...]]]:
    """Runout of each side that was seen, with what makes it unsure."""
    scale = known_scale(view)
    return [
        side_runout(
            side,
            where_read(turning, side, scale, wheel.rim_radius_mm),
            scale,
            wheel.spoke_angles_deg,
            wheel.flanges,
            np.random.default_rng(SEED),
            other=other,
            lens_share=lens_share(view, edge),
            far_lip=far_lip(view),
            lost=seen.lost,
            repeated_px=repeated_px,
        )
        for side, edge in zip(seen.sides, view.edges, strict=True)
    ]


def _basis(
    seen: GapTrack, turning: Turning, view: View, wheel: WheelInView, other: SideRunout | None
) -> Basis:
    """What the result rests on, from which it can be worked out again."""
    errors_px = np.stack([side.standard_error_px for side in seen.sides])
    return Basis(
        view=view,
        rim_radius_mm=wheel.rim_radius_mm,
        software=f"rimgauge {__version__}",
        reversals=turning.reversals,
        evidence=turning.evidence,
        gap_standard_error_mm=errors_px * known_scale(view).mm_per_px,
        angle_standard_uncertainty_deg=turning.standard_uncertainty_deg,
        angle_common_uncertainty_deg=turning.common_uncertainty_deg,
        ahead_mm=np.array([side.ahead_px for side in seen.sides]) * known_scale(view).mm_per_px,
        other=other,
        start_spoke=wheel.start_spoke,
    )


def other_side(other: Runout, direction: Direction) -> SideRunout:
    """Take the one curve of the other direction than the one to be measured; the larger side's of two."""
    if other.direction == direction:
        raise BadInput(f"the other measurement is {direction} too; give one of the other direction")
    return other.worse_side


NEAR_DEG = 2.0
"""A frame so near the worst place shows it: the rim's shape hardly changes over a fifth of a spoke's spacing."""


def worst_frame(runout: Runout) -> tuple[int, float, float]:
    """Find the clearest frame that shows the worst place of the worse side.

    Returns
    -------
    index, angle_deg, runout_mm
        Of the frame, and of the place itself by the fitted curve.

    """
    side = runout.worse_side
    number = runout.sides.index(side)
    worst = int(np.argmax(np.abs(side.curve_mm)))
    worst_deg = float(side.curve_angle_deg[worst])
    basis = runout.basis
    ahead_deg = 0.0 if basis is None else float(np.degrees(basis.ahead_mm[number] / basis.rim_radius_mm))
    off_deg = np.abs(shortest_deg(runout.frames.angle_deg - ahead_deg - worst_deg))
    off_deg[~np.isfinite(runout.frames.gap_mm[number])] = np.inf
    near = np.flatnonzero(off_deg <= max(NEAR_DEG, float(off_deg.min())))
    return int(near[np.argmax(runout.frames.quality[near])]), worst_deg, float(side.curve_mm[worst])


def known_scale(view: View) -> Scale:
    """Scale of a view; raises ScaleMissing where it has none."""
    if view.scale is None:
        raise ScaleMissing(
            "this view has no scale yet; run scale with a printed sheet, a card or a shim first"
        )
    return view.scale


def _without_unsure(seen: GapTrack, turning: Turning) -> GapTrack:
    """Leave out the gaps of frames whose angle is not sure."""
    sure = np.isfinite(turning.angle_deg)
    sides = tuple(replace(side, gap_px=np.where(sure, side.gap_px, np.nan)) for side in seen.sides)
    why = "the wheel's angle is not sure enough to name a spoke"
    lost = tuple(lost if lost or ok else why for lost, ok in zip(seen.lost, sure, strict=True))
    return replace(seen, sides=sides, lost=lost)


def _notes(seen: GapTrack, turning: Turning) -> tuple[str, ...]:
    notes = ["Angle of the wheel from: " + ", ".join(turning.evidence) + "."]
    told_deg = turning.angle_deg[np.isfinite(turning.angle_deg)]
    if told_deg[-1] < told_deg[0]:
        notes.append(
            "The wheel was turned backward, as `aim` saw it; that was followed. If it rolled forward, the "
            "spokes are numbered the wrong way round: run aim again, unless the wheel was turned round for its dish alone."
        )
    if turning.reversals:
        times = "once" if turning.reversals == 1 else f"{turning.reversals} times"
        notes.append(f"The wheel changed its direction {times}; that was followed.")
    for why in sorted({why for why in seen.lost if why}):
        count = sum(lost == why for lost in seen.lost)
        notes.append(f"{count} frame{'s' if count > 1 else ''} not used: {why}.")
    return (*notes, *seen.notes)
