"""A short take of things at rest: a picture, a video or a folder of frames, as one picture with little noise."""

from __future__ import annotations

import itertools
from pathlib import Path

import cv2
import numpy as np

from rimgauge.capture.frame import Picture
from rimgauge.capture.sources import PICTURE_ENDINGS, open_source, read_picture
from rimgauge.capture.targets import check_size
from rimgauge.errors import BadInput, FrameTrouble
from rimgauge.records import Box, FloatArray, View

MOST_FRAMES, MOST_BYTES = 60, 200_000_000
MOST_CHANGE = 12.0
"""Grey levels by which a place may differ from the beginning of a take to its end, light that changes apart."""


def resting_picture(path: Path, view: View, what: str) -> Picture:
    """Mean (h, w, 3) of the first frames of a take, in which pointer and rim must not move; a picture as it is.

    Raises
    ------
    BadFile, FrameTrouble
        It can't be read.
    BadInput
        It is of another size than the view, or something moved at pointer or rim.
    """
    if not path.is_dir() and (path.suffix.lower() in PICTURE_ENDINGS or not path.exists()):
        picture = read_picture(path)
        check_size(picture, view, what)
        return picture
    with open_source(str(path)) as source:
        coming = (frame.image for frame in source)
        first = next(coming, None)
        if first is None:
            raise FrameTrouble(str(path), "there are no frames in it")
        check_size(first, view, f"{what} ({path})")
        room = max(MOST_BYTES // first.nbytes, 1)
        frames = [first, *itertools.islice(coming, min(MOST_FRAMES, room) - 1)]
    middle = max(len(frames) // 2, 1)
    early, late = (
        np.asarray(np.mean(part, axis=0, dtype=np.float64)) for part in (frames[:middle], frames[-middle:])
    )
    if any(_moved(early, late, box) for edge in view.edges for box in (edge.pointer_box, edge.rim_box)):
        raise BadInput(
            f"{what} ({path}): the pointer or the rim moved during this take; let wheel, pointer and camera rest, "
            "and take it again"
        )
    return np.asarray(np.clip((early + late) / 2.0 + 0.5, 0, 255), dtype=np.uint8)


def _moved(early: FloatArray, late: FloatArray, box: Box) -> bool:
    x, y, width, height = box
    change = (late - early)[y : y + height, x : x + width]
    smooth = cv2.GaussianBlur(change - np.median(change, axis=(0, 1)), (0, 0), 1.0)
    return bool(np.abs(smooth).max() > MOST_CHANGE)
