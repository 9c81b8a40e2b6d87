"""Time and memory of following pointer, rim, mark and spokes through a video, beside a bare loop that only decodes it.

    python -m tests.benchmarks.throughput [frames]

A drawn pass is written as a video, played again and again until there are enough frames, and both loops run in turn
in the same process. What follows the frames once a pass (the angle's search, the curve) is told apart.
"""

from __future__ import annotations

import dataclasses
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
from click.testing import CliRunner

from rimgauge.capture import Frame, ReadAhead, open_source, track
from rimgauge.cli import main as rimgauge
from rimgauge.job import read_view
from rimgauge.records import View

SIZE = (1280, 720)
ROUNDS = 3


def filmed(folder: Path) -> tuple[Path, View]:
    """Draw a pass of two seconds at 1280 × 720 and write it as a video; the view's boxes fit it."""
    drawn = ["scene", "--out", str(folder / "s"), "--frames", "120", "--turns-per-s", "0.5", "--seed", "5"]
    assert CliRunner().invoke(rimgauge, drawn).exit_code == 0
    film = folder / "pass.mp4"
    writer = cv2.VideoWriter(str(film), cv2.VideoWriter.fourcc(*"mp4v"), 30.0, SIZE)
    for frame in open_source(str(folder / "s" / "frames")):
        # Enlarged to what cameras give, the drawn picture in one corner: the boxes stay as they are.
        wide = np.full((SIZE[1], SIZE[0], 3), 128, dtype=np.uint8)
        wide[:360, :640] = frame.image
        wide[360:, :640] = wide[:360, 640:] = wide[360:, 640:] = frame.image
        writer.write(wide)
    writer.release()
    view = read_view(folder / "s" / "view.json")
    return film, dataclasses.replace(view, image_size=SIZE)


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


def one_pass(film: str, view: str, count: int) -> None:
    """Follow one long pass in a process of its own and print how much memory it took beyond the import [MB]."""
    wide = dataclasses.replace(read_view(Path(view)), image_size=SIZE)
    before = peak_mb()
    followed_s(Path(film), wide, count)
    print(peak_mb() - before)


def taken_mb(film: Path, folder: Path, count: int) -> float:
    command = [
        sys.executable,
        "-m",
        "tests.benchmarks.throughput",
        str(film),
        str(folder / "s" / "view.json"),
    ]
    return float(subprocess.run([*command, str(count)], capture_output=True, text=True, check=True).stdout)


def main() -> None:
    """Print the table."""
    if len(sys.argv) == 4:
        one_pass(sys.argv[1], sys.argv[2], int(sys.argv[3]))
        return
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 600
    with tempfile.TemporaryDirectory() as scratch:
        film, view = filmed(Path(scratch))
        followed_s(film, view, 120)
        bare, ours, bare_cpu, ours_cpu = [], [], [], []
        for _ in range(ROUNDS):
            for times, spent, loop in (
                (bare, bare_cpu, lambda: decoded_s(film, count)),
                (ours, ours_cpu, lambda: followed_s(film, view, count)),
            ):
                before = time.process_time()
                times.append(loop())
                spent.append(time.process_time() - before)
        short_mb, long_mb = (taken_mb(film, Path(scratch), n) for n in (5 * count, 20 * count))
    print("| what | value |\n|---|---|")
    print(f"| bare loop that decodes 1280 × 720, ms a frame | {min(bare) / count * 1e3:.2f} |")
    print(f"| following, decoded ahead, ms a frame | {min(ours) / count * 1e3:.2f} |")
    print(f"| ratio | {min(ours) / min(bare):.2f} |")
    print(f"| processor time of the bare loop, ms a frame | {min(bare_cpu) / count * 1e3:.2f} |")
    print(f"| processor time of decoding and following, ms a frame | {min(ours_cpu) / count * 1e3:.2f} |")
    print(f"| memory above the import after {5 * count} frames, MB | {short_mb:.0f} |")
    print(f"| memory above the import after {20 * count} frames, MB | {long_mb:.0f} |")
    print(f"| so after 100,000 frames, MB | {short_mb + (long_mb - short_mb) / (15 * count) * 1e5:.0f} |")


if __name__ == "__main__":
    main()
