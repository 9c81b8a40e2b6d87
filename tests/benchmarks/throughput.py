"""Time and memory of measuring a film, beside a bare loop that only decodes it.

    python -m tests.benchmarks.throughput [rounds]
    python -m tests.benchmarks.throughput memory [frames]

A few whole turns of a wheel turned by hand are drawn at a camera's size and written as a film, again and again until it
is as long as it shall be: as MPEG-4 part 2, which OpenCV can write, and as H.264 at a rate that phones use. The bare loop and
what `rimgauge measure` does, from opening the film to the picture of the worst place, run in turn in the same process,
with the libraries told what the command line tells them; loading the program is no part of it.
Memory is that of a process that does nothing else; its frames are played from pictures that it holds before the count
begins, for decoding 100,000 takes long.
"""

from __future__ import annotations

import os

from rimgauge.cli import LIBRARIES

os.environ.update(
    LIBRARIES | dict(os.environ)
)  # as the command line does, before numpy and OpenCV are loaded

import importlib
import itertools
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np

from rimgauge.capture import Frame, open_source, track
from rimgauge.capture.frame import Picture
from rimgauge.cli.measure_kept import worst_picture
from rimgauge.job import read_view
from rimgauge.pipeline import reckon, see
from rimgauge.records import Source, View, WheelInView
from rimgauge.scene import Scene, SceneSpec, random_curve, scene_view
from rimgauge.wheel import complete_wheel

LENGTHS_S, FPS = (10, 120), 30
LEAST_DRAWN, DRAWN = 240, 310
PHONE_BITS_PER_S = 17_000_000
"""Of a phone's film of 1920 × 1080 pixels (common practice, from memory)."""
ROUNDS = 3
LONG_PASS = 100_000
STAGES = ("to the last frame", "angle", "curve", "picture")


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of film: size of its picture, the scene's scale, and what is called when it is written."""

    size: tuple[int, int]
    mm_per_px: float
    codec: str
    write: Callable[[list[Picture], dict[int, Path]], None]


def write_mpeg4(pictures: list[Picture], films: dict[int, Path]) -> None:
    """Write pictures over and over as films of given lengths [s]."""
    height, width = pictures[0].shape[:2]
    for length_s, film in films.items():
        writer = cv2.VideoWriter(str(film), cv2.VideoWriter.fourcc(*"mp4v"), FPS, (width, height))
        for picture in itertools.islice(itertools.cycle(pictures), length_s * FPS):
            writer.write(picture)
        writer.release()


def write_h264(pictures: list[Picture], films: dict[int, Path]) -> None:
    """As above; pictures are encoded once, each from those before it only, and what comes out is repeated."""
    av = importlib.import_module("av")
    height, width = pictures[0].shape[:2]
    once = next(iter(films.values())).with_suffix(".once.mp4")
    with av.open(str(once), "w") as container:
        stream = container.add_stream("libx264", rate=FPS, options={"preset": "veryfast", "bf": "0"})
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.bit_rate, stream.gop_size = PHONE_BITS_PER_S, FPS
        for picture in pictures:
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="bgr24")))
        container.mux(stream.encode())
    with av.open(str(once)) as source:
        coded = [(bytes(packet), packet.is_keyframe) for packet in source.demux(video=0) if packet.size]
        for length_s, film in films.items():
            with av.open(str(film), "w") as container:
                stream = container.add_stream_from_template(source.streams.video[0])
                for number, (data, key) in enumerate(
                    itertools.islice(itertools.cycle(coded), length_s * FPS)
                ):
                    packet = av.Packet(data)
                    packet.stream, packet.time_base, packet.is_keyframe = stream, Fraction(1, FPS), key
                    packet.pts = packet.dts = number
                    container.mux(packet)


KINDS = (
    Kind((640, 480), 0.12, "MPEG-4 part 2", write_mpeg4),
    Kind((1280, 720), 0.12, "MPEG-4 part 2", write_mpeg4),
    Kind((1920, 1080), 0.08, "H.264", write_h264),
)


def filmed(folder: Path, kind: Kind) -> tuple[View, dict[int, Path]]:
    """Draw whole turns at a camera's size, and write a film of each length [s] of them."""
    rng = np.random.default_rng(5)
    spec = SceneSpec(
        lateral_mm=random_curve(rng, 1.0),
        radial_mm=random_curve(rng, 0.3),
        image_size=kind.size,
        mm_per_px=kind.mm_per_px,
        frames=DRAWN,
        turns_per_s=0.4,
        seed=5,
    )
    scene = Scene(spec)
    turned = scene.spin.angle_deg - scene.spin.angle_deg[0]
    count = LEAST_DRAWN + int(np.argmin(np.abs((turned[LEAST_DRAWN:] + 180.0) % 360.0 - 180.0)))
    films = {length_s: folder / f"{kind.size[0]}_{length_s}.mp4" for length_s in LENGTHS_S}
    kind.write([frame.image for frame in itertools.islice(scene.frames(), count)], films)
    return scene_view(scene), films


