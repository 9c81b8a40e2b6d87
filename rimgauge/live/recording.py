"""A video of the projector view that plays as fast as things happened."""

from __future__ import annotations

import os
from pathlib import Path
from types import TracebackType
from typing import Self

import cv2

from rimgauge.errors import BadFile, BadInput
from rimgauge.live.ink import Image

CODECS = {".mp4": "mp4v", ".avi": "MJPG"}

LONGEST_HOLD_S = 2.0
"""A clock that jumps, or a camera that was gone for a while, doesn't fill the video with one picture."""


class Recording:
    """Write pictures to a video; the file takes its name when it is whole.

    Use it as a context: the video is finished on the way out, also when the person stops the program.
    """

    def __init__(self, path: Path, *, fps: float) -> None:
        if path.suffix.lower() not in CODECS:
            raise BadInput(f"{path}: a recording is an .mp4 or .avi file; give it a name that ends so")
        if path.is_dir():
            raise BadFile(path, "is a folder, not a file")
        if path.exists():
            raise BadFile(path, "is there already; take another name, or remove it first")
        if not path.parent.is_dir():
            raise BadFile(path, f"can't be written, for there is no folder {path.parent}; make it first")
        self._path, self._fps = path, fps
        self._part = path.with_name(f".{path.stem}.{os.getpid()}.part{path.suffix}")
        self._writer: cv2.VideoWriter | None = None
        self._started_s = 0.0
        self.frames = 0

    def __enter__(self) -> Self:
        """Start; the file itself is opened with the first picture, whose size it takes."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Finish the video and give it its name, or take it away where nothing could be written."""
        if self._writer is None:
            return
        self._writer.release()
        try:
            if not self._is_whole():
                raise BadFile(self._path, "the video could not be written; is the disk full?")
            os.replace(self._part, self._path)
        except OSError as trouble:
            raise BadFile(
                self._path, "the video could not be written; check the folder and the disk"
            ) from trouble
        finally:
            self._part.unlink(missing_ok=True)

    def add(self, picture: Image, time_s: float) -> None:
        """Add a picture as often as the time that has passed asks for.

        Raises
        ------
        BadFile
            The video can't be opened for writing.

        """
        if self._writer is None:
            self._open(picture)
            self._started_s = time_s
        due = round((time_s - self._started_s) * self._fps) + 1
        most = round(LONGEST_HOLD_S * self._fps)
        repeats = due - self.frames
        if not 0 <= repeats <= most:
            self._started_s = time_s - self.frames / self._fps
            repeats = 1
        for _ in range(repeats):
            self._writer.write(picture)  # type: ignore[union-attr] # opened above
            self.frames += 1

    def _is_whole(self) -> bool:
        """Tell whether all pictures can be read back: a full disk is no error to what writes them.

        One may be missing, since not every system's reader counts the last.
        """
        written = cv2.VideoCapture(str(self._part))
        try:
            return written.isOpened() and written.get(cv2.CAP_PROP_FRAME_COUNT) >= max(self.frames - 1, 1)
        finally:
            written.release()

    def _open(self, picture: Image) -> None:
        height, width = picture.shape[:2]
        code = cv2.VideoWriter.fourcc(*CODECS[self._path.suffix.lower()])
        self._writer = cv2.VideoWriter(str(self._part), code, self._fps, (width, height))
        if not self._writer.isOpened():
            self._writer = None
            self._part.unlink(missing_ok=True)
            raise BadFile(
                self._path, "the video can't be written; check the folder, or try a name that ends in .avi"
            )
