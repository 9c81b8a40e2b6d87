"""How well the angle of the wheel is told in pictures: the ray-traced scenes and drawn ones, of which truth is known.

python -m tests.benchmarks.turning_scenes
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from click.testing import CliRunner

from rimgauge.capture import Frame, open_source
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


def frames_lost(frames: list[Frame]) -> list[Frame]:
    """A tenth of the frames dropped, the stamps of the others off by 5 ms (standard)."""
    rng = np.random.default_rng(2)
    off_s = 0.005 * np.clip(rng.normal(size=len(frames)), -2.0, 2.0)
    return [
        replace(frame, time_s=frame.time_s + float(off))
        for frame, off in zip(frames, off_s, strict=True)
        if rng.random() > 0.1
    ]


def swaying(frames: list[Frame]) -> list[Frame]:
    """The camera sways by 3 px to every side, once in two seconds."""
    return [replace(frame, image=_moved(frame.image, np.pi * frame.time_s)) for frame in frames]


def _moved(image: np.ndarray, phase: float) -> np.ndarray:
    by = np.array([[1.0, 0.0, 3.0 * np.sin(phase)], [0.0, 1.0, 3.0 * np.cos(phase + 0.4)]])
    size = (image.shape[1], image.shape[0])
    return cv2.warpAffine(image, by, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)


def flickering(frames: list[Frame]) -> list[Frame]:
    """A lamp's bands of a quarter of the light, more than one in a picture, roll through it."""
    along = np.linspace(0.0, 2.5 * np.pi, frames[0].image.shape[0])
    light = [1.0 + 0.25 * np.sin(2.0 * np.pi * 100.3 * frame.time_s + along) for frame in frames]
    return [
        replace(frame, image=np.clip(frame.image * by[:, None, None], 0, 255).astype(np.uint8))
        for frame, by in zip(frames, light, strict=True)
    ]


DISTURBED: dict[str, Callable[[list[Frame]], list[Frame]]] = {
    "a tenth dropped, stamps off by 5 ms": frames_lost,
    "sways by 3 px": swaying,
    "lamp flickers by a quarter": flickering,
    "half of the frames": lambda frames: frames[::2],
}


def row(name: str, folder: Path, disturb: Callable[[list[Frame]], Iterable[Frame]] | None = None) -> str:
    """One line of the table, of a scene in a folder."""
    wheel = complete_wheel(read_build(folder / "wheel.toml"))
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    frames: Iterable[Frame] = open_source(str(folder / "frames"))
    wanted = np.array([frame["wheel_angle_deg"] for frame in truth["frames"]])
    if disturb is not None:
        frames = list(disturb(list(frames)))
        wanted = wanted[[frame.index for frame in frames]]
    line = f"| {name} | {np.abs(np.diff(wanted)).max():.0f} | "
    try:
        _, turning = see(frames, read_view(folder / "view.json"), WheelInView.of(wheel))
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
        for how, disturb in DISTURBED.items():
            print(row(f"{name}: {how}", shared / name, disturb), flush=True)
    with tempfile.TemporaryDirectory() as place:
        for number, (name, options) in enumerate(DRAWN.items()):
            folder = Path(place) / str(number)
            drawn = CliRunner().invoke(rimgauge, ["scene", "--out", str(folder), *options.split()])
            assert drawn.exit_code == 0, drawn.output
            print(row(name, folder), flush=True)


if __name__ == "__main__":
    main()
