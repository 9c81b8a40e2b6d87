"""Pointer and edge on drawn scenes, one condition after another.

    python -m tests.benchmarks.conditions [word in the condition's name]

The gap of every frame is held against its exact truth, less the median error: where on a rounded edge one calls it
the edge is the same in all frames, and no runout. How many frames are left out stands beside.
"""

from __future__ import annotations

import json
import math
import sys
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rimgauge.capture import LEARNING_FRAMES, Tracker, open_source, track
from rimgauge.capture.edge import fit_edge
from rimgauge.capture.follower import EdgeFollower
from rimgauge.errors import RimgaugeError
from rimgauge.job import read_view
from rimgauge.records import FloatArray
from tests.benchmarks.scenes import CONDITIONS, draw

FRAMES, SEED, USUAL_NOISE = 90, 500, 2.0


def limit_px(
    follower: EdgeFollower, patches: NDArray[np.float32], edge_px: FloatArray, noise: float
) -> float:
    """The Cramér–Rao limit of a single step with the blur and contrast seen, all rows of the box (docs/method.md)."""
    shape = follower.outline.shape
    contrast = float(np.nanmedian(fit_edge(patches, edge_px, follower.tip[1], shape).contrast))
    variance = noise**2 + 1.0 / 12.0
    return math.sqrt(variance * 2.0 * math.sqrt(math.pi) * shape.blur_px / patches.shape[1]) / contrast


def measured(name: str, options: list[str], folder: Path) -> list[str]:
    """One line of the table."""
    view = read_view(folder / "view.json")
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["frames"]
    truth_px = np.array([frame["gap_px"] for frame in truth])
    frames = list(open_source(str(folder / "frames")))
    side = track(iter(frames), view).sides[0]
    used = np.isfinite(side.gap_px)
    tracker = Tracker.of_frames(view, frames[:LEARNING_FRAMES])
    follower, patches = tracker.followers[0], tracker.cut(frames)[0][1]
    shake_px = np.array([follower.rim_patch.turn(np.array(frame["shake_px"]))[0] for frame in truth])
    edge_px = follower.tip[0] + truth_px + shake_px
    noise = float(options[options.index("--noise") + 1]) if "--noise" in options else USUAL_NOISE
    error_px = (side.gap_px - truth_px)[used]
    rms_px = float(np.sqrt(np.mean((error_px - np.median(error_px)) ** 2)))
    stated = float(np.nanmedian(side.standard_error_px[used]))
    limits = rms_px / limit_px(follower, patches, edge_px, noise)
    return [name, f"{used.sum()}/{len(frames)}", f"{rms_px:.3f}", f"{stated:.3f}", f"{limits:.1f}"]


def main() -> None:
    """Print the table."""
    wanted = sys.argv[1] if len(sys.argv) > 1 else ""
    head = ["condition", "frames", "rms px", "stated px", "in limits"]
    print("| " + " | ".join(head) + " |\n|" + "---|" * len(head))
    for number, (name, options) in enumerate(CONDITIONS.items()):
        if wanted in name:
            with tempfile.TemporaryDirectory() as scratch:
                wrong = draw(["--frames", str(FRAMES), *options], Path(scratch) / "s", SEED + number)
                assert not wrong, wrong
                try:
                    cells = measured(name, options, Path(scratch) / "s")
                except RimgaugeError as trouble:
                    cells = [name, f"refused: {trouble}", *[""] * (len(head) - 2)]
            print("| " + " | ".join(cells) + " |", flush=True)


if __name__ == "__main__":
    main()
