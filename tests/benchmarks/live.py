"""The live view at 1280 × 720 against a bare loop that only reads and shows, and a soak with its memory.

    xvfb-run -a python -m tests.benchmarks.live [soak frames]

The frames are the bundled ones, drawn twice as large into a video, whose two revolutions are played again and
again. The bare loop reads it as fast as it can and shows what is due at 30 a second; the live view takes it as
from a camera of 60 frames a second, then of one that is quicker than it, and draws at 30.
Latency is from the moment a frame was taken from the camera to the moment its picture was handed to the window.
The soak shows the bundled frames in their own size, as from a camera of 30 frames a second but as fast as they
go; half an hour is 54000 frames. Memory is the resident set, from /proc/self/statm (Linux).
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.capture import Frame, open_source
from rimgauge.capture.live_source import LiveSource
from rimgauge.cli.demo import sample_folder
from rimgauge.cli.show import drawing
from rimgauge.job import read_build, read_view
from rimgauge.live import Showing, run_window
from rimgauge.live.ink import Image
from rimgauge.live.window import DRAWN_PER_S
from rimgauge.records import Box, View, WheelInView
from rimgauge.watching import watch
from rimgauge.wheel import complete_wheel

ROUND_TWICE = range(12, 173)
"""Frames of lateral_before after which the wheel stands where it stood (truth.json)."""
ROUNDS = 6
FPS = 60.0
QUICK_FPS = 120.0
LIVE_S = 30.0
"""Half of it for learning mark and spokes, half is measured."""


def main() -> None:
    """Print the table."""
    soak_frames = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    with tempfile.TemporaryDirectory() as place:
        video = Path(place) / "wheel.avi"
        _write_video(video)
        bare = _bare(video)
        usual, quick = _live(video, FPS), _live(video, QUICK_FPS)
        alone_s = _watch_alone(video)
        memory_mb = _soak(soak_frames)
    late = np.array(usual.latency_s) * 1000.0
    print("| what | value |\n|---|---|")
    print(f"| bare loop, frames/s | {bare:.0f} |")
    print(f"| live view with its window, frames/s of a camera that gives 60 | {usual.frames_per_s:.1f} |")
    print(f"| frames dropped | {usual.dropped:.1%} |")
    print(
        f"| live view with its window, frames/s of a camera that gives {QUICK_FPS:.0f} | {quick.frames_per_s:.1f} |"
    )
    print(f"| processor time a frame, camera, window and all, ms | {1000.0 * usual.processor_s:.1f} |")
    print(
        f"| following the wheel alone, processor time, ms a frame, median | {1000.0 * statistics.median(alone_s):.1f} |"
    )
    print(f"| latency, ms, median | {np.median(late):.1f} |")
    print(f"| latency, ms, 95 of 100 under | {np.percentile(late, 95.0):.1f} |")
    print(f"| latency, ms, longest | {late.max():.0f} |")
    print(f"| latency while mark and spokes are learnt, ms, longest | {1000.0 * max(usual.learning_s):.0f} |")
    for frames, mb in memory_mb:
        print(f"| memory after {frames} frames, MB | {mb:.1f} |")


def _write_video(path: Path) -> None:
    pictures = sorted((sample_folder() / "lateral_before" / "frames").iterdir())
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"MJPG"), FPS, (1280, 720))
    for k in ROUND_TWICE:
        writer.write(cv2.resize(cv2.imread(str(pictures[k])), (1280, 720)))
    writer.release()


def _view() -> View:
    """Double every length of the bundled view."""
    view = read_view(sample_folder() / "lateral_before" / "view.json")

    def twice(box: Box) -> Box:
        x, y, width, height = (2 * value for value in box)
        return (x, y, width, height)

    assert view.mark_box is not None
    assert view.spoke_box is not None
    assert view.scale is not None
    return replace(
        view,
        image_size=(1280, 720),
        edges=tuple(
            replace(e, pointer_box=twice(e.pointer_box), rim_box=twice(e.rim_box)) for e in view.edges
        ),
        mark_box=twice(view.mark_box),
        spoke_box=twice(view.spoke_box),
        scale=replace(view.scale, mm_per_px=view.scale.mm_per_px / 2.0),
    )


class _Camera:
    """A camera: the video again and again, each frame at its time."""

    def __init__(self, video: Path, fps: float) -> None:
        self._video, self._fps, self._open = video, fps, True

    def pictures(self) -> Iterator[tuple[NDArray[np.generic] | None, float | None]]:
        start_s, count = time.monotonic(), 0
        while self._open:
            capture = cv2.VideoCapture(str(self._video))
            while self._open:
                good, image = capture.read()
                if not good:
                    break
                count += 1
                time.sleep(max(0.0, start_s + count / self._fps - time.monotonic()))
                yield image, None

    def close(self) -> None:
        self._open = False


def _camera(video: Path, fps: float) -> LiveSource:
    return LiveSource("camera", "benchmark", lambda: _Camera(video, fps), "")


def _timed(source: LiveSource, born_s: dict[int, float]) -> Iterator[Frame]:
    """Note when each frame was taken from the camera; by its own time stamp it may be older by a frame."""
    for frame in source:
        born_s[frame.index] = time.perf_counter()
        born_s.pop(frame.index - 100, None)
        yield frame


def _bare(video: Path) -> float:
    """Frames a second of a loop that reads, and shows what is due."""
    cv2.namedWindow("bare", cv2.WINDOW_NORMAL)
    count, shown_s, start_s = 0, -1.0, time.perf_counter()
    for _ in range(ROUNDS):
        capture = cv2.VideoCapture(str(video))
        while True:
            good, image = capture.read()
            if not good:
                break
            if count / FPS - shown_s >= 0.9 / DRAWN_PER_S:
                shown_s = count / FPS
                cv2.imshow("bare", image)
                cv2.waitKey(1)
            count += 1
    seconds = time.perf_counter() - start_s
    cv2.destroyAllWindows()
    return count / seconds


@dataclass
class _Run:
    """Frames a second, share dropped, processor time a frame [s], and the latency [s] of pictures once learnt and before."""

    frames_per_s: float
    dropped: float
    processor_s: float
    latency_s: list[float]
    learning_s: list[float]


def _live(video: Path, fps: float) -> _Run:
    """Follow and show a camera; what is told is of the second half, when the looks are learnt."""
    wheel = complete_wheel(read_build(sample_folder() / "wheel.toml"))
    view, born_s, latency_s, learning_s = _view(), {}, [], []
    paint = drawing(view, wheel.spoke_angles_deg, (1280, 720))
    marks: list[NDArray[np.float64]] = []

    def draw(showing: Showing) -> Image:
        picture = paint(showing)
        now_s, index = time.perf_counter(), showing.moment.index
        late_s = latency_s if now_s - start_s > LIVE_S / 2 else learning_s
        if late_s is latency_s:
            marks.append(np.array([index, camera.dropped, now_s, time.process_time()]))
        late_s.append(now_s - born_s[index])
        return picture

    with _camera(video, fps) as camera:
        start_s = time.perf_counter()
        moments = watch(_timed(camera, born_s), view, WheelInView.of(wheel), live=True)
        run_window(moments, draw, live=True, stopped=lambda: time.perf_counter() - start_s > LIVE_S)
    frames, drops, seconds, processor_s = marks[-1] - marks[0]
    return _Run(frames / seconds, drops / (frames + drops), processor_s / frames, latency_s, learning_s)


def _watch_alone(video: Path) -> list[float]:
    """Processor time for each frame [s], without window and without reading."""
    wheel = complete_wheel(read_build(sample_folder() / "wheel.toml"))
    with open_source(str(video)) as source:
        frames = [frame.image for frame in source]
    stream = (Frame(n, n / FPS, image) for n, image in enumerate(frames * 3))
    seconds, last_s = [], time.process_time()
    for _ in watch(stream, _view(), WheelInView.of(wheel)):
        seconds.append(time.process_time() - last_s)
        last_s = time.process_time()
    return seconds[60:]


def _soak(count: int) -> list[tuple[int, float]]:
    """Resident memory [MB] after each tenth of so many frames with the window."""
    wheel = complete_wheel(read_build(sample_folder() / "wheel.toml"))
    view = read_view(sample_folder() / "lateral_before" / "view.json")
    with open_source(str(sample_folder() / "lateral_before")) as source:
        images = [frame.image for frame in source][ROUND_TWICE.start : ROUND_TWICE.stop]
    paint, seen = drawing(view, wheel.spoke_angles_deg, (1280, 720)), []

    def frames() -> Iterator[Frame]:
        for index in range(count):
            if index % (count // 10) == 0 and index:
                seen.append((index, _resident_mb()))
            # A camera hands over a picture of its own each time.
            yield Frame(index, index / DRAWN_PER_S, images[index % len(images)].copy())

    run_window(watch(frames(), view, WheelInView.of(wheel), live=True), paint, live=True)
    return [*seen, (count, _resident_mb())]


def _resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


if __name__ == "__main__":
    main()
