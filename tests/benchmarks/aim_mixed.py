"""Aim without hints, and the measurement after it, on scenes whose every property is drawn by lot.

    python -m tests.benchmarks.aim_mixed FIRST LAST [FOLDER]

FIRST and LAST are seeds; scenes are kept in FOLDER where one is given, and used again. A line a scene and a
summary are printed: right, wrong or refused against the scene's truth, and what was measured after a right aim.
"""

from __future__ import annotations

import itertools
import json
import math
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from rimgauge.capture.aim import AIM_FRAMES, Hints, aim
from rimgauge.capture.aim_trial import Aim
from rimgauge.capture.sources import Frame, open_source
from rimgauge.cli.scene import write_scene
from rimgauge.errors import BadInput, RimgaugeError
from rimgauge.job import read_view
from rimgauge.records import Runout, View
from rimgauge.scene import SceneSpec, random_curve
from tests.benchmarks.rendered import measured

TIP_PX = 3.0
ASIDE_PX = 6.0
GAP_PX = 2.0
WAY_DEG = 6.0
"""An aim is right whose tip (along the gap, and across it), gap in the frame shown and ways lie so near the truth."""
BOLT_HALF_MM = 3.0
"""A bolt's end is flat: its tip may be anywhere on it."""
MARKS_BGR = ((40, 60, 215), (60, 190, 60), (200, 90, 30), (30, 200, 220))


def drawn_by_lot(seed: int) -> dict[str, Any]:
    """Properties of a scene, all but the curves."""
    rng = np.random.default_rng([seed, 77])
    gap_mm = float(rng.uniform(1.3, 4.0))
    background = str(rng.choice(["wall", "wall", "dark", "cluttered"]))
    # Nobody puts a black pointer before a black cloth.
    shade = "pale" if background == "dark" else str(rng.choice(["dark", "pale"]))
    return {
        "seed": seed,
        "direction": str(rng.choice(["lateral", "lateral", "radial"])),
        "side": str(rng.choice(["right", "left"])),
        "spokes": int(rng.choice([20, 24, 28, 32, 36])),
        "crossings": 2,
        "image_size": (640, 480),
        "frames": 200,
        "turning": str(rng.choice(["uneven", "uneven", "steady", "stops"])),
        "turns_per_s": float(rng.uniform(0.25, 0.9)),
        "mm_per_px": float(rng.uniform(0.09, 0.18)),
        "distance_mm": float(rng.uniform(150.0, 300.0)),
        "roll_deg": float(rng.choice([0.0, 90.0, 180.0, 270.0]) + rng.normal(0.0, 1.5)),
        "tilt_deg": float(rng.uniform(0.0, 5.0)),
        "gap_mm": gap_mm,
        "pointer": str(rng.choice(["strip", "bolt", "wire", "card"])),
        "pointer_shade": shade,
        "mark_bgr": MARKS_BGR[int(rng.integers(len(MARKS_BGR)))],
        "finish": str(rng.choice(["bright", "black"])),
        "texture": float(rng.uniform(0.3, 2.0)),
        "decal": bool(rng.random() < 0.2),
        "background": background,
        "background_sway_px": float(rng.uniform(1.0, 4.0)) if rng.random() < 0.2 else 0.0,
        "exposure_s": float(rng.uniform(0.003, 0.015)),
        "blur_px": float(rng.uniform(0.7, 1.8)),
        "noise": float(rng.uniform(1.0, 4.0)),
        "jpeg_quality": int(rng.integers(70, 96)),
        "flicker": float(rng.uniform(0.0, 0.03)),
        "shake_px": float(rng.uniform(0.2, 0.6)) if rng.random() < 0.3 else 0.0,
        "dimming": float(rng.uniform(0.1, 0.3)) if rng.random() < 0.2 else 0.0,
        "lateral_mm": random_curve(rng, float(rng.uniform(0.2, min(2.0, gap_mm)))),
        "radial_mm": random_curve(rng, float(rng.uniform(0.2, min(1.0, gap_mm)))),
    }


def scene(seed: int, folder: Path) -> dict[str, Any]:
    """Draw a scene by lot where it isn't there yet, and return its properties."""
    return written(drawn_by_lot(seed), folder)


def written(properties: dict[str, Any], folder: Path) -> dict[str, Any]:
    """Draw a scene where it isn't there yet; a lean that would hide the tip is turned round."""
    if not folder.exists():
        try:
            write_scene(folder, SceneSpec(**properties))
        except BadInput:
            properties["tilt_deg"] *= -1.0
            write_scene(folder, SceneSpec(**properties))
    return properties


def words(properties: dict[str, Any]) -> str:
    """What a person would say of the scene."""
    said = [properties[name] for name in ("direction", "finish", "pointer_shade", "pointer", "background")]
    said += [f"{properties['turns_per_s']:.2f}/s", f"roll {properties['roll_deg']:.0f}"]
    said += [f"{properties['mm_per_px']:.2f} mm/px", f"lean {properties['tilt_deg']:.0f}"]
    said += [f"sway {properties['background_sway_px']:.0f}"] if properties["background_sway_px"] else []
    return " ".join([*said, *(["decal"] if properties["decal"] else [])])


