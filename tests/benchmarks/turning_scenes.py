"""How well the angle of the wheel is told in pictures: the ray-traced scenes and drawn ones, of which truth is known.

python -m tests.benchmarks.turning_scenes
"""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path

import numpy as np
from click.testing import CliRunner

from rimgauge.capture import open_source
from rimgauge.cli import main as rimgauge
from rimgauge.errors import RimgaugeError
from rimgauge.job import read_build, read_view
from rimgauge.pipeline import see
from rimgauge.records import WheelInView
from rimgauge.wheel import complete_wheel
from tests.benchmarks.rendered import SCENES

DRAWN = {
    "rocks": "--turning rocks --seed 31",
    "rocks, black": "--turning rocks --finish black --seed 32 --spokes 36",
    "stops, 24 spokes": "--turning stops --seed 33 --spokes 24",
    "clutter": "--background cluttered --turning uneven --seed 38",
    "radial": "--direction radial --turning uneven --seed 39 --spokes 24",
    "radial, rocks": "--direction radial --turning rocks --seed 40 --spokes 36",
    "24 frames lost": "--dropped-frames 24 --turning uneven --seed 41",
    "a hand before the lens": "--hand-frames 25 --turning uneven --seed 44",
    "0.05 turns a second": "--turns-per-s 0.05 --frames 900 --seed 61",
    "0.17, uneven": "--turns-per-s 0.17 --turning uneven --frames 400 --seed 37",
    "0.6, uneven": "--turns-per-s 0.6 --turning uneven --seed 62 --spokes 36",
    "0.8, radial": "--direction radial --turns-per-s 0.8 --turning uneven --seed 45",
    "0.8, rocks": "--turns-per-s 0.8 --turning rocks --seed 63",
    "1.0, stops": "--turns-per-s 1.0 --turning stops --seed 64 --spokes 28",
    "1.0, uneven, black": "--turns-per-s 1.0 --turning uneven --seed 65 --finish black",
    "1.2": "--turns-per-s 1.2 --exposure-ms 4 --seed 34",
    "1.2, rocks": "--turns-per-s 1.2 --turning rocks --seed 66 --spokes 36",
    "1.3, uneven": "--turns-per-s 1.3 --turning uneven --exposure-ms 6 --seed 35 --spokes 28",
    "1.4, uneven": "--turns-per-s 1.4 --turning uneven --seed 67 --spokes 24",
    "1.4, stops": "--turns-per-s 1.4 --turning stops --seed 71",
    "1.5": "--turns-per-s 1.5 --seed 68",
    "1.5, 20 spokes": "--turns-per-s 1.5 --seed 69 --spokes 20 --exposure-ms 8 --crossings 2",
    "1.5, uneven": "--turns-per-s 1.5 --turning uneven --seed 70 --spokes 36 --exposure-ms 4",
}
"""How each is drawn; the number is of turns a second on average."""


def row(name: str, folder: Path) -> str:
    """One line of the table, of a scene in a folder."""
    wheel = complete_wheel(read_build(folder / "wheel.toml"))
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    wanted = np.array([frame["wheel_angle_deg"] for frame in truth["frames"]])
    line = f"| {name} | {np.abs(np.diff(wanted)).max():.0f} | "
    try:
        _, turning = see(
            open_source(str(folder / "frames")), read_view(folder / "view.json"), WheelInView.of(wheel)
        )
    except RimgaugeError as trouble:
        return f"{line}refused: {str(trouble)[:60]}… | | |"
    error = np.abs((turning.angle_deg - wanted + 180.0) % 360.0 - 180.0)
    told = error[np.isfinite(error)]
    return f"{line}{np.percentile(told, 95):.2f} | {told.max():.2f} | {len(told)}/{len(wanted)} |"


def main() -> None:
    """Print the table."""
    print("| scene | longest step °, frame to frame | 95 % error ° | largest ° | frames told |")
    print("|---|---|---|---|---|")
    shared = Path(os.environ.get("RIMGAUGE_SHARED", "shared")) / "scenes"
    for name in SCENES:
        print(row(f"ray-traced: {name}", shared / name), flush=True)
    with tempfile.TemporaryDirectory() as place:
        for number, (name, options) in enumerate(DRAWN.items()):
            folder = Path(place) / str(number)
            drawn = CliRunner().invoke(rimgauge, ["scene", "--out", str(folder), *options.split()])
            assert drawn.exit_code == 0, drawn.output
            print(row(name, folder), flush=True)


if __name__ == "__main__":
    main()
