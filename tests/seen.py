"""What a camera might have seen: scenes, and as records edges that were followed and the angles that went with them."""

from __future__ import annotations

import numpy as np

from rimgauge.records import Edge, EdgeTrack, GapTrack, Turning, View
from rimgauge.scene import Scene, SceneSpec, random_curve


def edge_track(gap_px, noise_px, side="right", **told) -> EdgeTrack:
    """Gaps (n,) that were all read equally well, at a tip and an edge whose places don't matter."""
    count = len(gap_px)
    usual = {
        "standard_error_px": np.full(count, noise_px),
        "quality": np.ones(count),
        "tip_px": np.zeros((count, 2)),
        "rim_px": np.zeros((count, 2)),
    }
    return EdgeTrack(side=side, gap_px=gap_px, **usual | told)


def gap_track(time_s, *sides, **told) -> GapTrack:
    """Edges that were followed at times (n,), no mark and no spokes seen unless that is told."""
    count = len(time_s)
    usual = {
        "mark_px": np.full(count, np.nan),
        "mark_strength": np.zeros(count),
        "spoke_profile": np.empty((count, 0, 0)),
        "lost": ("",) * count,
    }
    return GapTrack(time_s=time_s, sides=sides, **usual | told)


def turning_by_mark(angle_deg, unsure_deg, together_deg=0.0) -> Turning:
    """Angles (n,) known equally well all through, of which a part is what all are off by together."""
    return Turning(
        angle_deg=angle_deg,
        standard_uncertainty_deg=np.full(len(angle_deg), unsure_deg),
        revolutions=float(np.ptp(angle_deg)) / 360.0,
        reversals=0,
        evidence=("mark",),
        common_uncertainty_deg=together_deg,
    )


def lateral_view(**told) -> View:
    """A view of a pointer on the wheel's right, which comes from the picture's right; forward is downward."""
    usual = {
        "direction": "lateral",
        "image_size": (640, 360),
        "positive": np.array([1.0, 0.0]),
        "forward": np.array([0.0, 1.0]),
        "edges": (Edge(side="right", pointer_box=(331, 153, 45, 53), rim_box=(299, 140, 36, 81)),),
    }
    return View(**usual | told)


def scene_of(seed, **told) -> Scene:
    """A wheel 1 mm out sideways, of spokes that cross, before a webcam."""
    rng = np.random.default_rng([seed, 9])
    lateral, radial = random_curve(rng, 1.0), random_curve(rng, 0.3)
    usual = {"image_size": (640, 480), "crossings": 2, "gap_mm": 2.5, "roll_deg": 1.0}
    return Scene(SceneSpec(seed=seed, lateral_mm=lateral, radial_mm=radial, **usual | told))
