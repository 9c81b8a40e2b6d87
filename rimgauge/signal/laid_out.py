"""Where along the rim a view shows what tells the angle."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from rimgauge.records import (
    USUAL_DISTANCE_MM,
    EdgeTrack,
    FloatArray,
    GapTrack,
    Scale,
    Turning,
    View,
    WheelInView,
    middle_px,
)
from rimgauge.signal.evidence import Layout


def laid_out(view: View, seen: GapTrack, scale: Scale, wheel: WheelInView) -> Layout:
    """Lay a view's boxes out along the rim, in degrees the wheel turns."""
    px_per_deg = math.radians(wheel.rim_radius_mm) / scale.mm_per_px
    distance_mm = USUAL_DISTANCE_MM if scale.camera is None else scale.camera.distance_mm
    return Layout(
        spoke_angles_deg=wheel.spoke_angles_deg,
        px_per_deg=px_per_deg,
        mark_to_pointer_deg=mark_to_pointer_deg(view, seen.sides[0].tip_px, wheel.rim_radius_mm),
        spoke_bin_deg=_spoke_bin_px(view, seen) / px_per_deg,
        spoke_lead_deg=_spoke_lead_px(view, seen) / px_per_deg,
        pointer_along_px=float(np.nanmedian(seen.sides[0].tip_px, axis=0) @ view.forward),
        mark_middle_px=_mark_middle_px(view),
        flanges=wheel.flanges,
        start_spoke=wheel.start_spoke,
        radius_by_distance=wheel.rim_radius_mm / distance_mm,
    )


def _spoke_bin_px(view: View, seen: GapTrack) -> float:
    """Pixels along `forward` that a bin of the spokes' strip holds, 0 where there is none."""
    if view.spoke_box is None or seen.spoke_profile.shape[1] == 0:
        return 0.0
    upright = abs(view.forward[1]) > abs(view.forward[0])
    return view.spoke_box[3 if upright else 2] / float(seen.spoke_profile.shape[1])


def _spoke_lead_px(view: View, seen: GapTrack) -> float:
    """How far past the pointer, along `forward`, the middle of the spokes' box lies [px]."""
    if view.spoke_box is None:
        return 0.0
    return float((middle_px(view.spoke_box) - np.nanmedian(seen.sides[0].tip_px, axis=0)) @ view.forward)


def _mark_middle_px(view: View) -> float:
    """How far past the middle of the mark's box, along `forward`, the middle of the picture lies [px]."""
    if view.mark_box is None:
        return 0.0
    return float((middle_px((0, 0, *view.image_size)) - middle_px(view.mark_box)) @ view.forward)


def mark_to_pointer_deg(view: View, tip_px: FloatArray, radius_mm: float) -> float:
    """As the view says, or by the distance from the mark's box to the tips (n, 2) seen in the picture.

    Along `forward`: what passes together lies square to it, and a camera is seldom held so that this is a row of pixels.
    """
    if view.mark_to_pointer_deg is not None or view.mark_box is None or view.scale is None:
        return view.mark_to_pointer_deg or 0.0
    tip = np.nanmedian(tip_px, axis=0)
    return math.degrees(
        float((tip - middle_px(view.mark_box)) @ view.forward) * view.scale.mm_per_px / radius_mm
    )


def where_read(turning: Turning, side: EdgeTrack, scale: Scale, radius_mm: float) -> Turning:
    """The turning seen from where this side's edge was read: what is forward of the first pointer passed it earlier."""
    ahead_deg = math.degrees(side.ahead_px * scale.mm_per_px / radius_mm)
    return replace(turning, angle_deg=turning.angle_deg - ahead_deg)
