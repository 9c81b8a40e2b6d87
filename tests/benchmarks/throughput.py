"""Time and memory of following pointer, rim, mark and spokes through a video, beside a bare loop that only decodes it.

    python -m tests.benchmarks.throughput [frames]
    python -m tests.benchmarks.throughput memory [frames]

A drawn pass is written as a video, played again and again until there are enough frames, and both loops run in turn
in the same process. Memory is that of a process that does nothing else; its frames are played from pictures that it
holds before the count begins, for decoding 100,000 takes long.
What follows the frames once a pass (the angle's search, the curve) is no part of this.
"""

from __future__ import annotations

import dataclasses
import itertools
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np

from rimgauge.capture import Frame, ReadAhead, open_source, track
from rimgauge.capture.frame import Picture
from rimgauge.job import read_view
from rimgauge.records import View

SIZES = ((640, 360), (640, 480), (1280, 720))
ROUNDS = 3
LONG_PASS = 100_000


def drawn(folder: Path) -> tuple[list[Picture], View]:
    """Draw a pass of four seconds at 640 × 360 pixels, in another process: drawing takes memory too."""
    options = ["--out", str(folder / "s"), "--frames", "120", "--turns-per-s", "0.5", "--seed", "5"]
    command = [sys.executable, "-m", "rimgauge", "scene", *options]
    subprocess.run(command, check=True, capture_output=True)
    pictures = [frame.image for frame in open_source(str(folder / "s" / "frames"))]
    return pictures, read_view(folder / "s" / "view.json")


def filmed(film: Path, pictures: list[Picture], size: tuple[int, int]) -> None:
    """Write the pictures as a video of a camera's size, filled up by repeating them: the boxes stay as they are."""
    writer = cv2.VideoWriter(str(film), cv2.VideoWriter.fourcc(*"mp4v"), 30.0, size)
    for picture in pictures:
        writer.write(np.tile(picture, (2, 2, 1))[: size[1], : size[0]])
    writer.release()


def played(film: Path, count: int) -> Iterator[Frame]:
    """The video's frames, again and again, with times that go on."""
    index = 0
    while index < count:
        for frame in open_source(str(film)):
            yield dataclasses.replace(frame, index=index, time_s=index / 30.0)
            index += 1
            if index == count:
                return


def decoded_s(film: Path, count: int) -> float:
    """Wall-clock seconds of a bare loop that decodes so many frames."""
    start, left = time.perf_counter(), count
    while left:
        capture = cv2.VideoCapture(str(film))
        while left and capture.read()[0]:
            left -= 1
        capture.release()
    return time.perf_counter() - start


def followed_s(film: Path, view: View, count: int) -> float:
    """Wall-clock seconds of following through so many frames, decoded ahead."""
    start = time.perf_counter()
    track(ReadAhead(played(film, count)), view)
    return time.perf_counter() - start


def peak_mb() -> float:
    """Most memory this process ever held [MB], on Linux; what getrusage tells is the parent's after a fork."""
    status = Path("/proc/self/status").read_text(encoding="utf-8")
    return float(status.split("VmHWM:")[1].split()[0]) / 1024.0


def memory(count: int) -> None:
    """Follow one long pass and print how much memory it took beyond the import [MB]."""
    with tempfile.TemporaryDirectory() as scratch:
        pictures, view = drawn(Path(scratch))
    images = itertools.islice(itertools.cycle(pictures), count)
    before = peak_mb()
    track((Frame(k, k / 30.0, image) for k, image in enumerate(images)), view)
    print(f"memory above the import after {count} frames, MB: {peak_mb() - before:.0f}")


def times(count: int) -> None:
    """Print the table."""
    print(
        "| picture | bare loop, ms a frame | following, decoded ahead | ratio | processor: bare | following | ratio |"
    )
    print("|---|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as scratch:
        pictures, view = drawn(Path(scratch))
        for size in SIZES:
            film, wide = Path(scratch) / "pass.mp4", dataclasses.replace(view, image_size=size)
            filmed(film, pictures, size)
            followed_s(film, wide, 120)
            spent: dict[str, list[tuple[float, float]]] = {"bare": [], "ours": []}
            for _ in range(ROUNDS):
                before = time.process_time()
                spent["bare"].append((decoded_s(film, count), time.process_time() - before))
                before = time.process_time()
                spent["ours"].append((followed_s(film, wide, count), time.process_time() - before))
            bare, ours = (np.min(spent[way], axis=0) / count * 1e3 for way in ("bare", "ours"))
            cells = [f"{bare[k]:.2f} | {ours[k]:.2f} | {ours[k] / bare[k]:.2f}" for k in (0, 1)]
            print(f"| {size[0]} × {size[1]} | " + " | ".join(cells) + " |", flush=True)


def main() -> None:
    """Print one of the two."""
    words = sys.argv[1:]
    if words[:1] == ["memory"]:
        memory(int(words[1]) if len(words) > 1 else LONG_PASS)
    else:
        times(int(words[0]) if words else 900)


if __name__ == "__main__":
    main()
