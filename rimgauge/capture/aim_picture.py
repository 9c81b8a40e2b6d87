"""The picture that shows a person what was found: pointer tip, rim edge, mark's path and spokes, in words."""

from __future__ import annotations

import textwrap

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.aim_trial import Aim
from rimgauge.records import Box, FloatArray

Image = NDArray[np.uint8]
Colour = tuple[int, int, int]

LEAST_WIDTH_PX = 1280
_TIP: Colour = (0, 200, 255)
_RIM: Colour = (255, 190, 60)
_MARK: Colour = (90, 240, 120)
_SPOKES: Colour = (255, 160, 255)
_WHITE: Colour = (255, 255, 255)
_DARK: Colour = (32, 32, 32)
_FONT = cv2.FONT_HERSHEY_SIMPLEX


def draw_aim(found: Aim) -> Image:
    """Draw what was found on an enlarged copy of a frame, with a legend in words below.

    Small pictures are enlarged to 1280 pixels across, so that the words stay legible.
    """
    view = found.view
    zoom = zoom_of(found.image)
    picture: Image = cv2.resize(found.image, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_LINEAR).astype(
        np.uint8
    )
    unit = picture.shape[1] / LEAST_WIDTH_PX
    tip, rim = (np.array(point) * zoom + (zoom - 1) / 2 for point in (found.tip_px, found.rim_px))
    along, away = view.forward * 120 * unit, -_inward(found)
    shown = _Labels(picture, unit)
    for end in np.linspace(-1.0, 1.0, 9):
        shown.keep_clear(rim + along * end, 4 * unit)
    shown.keep_clear(tip, 20 * unit)
    arrow = rim + along * 0.15 - away * 30 * unit
    for end in np.linspace(0.0, 0.8, 5):
        shown.keep_clear(arrow + along * end, 14 * unit)
    passing = [(view.spoke_box, "spokes pass here", _SPOKES)]
    if view.tag_box is not None:
        passing.append((view.tag_box, "numbered tags pass here", _MARK))
    else:
        passing.append((view.mark_box, "place of the mark", _MARK))
    frames = [(box, words, colour) for box, words, colour in passing if box is not None]
    for box, _, colour in frames:
        _framed(picture, box, zoom, colour)
    _line(picture, rim - along, rim + along, _RIM, unit)
    for shade, width in ((_DARK, 5.0), (_TIP, 2.5)):
        cv2.circle(picture, _whole(tip), round(14 * unit), shade, max(1, round(width * unit)), cv2.LINE_AA)
    _arrow(picture, arrow, along * 0.8, unit)
    places = [arrow + along * end - away * 70 * unit for end in (0.4, 1.0, -0.2, 1.6)]
    shown.write("rolls forward this way", _WHITE, places)
    for box, words, colour in frames:
        shown.write(words, colour, _beside(box, zoom, unit))
    for (x, y, width, height), _, _ in frames:
        shown.keep_clear(
            zoom * np.array([x + width / 2, y + height / 2]), zoom * np.array([width, height]) / 2
        )
    shown.write("rim edge", _RIM, [rim + along * end + away * 60 * unit for end in (-1.15, 1.15, -1.6, 1.6)])
    shown.write(
        "pointer tip", _TIP, [tip + away * 100 * unit + along * end for end in (0.0, -0.4, 0.4, -0.8, 0.8)]
    )
    return np.vstack([picture, _legend(picture.shape[1], unit, found)])


def _beside(box: Box, zoom: int, unit: float) -> list[FloatArray]:
    """Places for a frame's name: in its upper and lower end, above it, below it, and in its middle."""
    x, y, width, height = (zoom * value for value in box)
    room = 22 * unit
    rows = (y + room, y + height - room, y - room, y + height + room, y + height / 2)
    return [np.array([x + width / 2, row]) for row in rows]


