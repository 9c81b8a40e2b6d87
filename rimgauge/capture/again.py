"""See a frame a second time: read again from its file, or from what was laid down of a live camera."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from pathlib import Path

import cv2
import numpy as np

from rimgauge.capture.sources import (
    PICTURE_ENDINGS,
    FolderSource,
    Frame,
    FrameSource,
    Picture,
    VideoSource,
    read_picture,
)
from rimgauge.errors import BadFile, FrameTrouble

LAID_DOWN_QUALITY = 95


class LaidDown:
    """Frames of a live source, each written to a folder as a JPEG and handed on as that file shows it.

    So what is measured is what is kept: measuring the kept pictures gives the same numbers.
    """

    def __init__(self, source: Iterable[Frame], folder: Path) -> None:
        self.source, self.folder = source, folder

    def __iter__(self) -> Iterator[Frame]:
        times = ["frame,time_s"]
        for frame in self.source:
            _, data = cv2.imencode(".jpg", frame.image, [cv2.IMWRITE_JPEG_QUALITY, LAID_DOWN_QUALITY])
            self._write(f"{frame.index:06d}.jpg", data.tobytes())
            times.append(f"{frame.index},{frame.time_s!r}")
            image = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), dtype=np.uint8)
            yield Frame(frame.index, frame.time_s, image)
        self._write("times.csv", ("\n".join(times) + "\n").encode())

    def _write(self, name: str, data: bytes) -> None:
        try:
            (self.folder / name).write_bytes(data)
        except OSError as error:
            reason = error.strerror or str(error)
            raise BadFile(self.folder, f"the camera's pictures can't be kept here ({reason})") from None


def picture_at(source: FrameSource, index: int, time_s: float) -> Picture:
    """Read one picture (h, w, 3) BGR again, by its number and time, from a source of files that has given its frames.

    Raises
    ------
    BadFile, FrameTrouble
        The file is gone or has changed since.

    """
    if not isinstance(source, VideoSource | FolderSource):
        return read_picture(source.files()[index])
    picture = source.picture_at(index, time_s)
    if picture is None:
        raise FrameTrouble(source.name, f"frame {index} can't be read a second time")
    return picture


def kept_source(folder: Path, every: int = 1) -> FrameSource:
    """Open the pictures, or the one video, that were kept with a measurement that read one of every so many frames.

    Raises
    ------
    BadFile, FrameTrouble
        There are none, or they can't be read.

    """
    try:
        inside = sorted(folder.iterdir())
    except OSError as error:
        raise BadFile(folder, f"can't be read ({error.strerror})") from None
    films = [path for path in inside if path.suffix.lower() not in (".csv", *PICTURE_ENDINGS)]
    kept = VideoSource(films[0], 30.0) if len(films) == 1 else FolderSource(folder, 30.0)
    kept.every = every
    return kept


def at_times(source: FrameSource, time_s: list[float]) -> Iterator[Frame]:
    """Give a kept source's frames at the times that were recorded with them; what comes after a stop wasn't measured.

    Raises
    ------
    FrameTrouble
        There are fewer frames than times.

    """
    count = 0
    for count, frame in enumerate(itertools.islice(source, len(time_s)), start=1):
        yield Frame(frame.index, time_s[count - 1], frame.image)
    if count < len(time_s):
        raise FrameTrouble(source.name, f"holds {count} frames, but {len(time_s)} were measured")
