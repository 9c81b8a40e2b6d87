"""The ray-traced scenes through the whole chain.

    python -m tests.benchmarks.rendered         what the camera shows, with the boxes given and aimed without a hint
    python -m tests.benchmarks.rendered true    does the interval hold what a dial gauge on the rim's edge would read?

The latter with the scale alone, with the camera's place from the scene's board, and corrected with the other
direction's true curve. Needs the folder of outside material where RIMGAUGE_SHARED points.
"""

from __future__ import annotations

import itertools
import json
import os
import sys
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from rimgauge.capture import Frame, open_source
from rimgauge.capture.aim import AIM_FRAMES, Hints, aim
from rimgauge.capture.camera_place import camera_place
from rimgauge.capture.sources import read_picture
from rimgauge.capture.targets import find_corners
from rimgauge.job import read_build, read_view
from rimgauge.pipeline import reckon, see
from rimgauge.records import Measured, Runout, SideRunout, Source, View, WheelInView
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


def seen_values(scenes: Path) -> None:
    """Print the table of docs/benchmarks.md."""
    print("| scene | boxes | error of the total mm | spoke rms mm |\n|---|---|---|---|")
    for name in SCENES:
        for boxes, view in (
            ("given", read_view(scenes / name / "view.json")),
            ("aimed", aimed(scenes / name)),
        ):
            total, rms = errors_mm(scenes / name, view)
            print(f"| {name} | {boxes} | {total:+.4f} | {rms:.4f} |", flush=True)


def true_side(truth: dict[str, Any], direction: str) -> SideRunout:
    """What a dial gauge would read of the other direction, known to 0.01 mm."""
    curve, none = truth["curve"], np.empty(0)
    # The file's theta runs the other way round: our angle is 360 − theta.
    angle = (360.0 - np.array(curve["theta_deg"])) % 360.0
    order = np.argsort(angle)
    return SideRunout(
        side="outer" if direction == "radial" else "right",
        mean_gap_mm=2.0,
        total_runout=Measured(value=truth[f"total_{direction}_mm"], expanded_uncertainty=0.01),
        non_repeatable_mm=0.0,
        harmonic_order=np.empty(0, dtype=np.int64),
        harmonic_amplitude_mm=none,
        harmonic_phase_deg=none,
        curve_angle_deg=angle[order],
        curve_mm=np.array(curve[f"{direction}_mm"])[order],
        spoke_flange=(),
        spoke_angle_deg=none,
        spoke_mm=none,
        spoke_standard_uncertainty_mm=none,
        zones=(),
    )


def true_values(scenes: Path) -> None:
    """Print the table of docs/accuracy.md, and each scene's budget."""
    print("| scene | known of the camera | true mm | read mm | error mm | interval ± mm | margin mm |")
    print("|---|---|---|---|---|---|---|")
    budgets = []
    for name in SCENES:
        folder = scenes / name
        truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
        plain = read_view(folder / "view.json")
        assert plain.scale is not None
        corners = find_corners(read_picture(folder / "scale.jpg"), "scale.jpg")
        place = camera_place(corners, 5.0, plain)
        ruled = camera_place(corners, 5.0, plain, truth["camera"]["distance_mm"])
        other = true_side(truth, "radial" if plain.direction == "lateral" else "lateral")
        for told, camera, corrected in (
            ("nothing", None, None),
            ("by the board", place, None),
            ("by board and ruler", ruled, None),
            ("by board and ruler, corrected", ruled, other),
        ):
            runout = measured(folder, replace(plain, scale=replace(plain.scale, camera=camera)), corrected)
            total = runout.total_runout
            error = total.value - truth["total_runout_mm"]
            print(
                f"| {name} | {told} | {truth['total_runout_mm']:.3f} | {total.value:.3f} | {error:+.3f} | "
                f"{total.expanded_uncertainty:.3f} | {total.expanded_uncertainty - abs(error):.3f} |",
                flush=True,
            )
            budgets.append((name, told, runout.budget))
    print("\n| scene | known of the camera | " + " | ".join(line.source for line in budgets[0][2]) + " |")
    print("|---|---|" + "---|" * len(budgets[0][2]))
    for name, told, lines in budgets:
        cells = " | ".join(f"{line.standard_uncertainty_mm:.4f}" for line in lines)
        print(f"| {name} | {told} | {cells} |")


def main() -> None:
    """Print one of the two."""
    scenes = Path(os.environ.get("RIMGAUGE_SHARED", "shared")) / "scenes"
    (true_values if sys.argv[1:] == ["true"] else seen_values)(scenes)


if __name__ == "__main__":
    main()