class _Labels:
    """Words in dark boxes that hide neither one another nor what they name."""

    def __init__(self, picture: Image, unit: float) -> None:
        self._picture, self._unit = picture, unit
        self._taken: list[tuple[FloatArray, FloatArray]] = []

    def keep_clear(self, centre: FloatArray, half: FloatArray | float) -> None:
        """Write nothing within half of a place [px], across and down."""
        self._taken.append((centre, np.ones(2) * half))

    def write(self, words: str, colour: Colour, centres: list[FloatArray]) -> None:
        """Write words round the first of the places that is free, else round the freest, within the picture."""
        scale, thick = 0.8 * self._unit, max(1, round(2 * self._unit))
        (width, height), _ = cv2.getTextSize(words, _FONT, scale, thick)
        half = np.array([width, height]) / 2 + 8 * self._unit
        limit = np.array([self._picture.shape[1], self._picture.shape[0]])
        inside = [np.clip(at, half + 2, np.maximum(limit - half - 2, half + 2)) for at in centres]
        centre = min(inside, key=lambda at: self._hidden(at, half))
        self._taken.append((centre, half))
        cv2.rectangle(self._picture, _whole(centre - half), _whole(centre + half), _DARK, -1)
        corner = _whole(centre + np.array([-width / 2, height / 2]))
        cv2.putText(self._picture, words, corner, _FONT, scale, colour, thick, cv2.LINE_AA)

    def _hidden(self, centre: FloatArray, half: FloatArray) -> float:
        """Area [px²] of what a label there would hide."""
        overlaps = [
            np.maximum(half + other_half - np.abs(centre - other), 0.0) for other, other_half in self._taken
        ]
        return float(sum(np.prod(overlap) for overlap in overlaps))


def zoom_of(image: Image) -> int:
    """Return how many times the picture is larger than the camera's image."""
    return max(1, -(-LEAST_WIDTH_PX // int(image.shape[1])))


def _inward(found: Aim) -> FloatArray:
    return found.view.positive if found.view.edges[0].side == "left" else -found.view.positive


def _framed(picture: Image, box: Box, zoom: int, colour: Colour) -> None:
    unit = picture.shape[1] / LEAST_WIDTH_PX
    x, y, width, height = (zoom * value for value in box)
    for shade, thick in ((_DARK, 5.0), (colour, 2.0)):
        cv2.rectangle(picture, (x, y), (x + width - 1, y + height - 1), shade, max(1, round(thick * unit)))


def _arrow(picture: Image, start: FloatArray, way: FloatArray, unit: float) -> None:
    for shade, thick in ((_DARK, 9.0), (_WHITE, 4.0)):
        cv2.arrowedLine(
            picture,
            _whole(start),
            _whole(start + way),
            shade,
            max(1, round(thick * unit)),
            cv2.LINE_AA,
            tipLength=0.3,
        )


def _legend(width: int, unit: float, found: Aim) -> Image:
    side = found.view.edges[0].side
    forward = "The white arrow must point the way the rim runs when the wheel rolls forward"
    lines = [
        "Check: the ring must sit on the pointer's tip, and the line on the rim's edge beside it.",
        f"{forward}." if side == "outer" else f"{forward}; then the pointer is on the wheel's {side} side.",
        "If it points the other way, every spoke is numbered backward: aim again and turn the wheel forward.",
        *(note.replace("--mark-at X,Y", "--mark-at") for note in (*found.notes, *found.edge_notes)),
    ]
    letter = cv2.getTextSize("n" * 50, _FONT, 0.72 * unit, max(1, round(1.6 * unit)))[0][0] / 50
    lines = [part for line in lines for part in textwrap.wrap(line, int((width - 28 * unit) / letter))]
    strip = np.full((round((16 + 32 * len(lines)) * unit), width, 3), 255, np.uint8)
    for row, line in enumerate(lines):
        place = _whole(np.array([14 * unit, (32 + 32 * row) * unit]))
        cv2.putText(strip, line, place, _FONT, 0.72 * unit, _DARK, max(1, round(1.6 * unit)), cv2.LINE_AA)
    return strip


def _whole(point: FloatArray) -> tuple[int, int]:
    return round(float(point[0])), round(float(point[1]))


def _line(picture: Image, start: FloatArray, end: FloatArray, colour: Colour, unit: float) -> None:
    for shade, width in ((_DARK, 6.0), (colour, 3.0)):
        cv2.line(picture, _whole(start), _whole(end), shade, max(1, round(width * unit)), cv2.LINE_AA)
