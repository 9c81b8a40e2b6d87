"""A film: a video file, read frame by frame, and a frame of it a second time."""

from __future__ import annotations

import hashlib
import itertools
import math
import os
from collections.abc import Iterator
from pathlib import Path

import cv2

from rimgauge.capture.frame import Closing, Frame, Picture, as_colour
from rimgauge.capture.slow_motion import MOST_PER_S, TELLING_FRAMES, every_of, frames_per_s, thinned_note
from rimgauge.errors import FrameTrouble

MORE_DECODERS = 1
"""So many threads more than the processor has cores decode a film: while one hands its picture on, the cores are at work."""
SAME_TIME_S = 1e-4
LEAST_OF_STATED = 0.9
"""A file's number of frames is often reckoned from its length, and right to a few in a hundred (from memory)."""


class VideoSource(Closing):
    """A video file."""

    kind = "video"

    def __init__(self, path: Path, fps: float) -> None:
        self.name, self.path, self.fps = str(path), path, fps
        self._read = 0
        self.capture = _film(self.name)
        if not self.capture.isOpened():
            raise FrameTrouble(
                path, "this file can't be read as a video; convert it to MP4 or give a folder of pictures"
            )
        self._first_s = self._first_times_s()
        self.every = every_of(self._first_s)

    def __iter__(self) -> Iterator[Frame]:
        read = 0
        for time_s in self._grabbed(self.capture):
            if read % self.every == 0:
                good, image = self.capture.retrieve()
                if not good:
                    break
                yield Frame(read // self.every, time_s, as_colour(image))
            read += 1
        if read == 0:
            why = (
                "it was stopped before its first frame"
                if self._cut_short
                else "not one frame could be read from it"
            )
            raise FrameTrouble(self.name, why)
        self._read = read

    def _grabbed(self, capture: cv2.VideoCapture) -> Iterator[float]:
        """Step from frame to frame, and give the time [s] of each."""
        stated_fps = capture.get(cv2.CAP_PROP_FPS)
        fps = stated_fps if 1.0 <= stated_fps <= 1000.0 else self.fps
        last_s = -math.inf
        while capture.grab():
            if self._stopped:
                self._cut_short = True
                return
            # Containers with a variable frame rate state each frame's time; some state only zeros.
            time_s = capture.get(cv2.CAP_PROP_POS_MSEC) / 1000.0
            if time_s <= last_s:
                time_s = max(last_s, 0.0) + 1.0 / fps
            last_s = time_s
            yield time_s

    def _first_times_s(self) -> list[float]:
        """Times [s] of the first frames where the file tells of slow motion; where rates change it may do so of ordinary ones."""
        if self.capture.get(cv2.CAP_PROP_FPS) <= MOST_PER_S:
            return []
        capture = _film(self.name)
        times_s = list(itertools.islice(self._grabbed(capture), TELLING_FRAMES))
        capture.release()
        return times_s

    def notes(self) -> tuple[str, ...]:
        """Say where not every frame was read, and where far fewer came than the file tells of, which not every kind of file does exactly."""
        thinned = (*thinned_note(self.every, frames_per_s(self._first_s)), *super().notes())
        stated = int(self.capture.get(cv2.CAP_PROP_FRAME_COUNT))
        if self._cut_short or self._read >= LEAST_OF_STATED * stated:
            return thinned
        return (
            *thinned,
            f"The film's file tells of {stated} frames, and {self._read} could be read: it was cut off or is damaged, and "
            "what is missing was not measured.",
        )

    def picture_at(self, index: int, time_s: float) -> Picture | None:
        """Read the picture (h, w, 3) BGR of a frame, by its number among those read and the time it had; None where it isn't there.

        Films are entered at some frames only, and not every one at the frame asked for: its time tells. Where that is
        another, all frames before are passed by.
        """
        number = index * self.every
        self.capture.set(cv2.CAP_PROP_POS_FRAMES, number)
        good, image = self.capture.read()
        if not good or abs(self.capture.get(cv2.CAP_PROP_POS_MSEC) / 1000.0 - time_s) > SAME_TIME_S:
            self.capture = _film(self.name)
            if not all(self.capture.grab() for _ in range(number)):
                return None
            good, image = self.capture.read()
        return as_colour(image) if good else None

    def sha256(self) -> str:
        """Fingerprint of the video file."""
        with self.path.open("rb") as handle:
            return hashlib.file_digest(handle, "sha256").hexdigest()

    def files(self) -> list[Path]:
        """The video file."""
        return [self.path]

    def close(self) -> None:
        """Let go of the file."""
        self.capture.release()


def _film(name: str) -> cv2.VideoCapture:
    """Open a film, by the backend that can be told how many threads are to decode it where that one can read it."""
    decoders = (os.cpu_count() or 1) + MORE_DECODERS
    capture = cv2.VideoCapture(name, cv2.CAP_FFMPEG, [cv2.CAP_PROP_N_THREADS, decoders])
    return capture if capture.isOpened() else cv2.VideoCapture(name)
