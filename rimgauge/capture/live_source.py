"""A camera or stream: read in a thread of its own, connected again after a drop, the newest frame first."""

from __future__ import annotations

import contextlib
import math
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.frame import Frame, Picture, as_colour
from rimgauge.errors import FrameTrouble

GIVE_UP_S = 20.0
"""So long is a lost camera or stream called again before that is an error."""
PAUSES_S = (0.2, 0.5, 1.0, 2.0)
"""Between one call and the next."""
CLOCKS_APART_S = 1.0
"""A camera's own clock that strays so far from ours was set anew, and is not believed again."""
ANSWER_MS = 5000
MANY_DROPPED = 0.1
"""Of the pictures that came: so many missing make the wheel jump twice as far here and there, which is worth telling."""


class Line(Protocol):
    """One connection to a camera or stream."""

    def pictures(self) -> Iterator[tuple[NDArray[np.generic] | None, float | None]]:
        """Give each picture, None for a spoilt one, with the time [s] that the camera states; end when it is lost."""

    def close(self) -> None:
        """Let go of it."""


class LiveSource:
    """Frames of a camera or stream as they come.

    A frame that nobody took before the next one came is dropped, so that what is seen is never old. Pictures
    of another size than the first are passed over. Times are of the camera's own clock where it states one.

    Parameters
    ----------
    kind : "camera" or "stream".
    name : for messages.
    connect : makes a connection, or raises OSError; called again after a drop.
    nobody : what to say when nothing answers.

    Raises
    ------
    FrameTrouble
        Nothing answers, at first or for GIVE_UP_S after a drop.
    """

    every = 1

    def __init__(self, kind: str, name: str, connect: Callable[[], Line], nobody: str) -> None:
        self.kind, self.name = kind, name
        self._came = self._dropped = self._came_back = 0
        self._lost = False
        self._connect, self._nobody = connect, nobody
        self._stopped = threading.Event()
        self._news = threading.Condition()
        self._newest: tuple[float, Picture] | None = None
        self._trouble: str | None = None
        self._size: tuple[int, int] | None = None
        self._other_size: tuple[int, int] | None = None
        try:
            self._line = connect()
        except OSError:
            raise FrameTrouble(name, nobody) from None
        self._thread = threading.Thread(target=self._read_on, name=f"read {kind}", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()
        self._thread.join(timeout=2.0)

    def __iter__(self) -> Iterator[Frame]:
        index, last_s = 0, -math.inf
        self._came = self._dropped = self._came_back = 0  # what nobody waited for yet was not missed
        while not self._stopped.is_set():
            with self._news:
                if self._newest is None and self._trouble is None:
                    self._news.wait(timeout=0.1)
                taken, self._newest = self._newest, None
                trouble = self._trouble
            if taken is not None:
                # Two frames never have one time: what divides by their distance must not divide by nothing.
                last_s = max(taken[0], last_s + 1e-4)
                yield Frame(index, last_s, taken[1])
                index += 1
            elif trouble is not None:
                raise FrameTrouble(self.name, trouble)

    def stop(self) -> None:
        """Let the frames end soon; the one being worked on is the last."""
        self._stopped.set()
        with self._news:
            self._news.notify_all()

    def sha256(self) -> str:
        """No fingerprint: nothing is kept."""
        return ""

    def files(self) -> list[Path]:
        """Nothing is read from files."""
        return []

    def notes(self) -> tuple[str, ...]:
        """Say how often the line was lost, and how many pictures came while an earlier one was being worked on."""
        notes = []
        if self._came_back:
            times = "once" if self._came_back == 1 else f"{self._came_back} times"
            notes.append(f"The {self.kind} was lost {times} and came back.")
        if self._dropped > MANY_DROPPED * self._came:
            notes.append(
                f"{self._dropped} of the {self._came} pictures that came were passed over, because the computer was "
                "still at work on an earlier one: close other programs, or set the camera to smaller pictures."
            )
        return tuple(notes)

    def _read_on(self) -> None:
        """Read until stopped; whatever ends it sooner, nobody waits for more frames."""
        try:
            self._read_until_stopped()
        finally:
            if self._trouble is None:
                self._tell(
                    "its pictures can't be read; unplug the camera or restart the phone's app, and try again"
                )

    def _read_until_stopped(self) -> None:
        """Read; call again after each drop, and give up when that doesn't help."""
        stamps, seen_s, tries = Stamps(), time.monotonic(), 0
        line: Line | None = self._line
        while not self._stopped.is_set():
            if line is not None:
                # Where a driver breaks off, the line is lost too.
                with contextlib.suppress(cv2.error, OSError):
                    for image, stated_s in line.pictures():
                        now_s = time.monotonic()
                        if image is not None and self._offer(image, stamps.time_s(now_s, stated_s)):
                            seen_s, tries = now_s, 0
                        if self._stopped.is_set() or time.monotonic() - seen_s > GIVE_UP_S:
                            break
                line.close()
            if time.monotonic() - seen_s > GIVE_UP_S:
                self._give_up()
                return
            if self._stopped.wait(PAUSES_S[min(tries, len(PAUSES_S) - 1)]):
                return
            tries += 1
            line = self._call_again()

    def _call_again(self) -> Line | None:
        self._lost = True
        try:
            return self._connect()
        except OSError:
            return None

    def _offer(self, image: NDArray[np.generic], time_s: float) -> bool:
        """Hand a picture over in place of one that still waits; tell whether its size was right."""
        size = (int(image.shape[1]), int(image.shape[0]))
        if self._size is None:
            self._size = size
        if size != self._size:
            self._other_size = size
            return False
        with self._news:
            self._came_back += self._lost and self._came > 0
            self._lost = False
            self._came += 1
            self._dropped += self._newest is not None
            self._newest = (time_s, as_colour(image))
            self._news.notify_all()
        return True

    def _give_up(self) -> None:
        words = f"it was lost and does not come back; {self._nobody}"
        if self._size is None:
            words = "it answers, but sends no pictures; check its settings, or give the address of its video"
        elif self._other_size is not None:
            words = (
                f"its pictures changed from {self._size[0]} × {self._size[1]} to {self._other_size[0]} × "
                f"{self._other_size[1]} pixels; set the camera back, or run aim again"
            )
        self._tell(words)

    def _tell(self, trouble: str) -> None:
        """Have whoever waits for frames raise this, once they have taken the last one."""
        with self._news:
            self._trouble = trouble
            self._news.notify_all()


class Stamps:
    """Times [s] of frames: by the camera's own clock while it runs beside ours, else by their arrival."""

    def __init__(self) -> None:
        self._start_s: float | None = None
        self._ahead_s: float | None = None
        self._believed = True

    def time_s(self, arrived_s: float, stated_s: float | None) -> float:
        """Time of a frame since the first one."""
        if self._start_s is None:
            self._start_s = arrived_s
        by_arrival_s = arrived_s - self._start_s
        if stated_s is None or not self._believed:
            return by_arrival_s
        if self._ahead_s is None:
            self._ahead_s = stated_s - by_arrival_s
        if abs(stated_s - self._ahead_s - by_arrival_s) > CLOCKS_APART_S:
            self._believed = False
            return by_arrival_s
        return stated_s - self._ahead_s


class OpenCvLine:
    """A camera by its number, or an address that OpenCV can read.

    Raises
    ------
    OSError
        Nothing answers.
    """

    def __init__(self, target: int | str) -> None:
        waits = [cv2.CAP_PROP_OPEN_TIMEOUT_MSEC, ANSWER_MS, cv2.CAP_PROP_READ_TIMEOUT_MSEC, ANSWER_MS]
        try:
            if isinstance(target, int):
                self._capture = cv2.VideoCapture(target)
                self._capture.set(cv2.CAP_PROP_BUFFERSIZE, 1)
            else:
                self._capture = cv2.VideoCapture(target, cv2.CAP_FFMPEG, waits)
        except cv2.error as trouble:
            raise ConnectionError(f"{target} is no camera's number") from trouble
        if not self._capture.isOpened():
            raise ConnectionError(f"nothing answers at {target}")

    def pictures(self) -> Iterator[tuple[NDArray[np.generic] | None, float | None]]:
        """Give pictures until the line is lost."""
        while self._capture.grab():
            stated_s = self._capture.get(cv2.CAP_PROP_POS_MSEC) / 1000.0
            good, image = self._capture.retrieve()
            yield image if good else None, stated_s if stated_s > 0.0 else None

    def close(self) -> None:
        """Let go of it."""
        self._capture.release()
