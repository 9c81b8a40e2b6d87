"""Printed numbered tags beside the spokes: which are in a picture, and where.

The tags are those of OpenCV's dictionary of 4 × 4 squares. A wheel turned by hand smears them along its path by
more than a square during an exposure, so that a smear of a few lengths is taken out until one can be read.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from rimgauge.capture.sources import Frame
from rimgauge.records import TAG_DICTIONARY, Box, FloatArray, TagSightings, View

SMEARS_PX = (0.0, 14.0, 24.0, 31.0, 39.0, 48.0)
"""Lengths that are taken out of a picture 640 pixels wide; one reads what is smeared by 4 px more or less."""
USUAL_WIDTH_PX = 640.0
NOISE = 0.02
"""Noise beside signal in the Wiener filter (Wiener 1949; from memory): larger reads less, smaller shows ghosts."""
BORDER_PX = 64
LEAST_SIGHTINGS, LEAST_NUMBERS = 4, 2
"""Of tags, from which a view is thought to have some: one now and then may be a chance likeness."""
LOOKED_AT = 40
MARGIN = 0.5
"""Room beside the tags' path, in tags."""

Corners = NDArray[np.float32]


class TagFinder:
    """Reads tags in one picture after another; remembers only which smear could be read last."""

    def __init__(self, box: Box, forward: FloatArray, image_width: int) -> None:
        self._box = box
        self._axis = 0 if abs(forward[1]) > abs(forward[0]) else 1
        self._smears = [length * image_width / USUAL_WIDTH_PX for length in SMEARS_PX]
        dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, TAG_DICTIONARY))
        self._detector = cv2.aruco.ArucoDetector(dictionary)

    def find(self, image: NDArray[np.uint8]) -> list[tuple[int, Corners]]:
        """Give number and corners (4, 2) [px] of every tag in the box that can be read; 0 is no spoke's number."""
        x, y, width, height = self._box
        grey = cv2.cvtColor(image[y : y + height, x : x + width], cv2.COLOR_BGR2GRAY)
        for smear in self._smears:
            clear = _without_smear(grey, smear, self._axis) if smear else grey
            corners, numbers, _ = self._detector.detectMarkers(clear)
            found = [] if numbers is None else zip(np.ravel(numbers), corners, strict=True)
            origin = np.array((x, y), dtype=np.float32)
            seen = [(int(number), np.asarray(corner[0] + origin)) for number, corner in found if number]
            if seen:
                self._smears.remove(smear)
                self._smears.insert(0, smear)
                return seen
        return []


def _without_smear(grey: NDArray[np.generic], length_px: float, axis: int) -> NDArray[np.uint8]:
    """Undo what an even motion of so many pixels did to a picture during its exposure: a Wiener filter."""
    count = grey.shape[axis]
    size = fft.next_fast_len(count + 2 * BORDER_PX, real=True)
    ends = [(0, 0), (0, 0)]
    ends[axis] = (BORDER_PX, size - count - BORDER_PX)
    spectrum = fft.rfft(np.pad(grey.astype(np.float32), ends, mode="edge"), axis=axis)
    smear = np.sinc(fft.rfftfreq(size) * length_px).astype(np.float32)
    undone = (1.0 + NOISE) * smear / (smear**2 + NOISE)
    clear = fft.irfft(spectrum * (undone[:, None] if axis == 0 else undone), size, axis=axis)
    inside = np.take(clear, np.arange(BORDER_PX, BORDER_PX + count), axis=axis)
    return np.asarray(np.clip(inside, 0.0, 255.0), dtype=np.uint8)


def along_px(corners: Corners, forward: FloatArray) -> float:
    """How far along `forward` a tag's middle lies from the picture's origin."""
    return float(corners.mean(axis=0) @ forward)


class TagLog:
    """Tags of a view in the frames of a pass, noted as the frames go by; nothing where the view has no tags."""

    def __init__(self, view: View) -> None:
        self._forward = view.forward
        box = view.tag_box
        self._finder = None if box is None else TagFinder(box, view.forward, view.image_size[0])
        self._rows: list[tuple[int, int, float]] = []
        self._frames = 0

    def note(self, frame: Frame) -> None:
        """Look for tags in the next frame."""
        if self._finder is not None:
            for number, corners in self._finder.find(frame.image):
                self._rows.append((self._frames, number, along_px(corners, self._forward)))
        self._frames += 1

    def sightings(self) -> TagSightings | None:
        """All that was seen; None where it wasn't looked for."""
        if self._finder is None:
            return None
        frame, number, along_px = zip(*self._rows, strict=True) if self._rows else ((), (), ())
        return TagSightings(frame=np.array(frame), number=np.array(number), along_px=np.array(along_px))


def find_tag_box(frames: Sequence[Frame], forward: FloatArray) -> tuple[Box, tuple[int, ...]] | None:
    """Find the path of tags through the picture from border to border, and their numbers; None where there are none."""
    height, width = frames[0].image.shape[:2]
    finder = TagFinder((0, 0, width, height), forward, width)
    seen: list[tuple[int, Corners]] = []
    for frame in frames[:: max(1, len(frames) // LOOKED_AT)]:
        seen += finder.find(frame.image)
    numbers = tuple(sorted({number for number, _ in seen}))
    if len(seen) < LEAST_SIGHTINGS or len(numbers) < LEAST_NUMBERS:
        return None
    return _path([corners for _, corners in seen], forward, width, height), numbers


def _path(seen: Iterable[Corners], forward: FloatArray, width: int, height: int) -> Box:
    across = 0 if abs(forward[1]) > abs(forward[0]) else 1
    ends = np.array([(corners[:, across].min(), corners[:, across].max()) for corners in seen])
    low, high = np.percentile(ends[:, 0], 5.0), np.percentile(ends[:, 1], 95.0)
    room = MARGIN * float(np.median(ends[:, 1] - ends[:, 0]))
    first = max(0, int(low - room))
    last = min((width, height)[across], int(high + room) + 1)
    return (first, 0, last - first, height) if across == 0 else (0, first, width, last - first)