def decode(film: Path) -> int:
    """Run a bare loop over all frames, and count them."""
    capture, count = cv2.VideoCapture(str(film)), 0
    while capture.read()[0]:
        count += 1
    capture.release()
    return count


class Clock:
    """Wall-clock and processor seconds of one stage after another."""

    def __init__(self) -> None:
        self.laps: list[tuple[float, float]] = []
        self._last = time.perf_counter(), time.process_time()

    def lap(self) -> None:
        """Note what has passed since the last one."""
        now = time.perf_counter(), time.process_time()
        self.laps.append((now[0] - self._last[0], now[1] - self._last[1]))
        self._last = now


def bare(film: Path, view: View) -> list[tuple[float, float]]:
    """Time the bare loop."""
    clock = Clock()
    decode(film)
    clock.lap()
    return clock.laps


def whole(film: Path, view: View) -> list[tuple[float, float]]:
    """Time the stages of measuring."""
    wheel = replace(WheelInView.of(complete_wheel({"spokes": 32})), rim_radius_mm=320.0)
    clock = Clock()

    def until_the_last(frames: Iterable[Frame]) -> Iterator[Frame]:
        yield from frames
        clock.lap()

    with open_source(str(film)) as frames:
        seen, turning = see(
            until_the_last(frames),
            view,
            wheel,
        )
        clock.lap()
        runout = reckon(
            seen,
            turning,
            view,
            wheel,
            tolerance_mm=0.5,
            created="2026-11-25T12:00:00+00:00",
            source=Source(kind="video", name=film.name, frames=0, used=0, sha256=frames.sha256()),
        )
        clock.lap()
        worst_picture(runout, seen, view, frames)
        clock.lap()
    return clock.laps


def cells(film: Path, view: View, rounds: int) -> list[str]:
    """A row's cells of both tables: bare loop, stages, whole and ratio."""
    count = decode(film)
    spent: dict[Callable[..., object], list[list[tuple[float, float]]]] = {bare: [], whole: []}
    for _ in range(rounds):
        for way in (bare, whole):
            spent[way].append(way(film, view))
    result = []
    for by in range(2):
        # The round that was quickest as a whole, so that stages add up.
        decoded, ours = (1e3 / count * min(np.array(laps)[..., by], key=np.sum) for laps in spent.values())
        values = (*decoded, *ours, ours.sum(), ours.sum() / decoded.sum())
        result.append(" | ".join(f"{value:.2f}" for value in values))
    return result


def times(rounds: int) -> None:
    """Print both tables, of the clock and of the processor."""
    rows: tuple[list[str], list[str]] = ([], [])
    with tempfile.TemporaryDirectory() as scratch:
        for kind in KINDS:
            picture = f"{kind.size[0]} × {kind.size[1]}, {kind.codec}"
            try:
                view, films = filmed(Path(scratch), kind)
            except (ImportError, ValueError) as missing:
                print(f"{picture}: left out, since it can't be written here ({missing})\n")
                continue
            for length_s, film in films.items():
                for table, row in zip(rows, cells(film, view, rounds), strict=True):
                    table.append(f"| {picture} | {length_s} s | {row} |")
    for name, table in zip(("the clock", "the processor"), rows, strict=True):
        print(
            f"By {name}, ms a frame:\n\n| picture | film | bare loop | {' | '.join(STAGES)} | whole | ratio |"
        )
        print("|---|---|---|---|---|---|---|---|---|")
        print("\n".join(table) + "\n", flush=True)


def drawn_elsewhere(folder: Path) -> tuple[list[Picture], View]:
    """Draw a pass of four seconds at 640 × 360 pixels, in another process: drawing takes memory too."""
    options = ["--out", str(folder / "s"), "--frames", "120", "--turns-per-s", "0.5", "--seed", "5"]
    command = [sys.executable, "-m", "rimgauge", "scene", *options]
    subprocess.run(command, check=True, capture_output=True)
    pictures = [frame.image for frame in open_source(str(folder / "s" / "frames"))]
    return pictures, read_view(folder / "s" / "view.json")


def peak_mb() -> float:
    """Most memory this process ever held [MB], on Linux; what getrusage tells is the parent's after a fork."""
    status = Path("/proc/self/status").read_text(encoding="utf-8")
    return float(status.split("VmHWM:")[1].split()[0]) / 1024.0


def memory(count: int) -> None:
    """Follow one long pass and print how much memory it took beyond the import [MB]."""
    with tempfile.TemporaryDirectory() as scratch:
        pictures, view = drawn_elsewhere(Path(scratch))
    images = itertools.islice(itertools.cycle(pictures), count)
    before = peak_mb()
    track((Frame(k, k / FPS, image) for k, image in enumerate(images)), view)
    print(f"memory above the import after {count} frames, MB: {peak_mb() - before:.0f}")


def main() -> None:
    """Print one of the two."""
    words = sys.argv[1:]
    if words[:1] == ["memory"]:
        memory(int(words[1]) if len(words) > 1 else LONG_PASS)
    else:
        times(int(words[0]) if words else ROUNDS)


if __name__ == "__main__":
    main()
