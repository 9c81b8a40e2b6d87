"""The whole chain on drawn scenes, one hard condition after another, against their exact truth.

    python -m tests.benchmarks.scenes [word in the condition's name]

Each scene is drawn with `rimgauge scene` and measured with `rimgauge measure`, with the boxes it was drawn with.
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path

import numpy as np
from click.testing import CliRunner

from rimgauge.cli import main as rimgauge

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
}


def told(condition: list[str], folder: Path, seed: int) -> dict[str, str]:
    """What comes out for one scene beside its truth, as cells of the table."""
    run = CliRunner()
    drawn = run.invoke(rimgauge, ["scene", "--out", str(folder), "--seed", str(seed), *condition])
    if drawn.exit_code != 0:
        return {"said": drawn.output.strip().splitlines()[-1]}
    arguments = [str(folder / "frames"), "--view", str(folder / "view.json")]
    arguments += ["--wheel", str(folder / "wheel.toml"), "--out", str(folder / "pass.json")]
    measured = run.invoke(rimgauge, ["measure", *arguments])
    if measured.exit_code != 0:
        return {"said": str(measured.exception or measured.output.strip())[:100]}
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    found = json.loads((folder / "pass.json").read_text(encoding="utf-8"))
    side = found["sides"][0]
    # The picture's own truth: what a faultless reading of this camera would give.
    seen = np.array(truth["curve"]["apparent_runout_mm"], dtype=float)
    angles = np.array(truth["curve"]["angle_deg"], dtype=float)
    spokes = np.array([(spoke["angle_deg"], spoke["runout_mm"]) for spoke in side["spokes"]])
    off = spokes[:, 1] - np.interp(spokes[:, 0], angles, seen - seen.mean(), period=360.0)
    total = found["total_runout_mm"]
    held = abs(total["value"] - truth["total_runout_mm"]) <= total["expanded_uncertainty"]
    return {
        "truth mm": f"{truth['apparent_total_runout_mm']:.3f}",
        "error mm": f"{total['value'] - truth['apparent_total_runout_mm']:+.3f}",
        "spoke rms mm": f"{np.std(off):.4f}",
        "stated ± mm": f"{total['expanded_uncertainty']:.3f}",
        "holds the true value": "yes" if held else "NO",
        "frames used": f"{found['source']['used']}/{found['source']['frames']}",
    }


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
