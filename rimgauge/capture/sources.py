"""The only door to frames: a folder of pictures, a video file, a camera or a stream."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import itertools
import math
import queue
import re
import threading
from collections import Counter
from collections.abc import Generator, Iterable, Iterator
from pathlib import Path
from typing import Generic, TypeVar

import cv2
import numpy as np

from rimgauge.capture.film import VideoSource
from rimgauge.capture.frame import Closing, Frame, FrameSource, Picture, as_colour
from rimgauge.capture.http_stream import JPEG_BEGIN, JPEG_END, MjpegLine, NoMjpeg, without_secrets
from rimgauge.capture.live_source import Line, LiveSource, OpenCvLine
from rimgauge.capture.slow_motion import every_of, frames_per_s, thinned_note
from rimgauge.errors import BadFile, FrameTrouble

__all__ = [
    "PICTURE_ENDINGS",
    "FolderSource",
    "Frame",
    "FrameSource",
    "Picture",
    "ReadAhead",
    "VideoSource",
    "open_source",
    "read_picture",
]

DIGITS = re.compile(r"([0-9]+(?:\.[0-9]+)?)")
PICTURE_ENDINGS = {".jpg", ".jpeg", ".png", ".bmp", ".tif", ".tiff", ".webp"}
ENDS_IN = re.compile(r"[0-9]+$")
JPEG_MARKER = re.compile(rb"\xff([^\x00\x01\xd0-\xd8\xff])")
"""Begin of a segment, whose length follows, or the end; in a scan FF 00 and restarts are no markers (ISO/IEC 10918-1
B.1.1, from memory)."""
LARGEST_PICTURE_BYTES = 400_000_000
AHEAD_FRAMES = 8
"""How many decoded frames may wait for the tracker; bounds the memory."""
LONGEST_NUMBER = 9
NO_CAMERA = "no camera answers to this number; plug it in, close other programs that use it, or try another number, from 0 up"
NO_STREAM = "nothing answers at this address; check that phone and computer share a network"


T = TypeVar("T")


class FolderSource(Closing):
    """Pictures of a folder in the order of their names and the numbers in them; times from times.csv or evenly spaced."""

    kind = "frames"

    def __init__(self, folder: Path, fps: float) -> None:
        self.name = str(folder)
        inner = folder / "frames"
        self.pictures = _pictures(inner if inner.is_dir() else folder)
        if not self.pictures:
            raise FrameTrouble(
                folder, "there are no pictures in this folder; give the folder that holds the frames"
            )
        places = (place / "times.csv" for place in (folder, folder.parent))
        self.times_file = next((place for place in places if place.is_file()), None)
        evenly_s = [index / fps for index in range(len(self.pictures))]
        self.times_s = evenly_s if self.times_file is None else _read_times(self.times_file, self.pictures)
        self.every = every_of(self.times_s)

    def __iter__(self) -> Iterator[Frame]:
        size: tuple[int, ...] | None = None
        for index, path in enumerate(self.pictures[:: self.every]):
            if self._stopped:
                self._cut_short = True
                return
            image = read_picture(path)
            if size is not None and image.shape != size:
                raise FrameTrouble(
                    path,
                    f"this picture is {image.shape[1]} × {image.shape[0]} pixels, the ones before it "
                    f"{size[1]} × {size[0]}; keep frames of one camera setting in a folder",
                )
            size = image.shape
            yield Frame(index, self.times_s[index * self.every], image)

    def picture_at(self, index: int, time_s: float) -> Picture:
        """Read the picture (h, w, 3) BGR of a frame by its number."""
        return read_picture(self.pictures[index * self.every])

    def notes(self) -> tuple[str, ...]:
        """Say where not every picture was read."""
        return (*thinned_note(self.every, frames_per_s(self.times_s)), *super().notes())

    def sha256(self) -> str:
        """Fingerprint over the bytes of all pictures in order."""
        digest = hashlib.sha256()
        for path in self.pictures:
            digest.update(path.read_bytes())
        return digest.hexdigest()

    def files(self) -> list[Path]:
        """All pictures in order, then times.csv where there is one."""
        return self.pictures + ([self.times_file] if self.times_file else [])


class ReadAhead(Generic[T]):
    """Frames of a source, or what is made of them, in a thread of its own while the caller works on the last one."""

    def __init__(self, source: Iterable[T], ahead: int = AHEAD_FRAMES) -> None:
        self.source, self.ahead = source, ahead

    def __iter__(self) -> Generator[T, None, None]:
        waiting: queue.Queue[T | BaseException | None] = queue.Queue(maxsize=self.ahead)
        stop = threading.Event()

        def put(item: T | BaseException | None) -> None:
            while not stop.is_set():
                try:
                    waiting.put(item, timeout=0.1)
                    return
                except queue.Full:
                    continue

        def decode() -> None:
            try:
                for item in self.source:
                    put(item)
                    if stop.is_set():
                        return
                put(None)
            except BaseException as error:
                put(error)

        thread = threading.Thread(target=decode, name="decode ahead", daemon=True)
        thread.start()
        try:
            while (item := waiting.get()) is not None:
                if isinstance(item, BaseException):
                    raise item
                yield item
        finally:
            stop.set()
            thread.join()  # however long: the source is closed next, and must not be at work then


def open_source(name: str, *, fps: float = 30.0) -> FrameSource:
    """Open a folder of frames, a video file, a camera number or an http(s)/rtsp address.

    Parameters
    ----------
    name : str
        What the person typed.
    fps : float
        Frame rate [1/s] assumed where the source states none.

    Raises
    ------
    FrameTrouble
        There is no such source, or it gives no frames.
    """
    if name.isdecimal():
        if len(name) > LONGEST_NUMBER:
            raise FrameTrouble(name, NO_CAMERA)
        return LiveSource("camera", name, lambda: OpenCvLine(int(name)), NO_CAMERA)
    if name.lower().startswith(("http://", "https://", "rtsp://")):
        try:
            shown = without_secrets(name)
        except ValueError:
            raise FrameTrouble(
                name,
                "this is not an address; give the one that the phone's app shows, http:// and what follows",
            ) from None
        return LiveSource("stream", shown, lambda: _call(name), NO_STREAM)
    path = Path(name)
    if path.is_dir():
        return FolderSource(path, fps)
    if not path.exists():
        raise FrameTrouble(name, "there is no such file or folder; check the spelling")
    if path.suffix.lower() in PICTURE_ENDINGS:
        raise FrameTrouble(
            name,
            "is a single picture; give a video, a camera's number, or the folder that holds all the frames",
        )
    return VideoSource(path, fps)


def _call(address: str) -> Line:
    """Connect to an address: pictures one after another, or else a video that OpenCV can read."""
    if not address.lower().startswith("rtsp://"):
        with contextlib.suppress(NoMjpeg):
            return MjpegLine(address)
    return OpenCvLine(address)


def read_picture(path: Path) -> Picture:
    """Read one picture as BGR (h, w, 3); raises BadFile with the reason."""
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_PICTURE_BYTES + 1)
    except FileNotFoundError:
        raise BadFile(path, "there is no such file; check the spelling") from None
    except OSError as error:
        raise BadFile(path, f"this picture can't be opened ({error.strerror})") from None
    if len(data) > LARGEST_PICTURE_BYTES:
        raise BadFile(path, f"is larger than {LARGEST_PICTURE_BYTES // 1_000_000} MB; no picture is")
    image = None
    if data and not _cut_off(data):
        try:
            image = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), cv2.IMREAD_COLOR)
        except cv2.error:
            raise BadFile(
                path, "this picture is damaged or has too many pixels; make it smaller, 120 million at most"
            ) from None
    if image is None:
        raise BadFile(path, "this is not a picture that can be read; it may be damaged or of another kind")
    return as_colour(image)


def _cut_off(data: bytes) -> bool:
    """Tell whether a JPEG ends before its last line; some versions of OpenCV fill the rest with grey."""
    if not data.startswith(JPEG_BEGIN):
        return False
    at = len(JPEG_BEGIN)
    while (found := JPEG_MARKER.search(data, at)) is not None:
        if found[1] == JPEG_END[1:]:
            return False  # a thumbnail's own end lies inside a segment, and what comes behind is no picture
        at = found.end() + int.from_bytes(data[found.end() : found.end() + 2])
    return True


def _pictures(folder: Path) -> list[Path]:
    try:
        found = [p for p in folder.iterdir() if p.suffix.lower() in PICTURE_ENDINGS and p.is_file()]
    except OSError as error:
        raise FrameTrouble(folder, f"this folder can't be read ({error.strerror})") from None
    found.sort()
    if not _unpadded([path.stem for path in found]):
        return found
    return sorted(found, key=lambda path: (_counted(path.name), path))


def _unpadded(stems: list[str]) -> bool:
    """Whether numbers are written without zeros before them, so that 10 would come before 2.

    The names that are alike but for their digits tell, of which there are most: they are of several widths then. Where
    they are of one width, letters may count too, as of base sixteen, and names sort as they are. A name of another
    width may be a stray one, if there is but one for more than ten that aren't alike.
    """
    shapes = [DIGITS.sub("", stem) for stem in stems]
    most = max(shapes, key=Counter(shapes).__getitem__, default="")
    widths = Counter(len(stem) for stem, shape in zip(stems, shapes, strict=True) if shape == most)
    alike = widths.total()
    return 10 * (alike - max(widths.values(), default=0)) >= len(stems) - alike


def _counted(name: str) -> list[str | float]:
    """Key to sort a name by, with its numbers as numbers: 2.jpg comes before 10.jpg, and 1.15.jpg before 1.2.jpg."""
    return [float(part) if place % 2 else part for place, part in enumerate(DIGITS.split(name))]


def _read_times(path: Path, pictures: list[Path]) -> list[float]:
    """Read `frame,time_s`: a picture gets the time of the row whose number its name ends in.

    Where names tell no such rows, one row a picture is taken, in order.
    """
    try:
        with path.open(newline="", encoding="utf-8-sig") as handle:
            by_frame = {int(row["frame"]): float(row["time_s"]) for row in csv.DictReader(handle)}
    except (KeyError, TypeError, ValueError, csv.Error, UnicodeDecodeError):
        raise BadFile(
            path, "needs the header frame,time_s and a whole number and a number in every row"
        ) from None
    ends = (ENDS_IN.search(picture.stem) for picture in pictures)
    numbers = [-1 if end is None else int(end[0]) for end in ends]
    told = [number > last and number in by_frame for last, number in itertools.pairwise([-1, *numbers])]
    if not all(told):
        # A picture without any number among numbered ones is another one, and would move all times on by a row.
        strays = [picture for picture in pictures if not DIGITS.search(picture.stem)]
        if len(by_frame) != len(pictures) or 0 < len(strays) < len(pictures):
            raise BadFile(
                path,
                f"has no time for {(strays or [pictures[told.index(False)]])[0].name}: a name must end in the number of its own row, or there be "
                "one row for each picture and no more",
            )
        numbers = sorted(by_frame)
    times_s = [by_frame[number] for number in numbers]
    if any(not math.isfinite(t) for t in times_s) or any(b <= a for a, b in itertools.pairwise(times_s)):
        raise BadFile(path, "the times must be finite and rise from frame to frame")
    return times_s
