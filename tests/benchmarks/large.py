"""Large soft pictures through the whole chain: what a telephone enlarged, or took too near or out of focus.

    python -m tests.benchmarks.large enlarged SCENE    a ray-traced scene 3, 4 and 6 times as large
    python -m tests.benchmarks.large blurred SEED      drawn scenes twice as large, 1280 × 960, and blurred

With the boxes a scene was drawn with, and aimed without a hint. The first needs the folder of outside material where
RIMGAUGE_SHARED points.
"""

from __future__ import annotations

import itertools
import os
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from rimgauge.capture import Frame, open_source
from rimgauge.capture.aim import AIM_FRAMES, Hints, aim
from rimgauge.capture.patch import with_boxes
from rimgauge.errors import RimgaugeError
from rimgauge.job import read_view
from rimgauge.records import Box, View
from tests.benchmarks.aim_mixed import against_truth
from tests.benchmarks.rendered import measured
from tests.benchmarks.scenes import draw

TIMES = (3, 4, 6)
BLURS_PX, NOISE = (2.0, 3.0, 4.0, 5.0, 6.0, 8.0), 2.0
KINDS = {
    "lateral": [],
    "lateral, black rim": ["--finish", "black"],
    "radial": ["--direction", "radial"],
}


def softened(folder: Path, times: int, blur_px: float = 0.0) -> Iterator[Frame]:
    """Frames of a folder so many times as large; where they are to be blurred, with fresh noise."""
    rng = np.random.default_rng(times)
    for frame in open_source(str(folder / "frames")):
        image = cv2.resize(frame.image, None, fx=times, fy=times, interpolation=cv2.INTER_LANCZOS4)
        if blur_px:
            blurred = cv2.GaussianBlur(image.astype(np.float32), (0, 0), blur_px)
            noise = rng.normal(0.0, NOISE, image.shape[:2]).astype(np.float32)[:, :, None]
            image = np.rint(np.clip(blurred + noise, 0.0, 255.0))
        yield replace(frame, image=image.astype(np.uint8))


def enlarged(view: View, times: int) -> View:
    """The view of pictures so many times as large."""

    def larger(box: Box) -> Box:
        x, y, width, height = (times * side for side in box)
        return (x, y, width, height)

    assert view.scale is not None
    mm_per_px, unsure = view.scale.mm_per_px, view.scale.standard_uncertainty_mm_per_px
    size = (times * view.image_size[0], times * view.image_size[1])
    return replace(
        with_boxes(view, size, larger),
        scale=replace(view.scale, mm_per_px=mm_per_px / times, standard_uncertainty_mm_per_px=unsure / times),
    )


def rows(name: str, folder: Path, times: int, blur_px: float = 0.0) -> Iterator[str]:
    """Rows of the table of a scene: with its own boxes, and aimed."""
    given = enlarged(read_view(folder / "view.json"), times)
    for boxes in ("given", "aimed"):
        try:
            view = given if boxes == "given" else aimed(given, softened(folder, times, blur_px))
            cells = result(
                against_truth(measured(folder, view, frames=softened(folder, times, blur_px)), folder)
            )
        except RimgaugeError as trouble:
            cells = f"refused: {str(trouble)[:90]} | | | |"
        yield f"| {name} | {boxes} | {cells} |"


def aimed(given: View, frames: Iterator[Frame]) -> View:
    """The view that aim finds by itself, with the scale that was given."""
    first = list(itertools.islice(frames, AIM_FRAMES))
    return replace(aim(first, given.direction, given.edges[0].side, Hints()).view, scale=given.scale)


def result(line: dict[str, Any]) -> str:
    """What was measured as cells of the table."""
    held = "yes" if line["holds"] else "no"
    return (
        f"{line['error_mm']:+.4f} | {line['stated_mm']:.3f} ({held}) | {line['rms_mm']:.4f} | "
        f"{line['spokes_held']:.0%}"
    )


def main() -> None:
    """Print one of the tables."""
    print(
        "| pictures | boxes | error of the total mm | stated ± mm (holds the true value) | spokes rms mm | within two sd |"
    )
    print("|---|---|---|---|---|---|")
    if sys.argv[1] == "enlarged":
        folder = Path(os.environ.get("RIMGAUGE_SHARED", "shared")) / "scenes" / sys.argv[2]
        for times in TIMES:
            for row in rows(f"{folder.name}, × {times}", folder, times):
                print(row, flush=True)
        return
    seed = int(sys.argv[2])
    for number, (kind, options) in enumerate(KINDS.items()):
        with tempfile.TemporaryDirectory() as scratch:
            folder = Path(scratch) / "scene"
            wrong = draw(["--frames", "150", "--turns-per-s", "0.5", *options], folder, seed + number)
            assert not wrong, wrong
            for blur_px in BLURS_PX:
                for row in rows(f"{kind}, blurred by {blur_px:g} px", folder, 2, blur_px):
                    print(row, flush=True)


if __name__ == "__main__":
    main()
