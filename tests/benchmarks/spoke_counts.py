"""Whether a wheel that is said to have another number of spokes than it has is refused: drawn films of known truth.

python -m tests.benchmarks.spoke_counts
"""

from __future__ import annotations

import json
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from click.testing import CliRunner

from rimgauge.capture import open_source, track
from rimgauge.cli import main as rimgauge
from rimgauge.errors import RimgaugeError
from rimgauge.job import read_build, read_view
from rimgauge.records import MOST_SPOKES, FloatArray, GapTrack, WheelInView
from rimgauge.signal import Layout, find_turning, laid_out
from rimgauge.wheel import complete_wheel

FILMS = {
    "even": "--seed 8901",
    "uneven, 36 spokes": "--turning uneven --spokes 36 --seed 8902",
    "rocks, 28 spokes": "--turning rocks --spokes 28 --seed 8903",
    "stops": "--turning stops --seed 8904",
    "black, uneven": "--finish black --turning uneven --seed 8905",
    "black, rocks, 36 spokes": "--finish black --turning rocks --spokes 36 --seed 8906",
    "0.8 turns a second, 24 spokes": "--turns-per-s 0.8 --spokes 24 --seed 8907",
    "radial, uneven": "--direction radial --turning uneven --seed 8908",
    "radial, rocks, 28 spokes": "--direction radial --turning rocks --spokes 28 --seed 8909",
    "radial, 36 spokes": "--direction radial --spokes 36 --seed 8910",
}
"""How each is drawn: seeds that nobody looked at while the rule was made; 32 spokes where nothing else is said."""
OFF_BY = (-8, -4, -2, 0, 4, 8)
TIMES = (0.5, 2.0)
BENT_DEG = 1.0
"""A course whose 95 % error is over that is bent."""


def seen(options: str, folder: Path) -> tuple[GapTrack, Layout, FloatArray]:
    """What was tracked in a drawn film, laid out for the right number of spokes, and the true angles (n,)."""
    drawn = CliRunner().invoke(rimgauge, ["scene", "--out", str(folder), *options.split()])
    assert drawn.exit_code == 0, drawn.output
    view = read_view(folder / "view.json")
    assert view.scale is not None
    with open_source(str(folder / "frames")) as frames:
        tracked = track(frames, view)
    wheel = WheelInView.of(complete_wheel(read_build(folder / "wheel.toml")))
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    angle_deg = np.array([frame["wheel_angle_deg"] for frame in truth["frames"]])
    return tracked, laid_out(view, tracked, view.scale, wheel), angle_deg


def outcome(tracked: GapTrack, layout: Layout, angle_deg: FloatArray, count: int) -> str:
    """What comes of it where so many spokes are said."""
    if count > MOST_SPOKES:
        return "refused, for another reason"
    right = count == len(layout.spoke_angles_deg)
    said = replace(layout, spoke_angles_deg=(np.arange(count) + 0.5) * 360.0 / count, flanges=())
    try:
        told_deg = find_turning(tracked, layout if right else said).angle_deg
    except RimgaugeError as trouble:
        return "refused" if "count the spokes" in str(trouble) else "refused, for another reason"
    error_deg = float(np.nanpercentile(np.abs((told_deg - angle_deg + 180.0) % 360.0 - 180.0), 95))
    if error_deg > BENT_DEG:
        return f"BENT, {error_deg:.1f}°"
    return f"right, {error_deg:.1f}°" if right else "unnoticed"


def main() -> None:
    """Print the table."""
    named = [f"{off:+d}" if off else "right number" for off in OFF_BY]
    print(f"| film | {' | '.join(named)} | half | twice |")
    print("|---" * (3 + len(OFF_BY)) + "|")
    with tempfile.TemporaryDirectory() as place:
        for number, (name, options) in enumerate(FILMS.items()):
            film = seen(options, Path(place) / str(number))
            spokes = len(film[1].spoke_angles_deg)
            counts = [spokes + off for off in OFF_BY] + [int(times * spokes) for times in TIMES]
            print(f"| {name} | " + " | ".join(outcome(*film, count) for count in counts) + " |", flush=True)


if __name__ == "__main__":
    main()
