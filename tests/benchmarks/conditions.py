"""Pointer and edge on drawn scenes, one condition after another, beside general-purpose ways to get the same number.

    python -m tests.benchmarks.conditions [word in the condition's name]

The gap of every frame is held against its exact truth, less the median error: where on a rounded edge one calls it
the edge is the same in all frames, and no runout. All ways get the same boxes and are judged on the same frames, those
the program uses; how many it leaves out stands beside. The peers know the pointer stands still, but for the shaken
camera, whose true shake they are told.
"""

from __future__ import annotations

import json
import math
import sys
import tempfile
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.registration import phase_cross_correlation

from rimgauge.capture import LEARNING_FRAMES, Tracker, open_source, track
from rimgauge.capture.edge import fit_edge
from rimgauge.capture.follower import EdgeFollower
from rimgauge.errors import RimgaugeError
from rimgauge.job import read_view
from rimgauge.records import BoolArray, FloatArray
from tests.benchmarks.scenes import CONDITIONS, draw

FRAMES, SEED, USUAL_NOISE = 90, 500, 2.0
BEFORE_PX, BEYOND_PX = 6, 8
"""The peers look for the edge so far before and beyond where it is in the middle of the run, and its way."""
PEERS = ("slope centroid", "edge map", "registration", "corner")


def peers_px(patches: NDArray[np.float32], row: int, first: int, last: int) -> dict[str, FloatArray]:
    """Place of the edge (n,) by each peer in patches (n, rows, columns), sought from column first to last."""
    found: dict[str, list[float]] = {name: [] for name in PEERS}
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 40, 0.001)
    columns = np.arange(first, last)
    for patch in patches:
        near = np.ascontiguousarray(patch[:, first:last])
        steep = np.abs(np.gradient(near, axis=1))
        found["slope centroid"].append(float(np.mean(steep @ columns / np.maximum(steep.sum(axis=1), 1e-9))))
        edges = cv2.Canny(np.rint(near).astype(np.uint8), 40, 80) > 0
        seen = edges.any(axis=1)
        found["edge map"].append(
            first + float(np.mean(edges[seen].argmax(axis=1))) if seen.any() else math.nan
        )
        moved = phase_cross_correlation(patches[0][:, first:last], near, upsample_factor=100)[0][1]
        found["registration"].append(-float(moved))
        start = np.array([[[first + float(steep.mean(axis=0).argmax()), row]]], dtype=np.float32)
        refined = cv2.cornerSubPix(np.rint(patch).astype(np.uint8), start, (8, 8), (-1, -1), stop)
        found["corner"].append(float(refined[0, 0, 0]))
    return {name: np.array(places) for name, places in found.items()}


def rms_px(gap_px: FloatArray, truth_px: FloatArray, used: BoolArray) -> float:
    error = (gap_px - truth_px)[used]
    error = error[np.isfinite(error)]
    return float(np.sqrt(np.mean((error - np.median(error)) ** 2))) if len(error) else math.nan


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
    first = max(0, math.floor(np.quantile(edge_px, 0.02)) - BEFORE_PX)
    last = min(patches.shape[2], math.ceil(np.quantile(edge_px, 0.98)) + BEYOND_PX)
    places = peers_px(patches, round(follower.tip[1]), first, last)
    noise = float(options[options.index("--noise") + 1]) if "--noise" in options else USUAL_NOISE
    ours = rms_px(side.gap_px, truth_px, used)
    stated = float(np.nanmedian(side.standard_error_px[used]))
    limits = ours / limit_px(follower, patches, edge_px, noise)
    cells = [name, f"{used.sum()}/{len(frames)}", f"{ours:.3f}", f"{stated:.3f}", f"{limits:.1f}"]
    return cells + [f"{rms_px(places[peer] - shake_px, truth_px, used):.2f}" for peer in PEERS]


def main() -> None:
    """Print the table."""
    wanted = sys.argv[1] if len(sys.argv) > 1 else ""
    head = ["condition", "frames", "rms px", "stated px", "in limits", *PEERS]
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
