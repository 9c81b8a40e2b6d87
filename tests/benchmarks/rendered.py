"""The ray-traced scenes through the whole chain, with the boxes given and aimed without a hint.

    python -m tests.benchmarks.rendered

Needs the folder of outside material where RIMGAUGE_SHARED points.
"""

from __future__ import annotations

import itertools
import json
import os
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np

from rimgauge.capture import Frame, open_source
from rimgauge.capture.aim import AIM_FRAMES, Hints, aim
from rimgauge.job import read_build, read_view
from rimgauge.pipeline import reckon, see
from rimgauge.records import Runout, SideRunout, Source, View, WheelInView
from rimgauge.wheel import complete_wheel

SCENES = ("edge_on_bright", "from_above_black", "radial_wall")


def measured(
    folder: Path,
    view: View,
    other: SideRunout | None = None,
    frames: Iterable[Frame] | None = None,
    start_spoke: int | None = None,
) -> Runout:
    """Measure a scene with a view, all its frames if none are given."""
    wheel = complete_wheel(read_build(folder / "wheel.toml"))
    source = open_source(str(folder / "frames")) if frames is None else frames
    known = WheelInView(
        spoke_angles_deg=wheel.spoke_angles_deg, flanges=wheel.flanges, start_spoke=start_spoke
    )
    return reckon(
        *see(source, view, known),
        view,
        known,
        tolerance_mm=0.5,
        created="2026-01-31T12:00:00+00:00",
        source=Source(kind="frames", name=folder.name, frames=0, used=0, sha256=""),
        other=other,
    )


def errors_mm(folder: Path, view: View) -> tuple[float, float]:
    """Error of the total and rms of the spokes' errors against the truth of the picture [mm]."""
    runout = measured(folder, view)
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    spokes = sorted(truth["spokes"], key=lambda spoke: int(spoke["number"]))
    off = runout.sides[0].spoke_mm - np.array([spoke["apparent_runout_mm"] for spoke in spokes])
    total = runout.total_runout.value - truth["apparent_total_runout_mm"]
    return float(total), float(np.sqrt(np.mean(off**2)))


def aimed(folder: Path) -> View:
    """The view that aim finds by itself, with the scale that was given."""
    given = read_view(folder / "view.json")
    frames = list(itertools.islice(open_source(str(folder / "frames")), AIM_FRAMES))
    return replace(aim(frames, given.direction, given.edges[0].side, Hints()).view, scale=given.scale)


def main() -> None:
    """Print the table."""
    scenes = Path(os.environ.get("RIMGAUGE_SHARED", "shared")) / "scenes"
    print("| scene | boxes | error of the total mm | spoke rms mm |\n|---|---|---|---|")
    for name in SCENES:
        for boxes, view in (
            ("given", read_view(scenes / name / "view.json")),
            ("aimed", aimed(scenes / name)),
        ):
            total, rms = errors_mm(scenes / name, view)
            print(f"| {name} | {boxes} | {total:+.4f} | {rms:.4f} |", flush=True)


if __name__ == "__main__":
    main()
