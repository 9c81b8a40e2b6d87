"""One picture with its time, and where such come from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """One picture (h, w, 3) BGR with its number and its time [s]."""

    index: int
    time_s: float
    image: Picture


class FrameSource(Protocol):
    """Anything that gives frames in the order of time, once."""

    kind: str
    name: str
    every: int
    """Of how many frames one is read."""

    def __iter__(self) -> Iterator[Frame]:
        """Give frames until there are no more, or it is stopped."""

    def __enter__(self) -> Self:
        """Open."""

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let go of the camera or file."""

    def stop(self) -> None:
        """Let the frames end soon; may be called from another thread."""

    def sha256(self) -> str:
        """Fingerprint of the files read, '' where there are none."""

    def files(self) -> list[Path]:
        """Files that the frames and their times are read from, none of a live source."""

    def notes(self) -> tuple[str, ...]:
        """What a record should say of how the frames came: pictures missing, a line that was lost."""


class Closing:
    """What sources without a handle to close have in common."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""

    def stop(self) -> None:
        """Let the frames end soon."""
        self._stopped = True

    def notes(self) -> tuple[str, ...]:
        """Say where it was stopped while more was to come."""
        if not self._cut_short:
            return ()
        return ("It was stopped before the last frame: what comes after it was not measured.",)

    every = 1
    _stopped = _cut_short = False


def as_colour(image: NDArray[np.generic]) -> Picture:
    """Picture (h, w, 3) BGR of a grey or colour one."""
    picture = np.asarray(image, dtype=np.uint8)
    return (
        picture
        if picture.ndim == 3
        else cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR).astype(np.uint8, copy=False)
    )
