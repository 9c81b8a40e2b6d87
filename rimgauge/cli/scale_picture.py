"""The picture that `rimgauge scale` looks at: a file, or one taken just now by the camera itself."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rimgauge.cli.common import folded, picture_at

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

SETTLE_S = 3.0
"""So long a camera is given to find brightness and focus, and a hand to be still."""


@dataclass(frozen=True, eq=False)
class Still:
    """A picture (h, w, 3), BGR, what messages call it, and its file; None where a camera took it just now."""

    name: str
    image: NDArray[np.uint8]
    file: Path | None

    def jpeg(self) -> bytes:
        """Encode it, to be kept."""
        import cv2

        _, data = cv2.imencode(".jpg", self.image, [cv2.IMWRITE_JPEG_QUALITY, 95])
        return data.tobytes()


def still(named: str) -> Still:
    """Read a picture's file, or take one with a camera, by its number, or a phone's stream, by its address.

    Raises
    ------
    BadFile
        It can't be read.
    FrameTrouble
        No camera or stream answers, or it is lost.

    """
    return _taken(named) if is_live(named) else Still(named, picture_at(Path(named)), Path(named))


def is_live(named: str) -> bool:
    """Whether a camera's number or a stream's address was named, and no file."""
    return not Path(named).exists() and (named.isdecimal() or "://" in named)


def _taken(named: str) -> Still:
    """Take a picture once the camera has settled."""
    from rimgauge.capture import open_source

    with open_source(named) as frames:
        seconds = f"{SETTLE_S:g} seconds"
        click.echo(folded(f"Hold it still: the picture is taken in {seconds}."), err=True)
        first_s, image = None, None
        for frame in frames:
            first_s = frame.time_s if first_s is None else first_s
            image = frame.image
            if frame.time_s - first_s >= SETTLE_S:
                break
        assert image is not None
        return Still(f"{frames.kind} {frames.name}", image, None)
