"""The whole chain on drawn scenes, one hard condition after another, against their exact truth.

    python -m tests.benchmarks.scenes [word in the condition's name]

Each scene is drawn with `rimgauge scene` and measured with `rimgauge measure`, with the boxes it was drawn with.
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from click.testing import CliRunner

from rimgauge.cli import main as rimgauge
from rimgauge.job import read_view
from rimgauge.records import FloatArray

GLARE = "glare"
"""Stands among a scene's options for a spot that is laid over its drawn pictures."""
CONDITIONS: dict[str, list[str]] = {
    "plain": [],
    "radial": ["--direction", "radial", "--runout-mm", "0.6"],
    "left edge": ["--side", "left"],
    "nearly true, 0.1 mm": ["--runout-mm", "0.1"],
    "3 mm": ["--runout-mm", "3"],
    "decal on bright rim": ["--decal"],
    "decal on black rim": ["--decal", "--finish", "black"],
    "black rim, dark background": ["--finish", "black", "--background", "dark"],
    "black rim, cluttered": ["--finish", "black", "--background", "cluttered"],
    "bright rim, cluttered": ["--background", "cluttered"],
    "heavy streaks": ["--texture", "3"],
    "flicker 8 %": ["--flicker", "0.08"],
    "shake 1.5 px": ["--shake-px", "1.5"],
    "shake 1.5 px, pale pointer": ["--shake-px", "1.5", "--pointer-shade", "pale"],
    "motion blur, 1/30 s": ["--exposure-ms", "33"],
    "fast, 1.2 rev/s": ["--turns-per-s", "1.2", "--exposure-ms", "4"],
    "noise 6": ["--noise", "6"],
    "out of focus, blur 2.5 px": ["--blur", "2.5"],
    "JPEG 50": ["--jpeg", "50"],
    "bolt": ["--pointer", "bolt"],
    "wire": ["--pointer", "wire"],
    "card corner": ["--pointer", "card"],
    "stops": ["--turning", "stops"],
    "rocks": ["--turning", "rocks"],
    "12 frames lost": ["--dropped-frames", "12"],
    "camera leans 8°": ["--tilt-deg", "8"],
    "thin wire, pale": ["--pointer", "wire", "--pointer-shade", "pale", "--finish", "black"],
    "both edges at once": ["--both-sides", "--width-runout-mm", "0.4"],
    "camera knocked by 3 px half way": ["--bump-px", "3"],
    "camera knocked by 25 px half way": ["--bump-px", "25"],
    "pointer bent by 1 px": ["--pointer-bent-px", "1"],
    "pointer bent by 4 px": ["--pointer-bent-px", "4"],
    "a hand before it for 25 frames": ["--hand-frames", "25"],
    "light dims by half": ["--dimming", "0.5"],
    "exposure steps of 30 %": ["--exposure-step", "0.3"],
    "background moves by 4 px": ["--background-sway-px", "4"],
    "cluttered background moves by 4 px": ["--background", "cluttered", "--background-sway-px", "4"],
    "pointer creeps by 2 px": ["--pointer-creep-px", "2"],
    "glare that moves": [GLARE],
    "glare that moves, black rim": [GLARE, "--finish", "black"],
}

WIDTH_PX, STRENGTH = 14.0, 110.0
"""Standard deviation of the spot, and the grey levels it adds in its middle; what goes over 255 is clipped."""
REACH_PX, ROUND_FRAMES = (45.0, 60.0), (107.0, 145.0)
"""How far it wanders from the rim's box, across and down the picture, and in how many frames once to and fro."""


def add_glare(folder: Path) -> None:
    """Lay the spot over all frames of a scene, in place."""
    x, y, width, height = read_view(folder / "view.json").edges[0].rim_box
    middle = np.array([x + width / 2.0, y + height / 2.0])
    for index, file in enumerate(sorted((folder / "frames").iterdir())):
        picture = cv2.imread(str(file))
        turn = 2.0 * np.pi * index / np.array(ROUND_FRAMES)
        u, v = middle + REACH_PX * np.array([np.sin(turn[0]), np.cos(turn[1])])
        rows, columns = (np.arange(size) for size in picture.shape[:2])
        across, down = (np.exp(-0.5 * ((k - p) / WIDTH_PX) ** 2) for k, p in ((columns, u), (rows, v)))
        lit = np.clip(picture + STRENGTH * np.outer(down, across)[..., None], 0.0, 255.0)
        cv2.imwrite(str(file), np.rint(lit).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 92])


