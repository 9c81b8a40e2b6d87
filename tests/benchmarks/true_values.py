"""Does the interval hold the true value on the ray-traced scenes?  `python -m tests.benchmarks.true_values`.

True is what a dial gauge on the rim's edge would read, not what the camera shows. Each scene is measured with the
scale alone, with the camera's place from the scene's board, and corrected with the other direction's true curve.
Needs the folder of outside material where RIMGAUGE_SHARED points.
"""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from rimgauge.capture.camera_place import camera_place
from rimgauge.capture.sources import read_picture
from rimgauge.capture.targets import find_corners
from rimgauge.job import read_view
from rimgauge.records import Measured, SideRunout
from tests.benchmarks.rendered import SCENES, measured


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


def main() -> None:
    """Print the table of docs/accuracy.md, and each scene's budget."""
    print("| scene | known of the camera | true mm | read mm | error mm | interval ± mm | margin mm |")
    print("|---|---|---|---|---|---|---|")
    budgets = []
    for name in SCENES:
        folder = Path(os.environ.get("RIMGAUGE_SHARED", "shared")) / "scenes" / name
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


if __name__ == "__main__":
    main()
