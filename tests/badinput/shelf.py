"""Good files, made once, that the cases spoil copies of."""

import contextlib
import io
import math
import os
import shutil
from dataclasses import dataclass
from pathlib import Path

import cv2

from rimgauge.cli import run
from rimgauge.cli.demo import sample_folder

FEW = 66
"""Frames enough to learn how pointer and rim look, too few for a revolution."""


@dataclass
class Shelf:
    """Good files, made once: the folder of them, a job with two measurements and a plan, readings and a film."""

    folder: Path

    def __truediv__(self, name):
        return self.folder / name


def fill_shelf(folder):
    """Make the good files from the bundled frames."""
    samples = sample_folder()
    shelf = Shelf(folder)
    for name in ("few", "one"):
        (folder / name / "frames").mkdir(parents=True)
    pictures = sorted((samples / "lateral_before" / "frames").iterdir())
    for picture in pictures[:FEW]:
        shutil.copy(picture, folder / "few" / "frames")
    shutil.copy(samples / "lateral_before" / "view.json", folder / "view.json")
    shutil.copy(samples / "lateral_before" / "scale.jpg", folder / "scale.jpg")
    shutil.copy(samples / "wheel.toml", folder / "wheel.toml")
    times = ["frame,time_s", *(f"{k},{k / 30:.6f}" for k in range(FEW))]
    (folder / "times.csv").write_text("\n".join(times) + "\n", encoding="utf-8")
    curve = ["angle_deg,runout_mm", *(f"{10 * k},{0.1 * (k % 5)}" for k in range(36))]
    (folder / "curve.csv").write_text("\n".join(curve) + "\n", encoding="utf-8")
    readings = ["spoke,lateral_mm,radial_mm,tension_n"]
    readings += [
        f"{k},{0.4 * math.cos(math.tau * k / 14):.2f},{0.2 * math.sin(math.tau * k / 14):.2f},{900 + 10 * (k % 9)}"
        for k in range(1, 29)
    ]
    (folder / "readings.csv").write_text("\n".join(readings) + "\n", encoding="utf-8")
    film = cv2.VideoWriter(str(folder / "film.avi"), cv2.VideoWriter.fourcc(*"MJPG"), 30.0, (640, 360))
    for picture in pictures[:FEW]:
        film.write(cv2.imread(str(picture)))
    film.release()
    _fill_job(folder / "job", samples)
    return shelf


def _fill_job(job, samples):
    home = Path.cwd()
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        run(["new", str(job), "--spokes", "28"])
        shutil.copy(samples / "wheel.toml", job / "wheel.toml")
        shutil.copy(samples / "lateral_before" / "view.json", job / "view-lateral.json")
        os.chdir(job)
        try:
            run(["measure", str(samples / "lateral_before")])
            run(["plan"])
            run(["measure", str(samples / "lateral_after")])
        finally:
            os.chdir(home)