def draw(condition: list[str], folder: Path, seed: int) -> str:
    """Draw a scene of a condition; returns what was wrong, '' where all went well."""
    options = [option for option in condition if option != GLARE]
    drawn = CliRunner().invoke(rimgauge, ["scene", "--out", str(folder), "--seed", str(seed), *options])
    if drawn.exit_code != 0:
        return str(drawn.exception or drawn.output)
    if GLARE in condition:
        add_glare(folder)
    return ""


def told(condition: list[str], folder: Path, seed: int) -> dict[str, str]:
    """What comes out for one scene beside its truth, as cells of the table."""
    run = CliRunner()
    if wrong := draw(condition, folder, seed):
        return {"said": f"not drawn: {wrong}"[:100]}
    arguments = [str(folder / "frames"), "--view", str(folder / "view.json")]
    arguments += ["--wheel", str(folder / "wheel.toml"), "--out", str(folder / "pass.json")]
    measured = run.invoke(rimgauge, ["measure", *arguments])
    if measured.exit_code != 0:
        return {"said": str(measured.exception or measured.output.strip())[:100]}
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    found = json.loads((folder / "pass.json").read_text(encoding="utf-8"))
    sides = found["sides"]
    apparent = [curve_mm(truth, side["side"], "apparent_") for side in sides]
    off = np.concatenate([off_mm(truth, side, curve) for side, curve in zip(sides, apparent, strict=True)])
    seen_mm = max(float(np.ptp(curve)) for curve in apparent)
    true_mm = max(float(np.ptp(curve_mm(truth, side["side"]))) for side in sides)
    total = found["total_runout_mm"]
    held = abs(total["value"] - true_mm) <= total["expanded_uncertainty"]
    return {
        "truth mm": f"{seen_mm:.3f}",
        "error mm": f"{total['value'] - seen_mm:+.3f}",
        "spoke rms mm": f"{np.std(off):.4f}",
        "stated ± mm": f"{total['expanded_uncertainty']:.3f}",
        "holds the true value": "yes" if held else "NO",
        "frames used": f"{found['source']['used']}/{found['source']['frames']}",
    }


def curve_mm(truth: dict[str, Any], side: str, which: str = "") -> FloatArray:
    """Runout of the rim's edge on a side at every half degree: what is true, or what a camera sees ("apparent_")."""
    curve = np.array(truth["curve"][f"{which}runout_mm"])
    if side == truth["side"]:
        return curve
    return curve - (1.0 if truth["side"] == "right" else -1.0) * np.array(truth["curve"][f"{which}width_mm"])


def off_mm(truth: dict[str, Any], side: dict[str, Any], curve: FloatArray) -> FloatArray:
    """Error of each spoke's runout against a curve."""
    spokes = np.array([(spoke["angle_deg"], spoke["runout_mm"]) for spoke in side["spokes"]])
    right = np.interp(spokes[:, 0], truth["curve"]["angle_deg"], curve - curve.mean(), period=360.0)
    return np.asarray(spokes[:, 1] - right)


HEAD = ["truth mm", "error mm", "spoke rms mm", "stated ± mm", "holds the true value", "frames used", "said"]


def main() -> None:
    """Print the table."""
    wanted = sys.argv[1] if len(sys.argv) > 1 else ""
    print("| condition | " + " | ".join(HEAD) + " |")
    print("|---|" + "---|" * len(HEAD))
    for number, (name, condition) in enumerate(CONDITIONS.items()):
        if wanted in name:
            with tempfile.TemporaryDirectory() as scratch:
                cells = told(condition, Path(scratch) / "scene", seed=100 + number)
            print(f"| {name} | " + " | ".join(cells.get(column, "") for column in HEAD) + " |", flush=True)


if __name__ == "__main__":
    main()
