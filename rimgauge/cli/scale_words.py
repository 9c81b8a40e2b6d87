"""What `rimgauge scale` says of a scale, in words and as JSON."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

from rimgauge.cli.common import folded, shown

if TYPE_CHECKING:
    from rimgauge.records import CameraPlace, Scale, View
    from rimgauge.signal.scale import ScaleResult

METHODS = {
    "checkerboard": "a checkerboard",
    "length": "an object of known length",
    "card": "a bank card",
    "coin": "a coin",
    "rim": "the width of the rim",
    "shim": "a shim behind the pointer",
}


def fields(
    path: Path, view: View, found: ScaleResult, other: Scale | None, differs: bool
) -> dict[str, object]:
    """List what --json prints of a new scale, and of the one kept before."""
    return {
        "view": str(path),
        **_scale_fields(view, found.scale),
        "budget": [
            {
                "source": line.source,
                "standard_uncertainty_mm_per_px": line.relative * found.scale.mm_per_px,
            }
            for line in found.budget
        ],
        "previous": None if other is None else _scale_fields(view, other),
        "agrees": None if other is None else not differs,
        "doubts": list(found.doubts),
    }


def _scale_fields(view: View, scale: Scale) -> dict[str, object]:
    from rimgauge.signal.standing import tilt_deg

    return {
        "mm_per_px": scale.mm_per_px,
        "standard_uncertainty_mm_per_px": scale.standard_uncertainty_mm_per_px,
        "method": scale.method,
        "camera": None
        if scale.camera is None
        else {
            "distance_mm": scale.camera.distance_mm,
            "distance_standard_uncertainty_mm": scale.camera.distance_standard_uncertainty_mm,
            "tilt_deg": tilt_deg(view, scale.camera),
            "tilt_standard_uncertainty_deg": math.degrees(scale.camera.crosstalk_standard_uncertainty)
            / (1.0 + scale.camera.crosstalk**2),
        },
    }


HARDLY_KNOWN_SHARE = 0.4
"""A distance whose expanded uncertainty is more than this share of it is asked for rather than told (our judgement)."""


def words(path: Path, view: View, found: ScaleResult, other: Scale | None, differs: bool) -> str:
    """Say what the scale is, how sure, where the camera stands, and what contradicts what."""
    scale = found.scale
    expanded = 2.0 * scale.standard_uncertainty_mm_per_px
    lines = [
        f"One pixel is {scale.mm_per_px:.5f} mm ± {expanded:.5f} mm (about 95 % sure),",
        f"from {METHODS[scale.method]}. On 1 mm of runout, ± {expanded / scale.mm_per_px:.3f} mm.",
        f"So the picture is {scale.mm_per_px * view.image_size[0]:.0f} mm wide where the rim's edge is.",
        "",
        "What makes it unsure (standard uncertainty, share of the scale):",
        *(f"  {line.source:<32} {100.0 * line.relative:6.2f} %" for line in found.budget),
    ]
    lines += ["", folded(_camera_words(view, scale.camera))]
    for doubt in found.doubts:
        lines += ["", folded(doubt)]
    if other is not None:
        percent = 100.0 * (scale.mm_per_px / other.mm_per_px - 1.0)
        told = METHODS.get(other.method, f'"{other.method}"')
        said = f"The scale kept before, from {told}, was {other.mm_per_px:.5f} mm; "
        apart = f"{abs(percent):.1f} % {'larger' if percent > 0.0 else 'smaller'}"
        said += f"the new one is {apart if abs(percent) >= 0.05 else 'the same'}"
        end = (
            ", more than both allow: one of them is wrong. Check sizes and camera before you measure."
            if differs
            else ", which both allow."
        )
        lines += ["", folded(said + end)]
    return "\n".join([*lines, "", f"Wrote {shown(path)}."])


def _camera_words(view: View, camera: CameraPlace | None) -> str:
    """Say how the camera stands, and what to do where that isn't known or isn't good."""
    from rimgauge.signal.standing import looks, tilt_deg, to_square

    if camera is None:
        return (
            "Where the camera stands isn't known, which makes the runout less sure. Measure from the lens to the "
            "rim and give --distance-mm, stand it square and give --tilt-deg 0, or use a checkerboard."
        )
    off_deg = abs(tilt_deg(view, camera))
    unsure_deg = math.degrees(math.atan(camera.crosstalk_standard_uncertainty))
    spread_mm = 2.0 * camera.distance_standard_uncertainty_mm
    said = looks(view, camera)
    if spread_mm <= HARDLY_KNOWN_SHARE * camera.distance_mm:
        said += f"; it is about {camera.distance_mm:.0f} mm ± {spread_mm:.0f} mm away."
    else:
        said += "; how far the camera is from the rim isn't known well enough to tell."
    said = said[0].upper() + said[1:]
    if spread_mm > HARDLY_KNOWN_SHARE * camera.distance_mm:
        said += " Measure the distance with a ruler and give --distance-mm: the runout becomes surer."
    if off_deg > 5.0:
        way = to_square(view, camera)
        said += f" {way[0].upper()}{way[1:]}, or correct with a measurement of the other direction."
    elif unsure_deg > 5.0:
        said += " Stand it square and give --tilt-deg 0, or use a checkerboard: the runout becomes surer."
    return said
