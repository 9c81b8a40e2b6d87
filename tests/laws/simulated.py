"""Simulated measurements of a wheel of known runout, as records; no pictures."""

import numpy as np

from rimgauge.pipeline import reckon
from rimgauge.records import (
    CameraPlace,
    Edge,
    GapTrack,
    Runout,
    Scale,
    Source,
    Turning,
    WheelInView,
)
from tests.seen import edge_track, gap_track, lateral_view, turning_by_mark

PLACE = CameraPlace(
    distance_mm=250.0,
    distance_standard_uncertainty_mm=5.0,
    crosstalk=0.0,
    crosstalk_standard_uncertainty=0.035,
    focal_px=2000.0,
)
SCALE = Scale(mm_per_px=0.1, standard_uncertainty_mm_per_px=0.0002, method="checkerboard", camera=PLACE)
SPOKES_DEG = (np.arange(32) + 0.5) * 11.25
FRAMES, RIM_WIDTH_MM = 300, 25.0


def followed(time_s, angle_deg, gap_px, tip_px) -> tuple[GapTrack, Turning]:
    """What was seen of one pointer on the right in n frames: gaps (n,) and tips (n, 2) [px] at known angles."""
    gaps = gap_track(time_s, edge_track(gap_px, 0.03, tip_px=tip_px))
    return gaps, turning_by_mark(angle_deg, 0.1)


def simulated_pass(
    runout_mm,
    *,
    gaps_mm=(("right", 2.0),),
    seed=0,
    noise_px=0.05,
    loose_mm=0.0,
    direction="lateral",
    scale=SCALE,
    spokes=32,
    wider_mm=None,
    other=None,
) -> Runout:
    """Measure runout_mm(angle) at pointers of the given mean gaps; loose_mm moves every second turn.

    scale: what the record takes for the true one, which is SCALE. wider_mm(angle): how much wider the rim looks, at its left
    edge; it is RIM_WIDTH_MM wide. other: the other direction's runout.
    """
    rng = np.random.default_rng(seed)
    degrees = np.linspace(0.0, 1080.0, FRAMES)
    moved = runout_mm(degrees) + loose_mm * (np.floor(degrees / 360.0) % 2)
    tracks = []
    for side, mean_mm in gaps_mm:
        toward = 1.0 if side == "left" else -1.0
        wider = wider_mm(degrees) if side == "left" and wider_mm is not None else 0.0
        gap_px = (mean_mm + toward * (moved - wider)) / SCALE.mm_per_px + rng.normal(0.0, noise_px, FRAMES)
        rim_px = np.tile((len(tracks) * RIM_WIDTH_MM / SCALE.mm_per_px, 0.0), (FRAMES, 1))
        tracks.append(edge_track(gap_px, noise_px, side, rim_px=rim_px))
    seen = gap_track(np.arange(FRAMES) / 30.0, *tracks)
    turning = turning_by_mark(degrees, 0.1)
    return reckon(
        seen,
        turning,
        lateral_view(direction=direction, edges=edges_of([side for side, _ in gaps_mm]), scale=scale),
        WheelInView(
            spoke_angles_deg=(np.arange(spokes) + 0.5) * 360.0 / spokes,
            flanges=("right", "left") * (spokes // 2),
        ),
        tolerance_mm=0.5,
        created="2026-01-31T12:00:00+00:00",
        source=Source(kind="frames", name="simulated", frames=0, used=0, sha256=""),
        other=other,
    )


def edges_of(sides) -> tuple[Edge, ...]:
    """A pointer and its edge for each side, one beside the other in the picture."""
    return tuple(
        Edge(side=side, pointer_box=(300 * k, 100, 40, 40), rim_box=(300 * k + 40, 100, 40, 40))
        for k, side in enumerate(sides)
    )


def wave(order, size_mm, phase_deg=0.0):
    """Runout a·cos(order·angle − phase)."""
    return lambda degrees: size_mm * np.cos(np.radians(order * np.asarray(degrees) - phase_deg))


def turned_round(runout_mm):
    """Runout as the same pointer sees it once the wheel was turned round: other sign, other way round."""
    return lambda degrees: -runout_mm(-np.asarray(degrees))


def bent(degrees):
    """A rim as hands leave it: two waves and one local bend, 0 on average."""
    away = (np.asarray(degrees) - 70.0 + 180.0) % 360.0 - 180.0
    bend = np.sqrt(2.0 * np.pi) * 15.0 / 360.0 - np.exp(-0.5 * (away / 15.0) ** 2)
    return wave(2, 0.15, 40.0)(degrees) + wave(3, 0.1, 200.0)(degrees) + 0.3 * bend
