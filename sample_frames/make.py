"""Make the sample job again: `python sample_frames/make.py`, from the project's top folder.

The frames are drawn, not photographed, and everything in them is invented; README.md tells the scenario.
The nipple turns between before and after are those in turns.csv; `--replan` works them out anew from the
wheel's true shape and overwrites that file.
"""

from __future__ import annotations

import argparse
import csv
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np

from rimgauge.cli.scene import write_scene
from rimgauge.job import read_build
from rimgauge.plan import make_plan
from rimgauge.records import Direction, FloatArray, Readings, Wheel
from rimgauge.scene import CURVE_POINTS, SceneSpec, runout_curve, with_total
from rimgauge.wheel import complete_wheel, influence

HERE = Path(__file__).parent
WHEEL, TURNS = HERE / "wheel.toml", HERE / "turns.csv"
ANGLE_DEG = np.arange(CURVE_POINTS) * (360.0 / CURVE_POINTS)

LATERAL_MM, RADIAL_MM = 1.6, 0.5
"""Total runout before."""
WANTED_SHAPE = runout_curve(
    harmonics=[(2, 0.04, 200), (3, 0.03, 75)], bumps=[(118, 66, 1.0), (262, 40, -0.75)]
)
"""Lateral: one long bump to the right, one short one to the left."""
RIM_ITSELF_LATERAL = runout_curve(harmonics=[(1, 0.03, 40), (2, 0.02, 200), (6, 0.015, 75), (9, 0.012, 10)])
RIM_ITSELF_RADIAL = runout_curve(harmonics=[(1, 0.09, 300), (2, 0.06, 120), (3, 0.03, 15)])
"""What the rim is out by itself, whatever the nipples do."""
SLACK_HAND_TURNS = 0.02
"""How unevenly the nipples were left, and how exactly a hand turns them (sd)."""

VIEWS: dict[str, dict[str, object]] = {
    "lateral_before": {"roll_deg": 0.9, "gap_mm": 2.3, "seed": 2101},
    "radial_before": {"roll_deg": 181.2, "gap_mm": 1.9, "seed": 2102},
    "lateral_after": {"roll_deg": -0.6, "gap_mm": 2.0, "seed": 2103},
    "radial_after": {"roll_deg": 180.4, "gap_mm": 2.1, "seed": 2104},
}
"""The camera and the pointer were set up afresh for each pass."""


def shape_before(wheel: Wheel, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Give lateral and radial runout (720,) of the wheel as it came in: wrong nipples, and the rim itself.

    The nipples' part is what the wheel model makes of the smallest wrong turns that come near the wanted
    shape.
    """
    effect = influence(wheel, ANGLE_DEG)
    moves = effect.lateral_mm - effect.lateral_mm.mean(axis=0)
    nipples = moves.shape[1]
    calm = np.concatenate((moves, 0.6 * np.eye(nipples)))
    wrong = np.linalg.lstsq(calm, np.concatenate((WANTED_SHAPE, np.zeros(nipples))), rcond=None)[0]
    wrong += rng.normal(0, SLACK_HAND_TURNS, nipples)
    lateral, radial = moves @ wrong, effect.radial_mm @ wrong
    grown = LATERAL_MM / np.ptp(lateral)
    lateral = with_total(lateral * grown + RIM_ITSELF_LATERAL, LATERAL_MM)
    radial = with_total(radial * grown - (radial * grown).mean() + RIM_ITSELF_RADIAL, RADIAL_MM)
    return lateral, radial


def planned_turns(wheel: Wheel, lateral: FloatArray, radial: FloatArray) -> FloatArray:
    """Plan one round from the true runout at the spokes; turns (spokes,), + tightens."""
    spokes = wheel.spoke_angles_deg
    readings = Readings(
        lateral_mm=np.interp(spokes, ANGLE_DEG, lateral, period=360.0),
        radial_mm=np.interp(spokes, ANGLE_DEG, radial, period=360.0),
        tension_n=np.full(spokes.size, np.nan),
    )
    turns = np.zeros(spokes.size)
    for correction in make_plan(readings, wheel, influence(wheel)).corrections:
        turns[correction.spoke - 1] = correction.turns
    return turns


def shape_after(
    wheel: Wheel, before: tuple[FloatArray, FloatArray], turns: FloatArray, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Give the runout that the wheel model predicts once a hand has made the turns, nearly as planned."""
    made = turns + np.where(turns != 0, rng.normal(0, SLACK_HAND_TURNS, turns.size), 0.0)
    effect = influence(wheel, ANGLE_DEG)
    lateral = before[0] + effect.lateral_mm @ made
    radial = before[1] + effect.radial_mm @ made
    return lateral - lateral.mean(), radial - radial.mean()


def draw(folder: Path, wheel: Wheel, shape: tuple[FloatArray, FloatArray]) -> None:
    """Draw one pass into a fresh folder."""
    direction: Direction = "lateral" if folder.name.startswith("lateral") else "radial"
    shutil.rmtree(folder, ignore_errors=True)
    spec = SceneSpec(
        lateral_mm=shape[0],
        radial_mm=shape[1],
        direction=direction,
        name=wheel.name,
        spokes=len(wheel.flanges),
        crossings=wheel.crossings,
        first_spoke_deg=float(wheel.spoke_angles_deg[0]),
        first_spoke_side=wheel.flanges[0],
        frames=176,
        turns_per_s=0.37,
        mm_per_px=0.16,
        distance_mm=200.0,
        noise=1.3,
        jpeg_quality=75,
        **VIEWS[folder.name],  # type: ignore[arg-type]
    )
    truth = write_scene(folder, spec, given_scale=False)
    view, board = folder / "view.json", folder / "scale.jpg"
    scale = ["scale", "--view", view, "--checkerboard", board, "--square-mm", "5"]
    scale += ["--distance-mm", f"{spec.distance_mm:g}"]
    subprocess.run([sys.executable, "-m", "rimgauge", *scale], check=True, stdout=subprocess.DEVNULL)
    (folder / "wheel.toml").unlink()  # one for the whole job lies above
    print(f"{folder.name}: total runout {truth['total_runout_mm']:.3f} mm")


def read_turns() -> FloatArray:
    """Read the turns (spokes,) that were made between before and after."""
    with TURNS.open(encoding="utf-8", newline="") as file:
        return np.array([float(row["turns"]) for row in csv.DictReader(file)])


def write_turns(turns: FloatArray) -> None:
    """Keep the turns beside the frames."""
    lines = ["spoke,turns", *(f"{number},{turn:g}" for number, turn in enumerate(turns, start=1))]
    TURNS.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def main() -> None:
    """Draw all four passes."""
    parser = argparse.ArgumentParser(description="Draw the sample frames again.")
    parser.add_argument("--replan", action="store_true", help="work the nipple turns out anew")
    replan = parser.parse_args().replan
    wheel = complete_wheel(read_build(WHEEL))
    rng = np.random.default_rng(2100)
    before = shape_before(wheel, rng)
    if replan:
        write_turns(planned_turns(wheel, *before))
    after = shape_after(wheel, before, read_turns(), rng)
    for name in VIEWS:
        draw(HERE / name, wheel, before if name.endswith("before") else after)


if __name__ == "__main__":
    main()