def wrongs(found: Aim, frames: list[Frame], folder: Path, aside_px: float) -> list[str]:
    """List what isn't so; an empty list where all is right."""
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    given = read_view(folder / "view.json")
    shown = truth["frames"][next(k for k, frame in enumerate(frames) if frame.image is found.image)]
    off = np.subtract(found.tip_px, np.add(truth["tip_px"], shown["shake_px"]))
    along, across = float(off @ given.positive), float(off @ given.forward)
    gap_px = abs(float(np.subtract(found.rim_px, found.tip_px) @ given.positive))
    near = math.cos(math.radians(WAY_DEG))
    checks = {
        f"tip off by {along:+.0f}, {across:+.0f} px": abs(along) > TIP_PX or abs(across) > aside_px,
        f"gap off by {gap_px - shown['gap_px']:+.1f} px": abs(gap_px - shown["gap_px"]) > GAP_PX,
        "positive": float(found.view.positive @ given.positive) < near,
        "forward": float(found.view.forward @ given.forward) < near,
        "side": found.view.edges[0].side != given.edges[0].side,
    }
    return [name for name, wrong in checks.items() if wrong]


def after(view: View, folder: Path) -> dict[str, Any]:
    """What is measured with a view of the scene and the scene's own scale."""
    view = replace(view, scale=read_view(folder / "view.json").scale)
    try:
        return against_truth(measured(folder, view), folder)
    except RimgaugeError as trouble:
        return {"measured": str(trouble)[:90]}


def against_truth(runout: Runout, folder: Path) -> dict[str, Any]:
    """Errors of a measurement of a scene, and what was stated of them."""
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    total = runout.total_runout
    right = np.array(
        [s["apparent_runout_mm"] for s in sorted(truth["spokes"], key=lambda s: int(s["number"]))]
    )
    off = runout.sides[0].spoke_mm - right
    off -= off.mean()
    unsure = runout.sides[0].spoke_standard_uncertainty_mm
    error = float(total.value - truth["apparent_total_runout_mm"])
    return {
        "error_mm": error,
        "rms_mm": float(np.std(off)),
        "spoke_stated_mm": float(np.sqrt(np.mean(unsure**2))),
        "spokes_held": float(np.mean(np.abs(off) <= 2.0 * unsure)),
        "stated_mm": float(total.expanded_uncertainty),
        "holds": bool(abs(total.value - truth["total_runout_mm"]) <= total.expanded_uncertainty),
    }


def told(seed: int, folder: Path) -> dict[str, Any]:
    """Draw, aim and measure one scene."""
    properties = scene(seed, folder)
    line: dict[str, Any] = {"seed": seed, "scene": words(properties)}
    given = read_view(folder / "view.json")
    frames = list(itertools.islice(open_source(str(folder / "frames")), AIM_FRAMES))
    try:
        found = aim(frames, given.direction, "outer" if given.direction == "radial" else None, Hints())
    except RimgaugeError as trouble:
        return line | {"aim": "refused", "why": str(trouble)[:110]}
    flat_px = BOLT_HALF_MM / properties["mm_per_px"] if properties["pointer"] == "bolt" else 0.0
    wrong = wrongs(found, frames, folder, ASIDE_PX + flat_px)
    return line | {"aim": "WRONG" if wrong else "right", "why": ", ".join(wrong)} | after(found.view, folder)


def printed(line: dict[str, Any]) -> str:
    """One row of the table."""
    return f"| {line['seed']} | {line['scene']} | {line['aim']} | {line['why']} | {result_of(line)} |"


def result_of(line: dict[str, Any]) -> str:
    """What was measured, or why nothing was."""
    if "error_mm" not in line:
        return str(line.get("measured", ""))
    held = "held" if line["holds"] else "NOT HELD"
    total = f"{line['error_mm']:+.4f} ± {line['stated_mm']:.3f}, {held}"
    return f"{total}; rms {line['rms_mm']:.4f}, stated {line['spoke_stated_mm']:.4f}"


def summed_up(results: list[dict[str, Any]]) -> str:
    """What all measured scenes say together."""
    errors = np.abs([line["error_mm"] for line in results])
    ratios = [line["rms_mm"] / line["spoke_stated_mm"] for line in results]
    spokes_held = np.mean([line["spokes_held"] for line in results])
    return "\n".join(
        [
            f"measured: {len(results)}; held: {sum(line['holds'] for line in results)}",
            f"error of the total, median and most: {np.median(errors):.4f}, {errors.max():.4f} mm",
            f"rms at the spokes over what is stated, median: {np.median(ratios):.2f}",
            f"spokes within two standard uncertainties: {spokes_held:.0%}",
        ]
    )


def main() -> None:
    """Print the table and its summary."""
    first, last = int(sys.argv[1]), int(sys.argv[2])
    print("| seed | scene | aim | why | total after it, mm |\n|---|---|---|---|---|")
    lines = []
    with tempfile.TemporaryDirectory() as scratch:
        for seed in range(first, last + 1):
            kept = Path(sys.argv[3]) if len(sys.argv) > 3 else Path(scratch)
            lines.append(told(seed, kept / str(seed)))
            print(printed(lines[-1]), flush=True)
    for verdict in ("right", "WRONG", "refused"):
        print(f"{verdict}: {sum(line['aim'] == verdict for line in lines)} of {len(lines)}")
    results = [line for line in lines if "error_mm" in line]
    if results:
        print(summed_up(results))


if __name__ == "__main__":
    main()
