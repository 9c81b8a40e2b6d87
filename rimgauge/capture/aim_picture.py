"""The picture that shows a person what was found: pointer tip, rim edge, mark's path and spokes, in words."""

from __future__ import annotations

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
    if view.spoke_box is not None:
        _framed(picture, view.spoke_box, zoom, words="spokes pass here", colour=_SPOKES)
    if view.tag_box is not None:
        _framed(picture, view.tag_box, zoom, words="numbered tags pass here", colour=_MARK)
    elif view.mark_box is not None:
        _framed(picture, view.mark_box, zoom, words="place of the mark", colour=_MARK)
    tip, rim = (np.array(point) * zoom + (zoom - 1) / 2 for point in (found.tip_px, found.rim_px))
    along = view.forward * 120 * unit
    _line(picture, rim - along, rim + along, _RIM, unit)
    for shade, width in ((_DARK, 6.0), (_TIP, 3.0)):
        cv2.circle(picture, _whole(tip), round(12 * unit), shade, max(1, round(width * unit)), cv2.LINE_AA)
    _arrow(picture, rim + along * 0.15 + _inward(found) * 30 * unit, along * 0.8, unit)
    away = -_inward(found)
    _tag(picture, tip + away * 40 * unit + view.forward * -46 * unit, "pointer tip", _TIP, away)
    _tag(picture, rim - along * 1.15 + away * 14 * unit, "rim edge", _RIM, away)
    return np.vstack([picture, _legend(picture.shape[1], unit, found)])


def zoom_of(image: Image) -> int:
    """Return how many times the picture is larger than the camera's image."""
    return max(1, -(-LEAST_WIDTH_PX // int(image.shape[1])))


def _inward(found: Aim) -> FloatArray:
    return found.view.positive if found.view.edges[0].side == "left" else -found.view.positive


def _framed(picture: Image, box: Box, zoom: int, *, words: str, colour: Colour) -> None:
    unit = picture.shape[1] / LEAST_WIDTH_PX
    x, y, width, height = (zoom * value for value in box)
    for shade, thick in ((_DARK, 5.0), (colour, 2.0)):
        cv2.rectangle(picture, (x, y), (x + width - 1, y + height - 1), shade, max(1, round(thick * unit)))
    _tag(picture, np.array([x + width / 2, y + 20 * unit]), words, colour, np.zeros(2))


def _tag(picture: Image, at: FloatArray, words: str, colour: Colour, away: FloatArray) -> None:
    """Write words in a dark box that starts at a place and lies `away` from it, kept inside the picture."""
    unit = picture.shape[1] / LEAST_WIDTH_PX
    scale, thick = 0.8 * unit, max(1, round(2 * unit))
    (width, height), _ = cv2.getTextSize(words, _FONT, scale, thick)
    half = np.array([width, height]) / 2 + 8 * unit
    limit = np.array([picture.shape[1], picture.shape[0]])
    centre = np.clip(at + away * half, half + 2, np.maximum(limit - half - 2, half + 2))
    cv2.rectangle(picture, _whole(centre - half), _whole(centre + half), _DARK, -1)
    corner = _whole(centre + np.array([-width / 2, height / 2]))
    cv2.putText(picture, words, corner, _FONT, scale, colour, thick, cv2.LINE_AA)


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
    lines = [
        "Check: the ring sits on the pointer's tip, the line on the rim's edge beside it,",
        "and the white arrow points the way the rim runs when the wheel rolls forward"
        + ("." if side == "outer" else f": the {side} side of the wheel."),
        *(note.replace("--mark-at x,y", "--mark-at") for note in found.notes),
    ]
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
