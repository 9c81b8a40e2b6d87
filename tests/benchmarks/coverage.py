"""Does the stated interval hold the truth? Simulated passes of many kinds, from gap in pixels to verdict.

Run: python -m tests.benchmarks.coverage [passes] [seed]

What a pass meets is drawn at random: the shape and size of the runout, noise of the edge (also alike from
frame to frame, also with outliers), revolutions, frames, errors of the angle, of the scale, of the camera's
place, of the outline's depth and of a lens that bends. Errors that the budget only judges are drawn as it judges them.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from rimgauge.records import (
    CameraPlace,
    Edge,
    FloatArray,
    Measured,
    Scale,
    SideRunout,
)
from rimgauge.signal.bending import edge_place, lens_share
from rimgauge.signal.budget import FLANK_CROSSTALK, judge
from rimgauge.signal.runout import side_runout
from tests.seen import edge_track, lateral_view, turning_by_mark

SPOKES = 32
MM_PER_PX = 0.12
DENSE_DEG = np.arange(0.0, 360.0, 0.25)


def wheel_curve(rng: np.random.Generator, total_mm: float) -> FloatArray:
    """Runout at DENSE_DEG of a wheel as hands leave it: bends of the whole rim and up to four local ones."""
    phase = np.radians(DENSE_DEG)
    order = np.arange(1, int(rng.integers(3, 13)) + 1)
    size = rng.rayleigh(1.0, len(order)) / order ** rng.uniform(0.8, 2.0)
    curve = size @ np.cos(np.outer(order, phase) - rng.uniform(0.0, 2.0 * np.pi, (len(order), 1)))
    for _ in range(int(rng.integers(0, 5))):
        away = (DENSE_DEG - rng.uniform(0.0, 360.0) + 180.0) % 360.0 - 180.0
        curve = curve + rng.normal(0.0, 0.8) * np.exp(-0.5 * (away / rng.uniform(9.0, 25.0)) ** 2)
    return np.asarray((curve - curve.mean()) * total_mm / np.ptp(curve))


def smooth(rng: np.random.Generator, count: int, spread: float) -> FloatArray:
    """An error that wanders slowly, of that standard deviation."""
    kernel = np.exp(-0.5 * (np.arange(-45, 46) / 15.0) ** 2)
    wandering = np.convolve(rng.normal(size=count + 90), kernel / np.sqrt((kernel**2).sum()), mode="valid")
    return np.asarray(spread * wandering)


def simulated(rng: np.random.Generator, total_mm: float) -> tuple[SideRunout, float]:
    """One pass over a wheel of that true total runout, with its stated uncertainty; and the noise [px]."""
    count = int(rng.integers(150, 600))
    speed = np.clip(1.0 + 0.4 * smooth(rng, count, 1.0), 0.1, None)
    true_deg = np.cumsum(speed) / speed.sum() * 360.0 * rng.uniform(1.5, 4.5) + rng.uniform(0.0, 360.0)
    angle_sd = rng.choice([0.05, 0.2, 0.5])
    distance = rng.uniform(130.0, 400.0)
    place = CameraPlace(
        distance_mm=distance,
        distance_standard_uncertainty_mm=0.05 * distance,
        crosstalk=rng.normal(0.0, 0.05),
        crosstalk_standard_uncertainty=0.035,
        focal_px=distance / MM_PER_PX,
    )
    lateral = np.interp(true_deg, DENSE_DEG, wheel_curve(rng, total_mm), period=360.0)
    radial = np.interp(true_deg, DENSE_DEG, wheel_curve(rng, rng.uniform(0.2, 0.7)), period=360.0)
    seen = lateral * (1.0 - (rng.uniform(-5.0, 5.0) + flank_mm(rng, place)) / distance)
    seen = seen + radial * rng.normal(place.crosstalk, place.crosstalk_standard_uncertainty)
    relative = rng.choice([0.002, 0.005, 0.01])
    noise_px = rng.choice([0.03, 0.1, 0.3])
    share, bent = lens(rng)
    seen = seen * bent
    gap_px = 15.0 - seen / (MM_PER_PX * (1.0 + rng.normal(0.0, relative))) + noise(rng, count, noise_px)
    track = edge_track(gap_px, noise_px)
    turning = turning_by_mark(true_deg + smooth(rng, count, angle_sd), angle_sd)
    scale = Scale(
        mm_per_px=MM_PER_PX,
        standard_uncertainty_mm_per_px=relative * MM_PER_PX,
        method="checkerboard",
        camera=place,
    )
    spokes = (np.arange(SPOKES) + 0.5) * 360.0 / SPOKES
    side, _ = side_runout(
        track, turning, scale, spokes, ("right", "left") * (SPOKES // 2), rng, lens_share=share
    )
    return side, float(noise_px)


def flank_mm(rng: np.random.Generator, place: CameraPlace) -> float:
    """How far behind the rim's edge the outline lies for a camera that leans, on the side where it sees the flank."""
    lean = np.hypot(place.crosstalk, place.crosstalk_standard_uncertainty)
    sees_it = abs(place.crosstalk) > place.crosstalk_standard_uncertainty or rng.random() < 0.5
    return float(rng.uniform(0.0, 20.0) * min(lean / FLANK_CROSSTALK, 1.0) * sees_it)


