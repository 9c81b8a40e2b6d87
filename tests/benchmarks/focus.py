"""Films whose focus hunts, and films as like them as good ones can be, through the whole chain.

    python -m tests.benchmarks.focus FIRST_SEED

Scenes of `rimgauge scene` whose pictures are then blurred and magnified for a while, again and again: pulses of a few tenths
of a second every two seconds, and waves of 1.3 seconds. Each is measured with the boxes it was drawn with.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from rimgauge.job import read_view
from rimgauge.records import FloatArray
from tests.benchmarks.aim_mixed import after
from tests.benchmarks.scenes import CONDITIONS, draw

FPS, NOISE = 30.0, 1.5
BLACK = ["--finish", "black"]
FILMS: dict[str, tuple[list[str], str, float, float]] = {
    "in focus": ([], "none", 0.0, 0.0),
    **{
        name: (CONDITIONS[name], "none", 0.0, 0.0)
        for name in ("fast, 1.2 rev/s", "motion blur, 1/30 s", "rocks")
    },
    "pulses": ([], "pulses", 2.0, 0.02),
    "pulses, black rim": (BLACK, "pulses", 2.0, 0.02),
    "slight waves": ([], "waves", 0.7, 0.005),
    "waves, magnified alike": ([], "waves", 2.0, 0.0),
    "waves": ([], "waves", 2.0, 0.02),
    "waves, black rim": (BLACK, "waves", 2.0, 0.02),
    "waves, fast": (CONDITIONS["fast, 1.2 rev/s"], "waves", 2.0, 0.02),
}
"""Options of the scene, how its focus goes, blur that this adds at most [px], and by what share it magnifies then."""


def hunting(kind: str, count: int) -> FloatArray:
    """How far out of focus (count,) each picture is, 0 to 1."""
    time_s = np.arange(count) / FPS
    if kind == "waves":
        return np.asarray(0.5 + 0.5 * np.sin(2.0 * np.pi * time_s / 1.3))
    if kind == "pulses":
        return np.asarray(np.exp(-0.5 * (((time_s - 1.0) % 2.0 - 1.0) / 0.15) ** 2))
    return np.zeros(count)


def put_out_of_focus(folder: Path, kind: str, blur_px: float, magnified: float, seed: int) -> None:
    """Blur and magnify a scene's pictures, in place."""
    rng = np.random.default_rng(seed)
    files = sorted((folder / "frames").iterdir())
    for file, share in zip(files, hunting(kind, len(files)), strict=True):
        picture = cv2.imread(str(file))
        height, width = picture.shape[:2]
        scale = 1.0 + magnified * share
        move = np.array(
            [[scale, 0.0, (1.0 - scale) * width / 2.0], [0.0, scale, (1.0 - scale) * height / 2.0]]
        )
        picture = cv2.warpAffine(
            picture, move, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
        if blur_px * share > 0.05:
            picture = cv2.GaussianBlur(picture, (0, 0), blur_px * share)
        noisy = np.clip(picture + rng.normal(0.0, NOISE, picture.shape), 0.0, 255.0)
        cv2.imwrite(str(file), np.rint(noisy).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 90])


def main() -> None:
    """Print the table."""
    seed = int(sys.argv[1])
    print("| film | error of the total mm | stated ± mm | spokes rms mm | stated mm | spokes within two sd |")
    print("|---|---|---|---|---|---|")
    for number, (name, (options, kind, blur_px, magnified)) in enumerate(FILMS.items()):
        with tempfile.TemporaryDirectory() as scratch:
            folder = Path(scratch) / "scene"
            wrong = draw(options, folder, seed + number)
            assert not wrong, wrong
            if kind != "none":
                put_out_of_focus(folder, kind, blur_px, magnified, seed + number)
            line = after(read_view(folder / "view.json"), folder)
        print(f"| {name} | {cells(line)} |", flush=True)


def cells(line: dict[str, Any]) -> str:
    """What was measured of a film, or why nothing was, as cells of the table."""
    if "error_mm" not in line:
        return f"refused: {line['measured'].split(',')[0]} | | | |"
    places = {
        "error_mm": "+.3f",
        "stated_mm": ".3f",
        "rms_mm": ".4f",
        "spoke_stated_mm": ".4f",
        "spokes_held": ".0%",
    }
    return " | ".join(format(line[key], place) for key, place in places.items())


if __name__ == "__main__":
    main()