def lens(rng: np.random.Generator) -> tuple[float, float]:
    """Share that the budget judges a lens to do that nobody calibrated, and how much longer it makes the runout."""
    box, direction = (int(rng.integers(20, 560)), 140, int(rng.integers(30, 60)), 80), np.array([1.0, 0.0])
    edge = Edge(side="right", pointer_box=(box[0] + box[2], 150, 40, 50), rim_box=box)
    view = lateral_view(positive=direction, forward=np.array([0.0, -1.0]), edges=(edge,))
    place, _ = edge_place(view, edge)
    # The edge runs anywhere between the middle of its box and the side that faces the pointer.
    there = place + rng.uniform(-0.25, 0.25) * box[2] * direction
    focal_px, k1 = 1.2 * 640, rng.uniform(-0.3, 0.3)
    one, other = (((spot - np.array([319.5, 179.5])) / focal_px) for spot in (place, there))
    longer = [spot @ spot + 2.0 * (spot @ direction) ** 2 for spot in (one, other)]
    return lens_share(view, edge), float((1.0 + k1 * longer[1]) / (1.0 + k1 * longer[0]))


def noise(rng: np.random.Generator, count: int, spread: float) -> FloatArray:
    """Noise of the edge: in one pass of three alike over some frames, in one of three with outliers."""
    kind = rng.integers(3)
    values = rng.normal(0.0, spread, count)
    if kind == 1:
        for k in range(1, count):
            values[k] = 0.6 * values[k - 1] + 0.8 * values[k]
    elif kind == 2:
        spoilt = rng.random(count) < 0.03
        values = values + spoilt * rng.normal(0.0, 15.0 * spread, count)
    return np.asarray(values)


def held(total: Measured, true_mm: float) -> bool:
    """Whether the interval holds the truth."""
    return abs(total.value - true_mm) <= total.expanded_uncertainty


def main(passes: int, seed: int) -> None:
    """Print how often the interval holds the truth, by size of the runout, and how often "within" is wrong."""
    start = time.perf_counter()
    rows = []
    for name, sizes in (
        ("0.05", (0.05, 0.05)),
        ("0.05 to 0.2", (0.05, 0.2)),
        ("0.2 to 0.7", (0.2, 0.7)),
        ("0.7 to 2", (0.7, 2.0)),
    ):
        rng = np.random.default_rng(seed)
        answers = []
        for _ in range(passes):
            true_mm = float(np.exp(rng.uniform(np.log(sizes[0]), np.log(sizes[1]))))
            side, noise_px = simulated(rng, true_mm)
            answers.append(
                (
                    held(side.total_runout, true_mm),
                    side.total_runout.value - true_mm,
                    side.total_runout.expanded_uncertainty,
                    judge(side.total_runout, true_mm).outcome == "within",
                    noise_px,
                )
            )
        rows.append((name, np.array(answers, dtype=float)))
    print(
        "| true total runout mm | passes | interval holds it | mean error mm | interval ± mm, median |"
        " wrongly within |"
    )
    print("|---|---|---|---|---|---|")
    rows.append(("all", np.concatenate([table for _, table in rows])))
    for name, table in rows:
        hold, error, wide, within, _ = table.T
        print(
            f"| {name} | {len(table)} | {hold.mean():.1%} | {error.mean():+.4f} | {np.median(wide):.3f} | "
            f"{within.mean():.1%} |"
        )
    table = rows[-1][1]
    for level in np.unique(table[:, 4]):
        chosen = table[table[:, 4] == level]
        print(f"noise {level} px: {chosen[:, 0].mean():.1%}, within {chosen[:, 3].mean():.1%}")
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    numbers = [int(each) for each in sys.argv[1:]]
    main(*(numbers + [500, 20260101][len(numbers) :]))
