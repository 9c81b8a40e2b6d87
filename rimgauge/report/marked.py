"""What the camera saw, drawn on a copy of the frame: pointer tip, rim edge and the gap between them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.records import FloatArray

Image = NDArray[np.uint8]
Colour = tuple[int, int, int]

_TIP: Colour = (0, 200, 255)  # BGR: amber
_RIM: Colour = (255, 190, 60)  # light blue
_WHITE: Colour = (255, 255, 255)
_DARK: Colour = (32, 32, 32)
_FONT = cv2.FONT_HERSHEY_SIMPLEX
LEGEND_WIDE = 410.0
"""Pixels that the legend takes at its usual size."""


def overlay(
    image: Image,
    tip_px: FloatArray,
    rim_px: FloatArray,
    gap_mm: FloatArray,
    positive: FloatArray,
    *,
    label: str,
    legend_size: float = 1.0,
) -> Image:
    """Draw the gap as a dimension line on a copy of a frame, with a legend in words below.

    Parameters
    ----------
    image : (h, w, 3) or (h, w), the frame, blue-green-red or grey; left as it is.
    tip_px, rim_px : (s, 2) or (2,), pointer tip and rim edge of each side, x and y [px]; a side with NaN is left out.
    gap_mm : (s,), gap of each side [mm].
    positive : (2,), unit vector in the picture along which the gap is measured.
    label : a line for the legend, such as "Worst place, before: spoke 8".
    legend_size : how many times larger than usual the legend is, for a picture that is shown small.

    Returns
    -------
    (h + strip, w, 3) array
        The picture, higher by the legend's strip.

    """
    picture: Image = np.array(cv2.cvtColor(image, cv2.COLOR_GRAY2BGR) if image.ndim == 2 else image, np.uint8)
    unit = max(min(picture.shape[0], picture.shape[1]) / 360, 0.5)
    tips, rims = np.reshape(tip_px, (-1, 2)), np.reshape(rim_px, (-1, 2))
    for tip, rim, gap in zip(tips, rims, np.reshape(gap_mm, -1), strict=True):
        if np.isfinite([*tip, *rim, gap]).all():
            _draw_gap(picture, tip, rim, gap_mm=float(gap), along=np.asarray(positive, float), unit=unit)
    return np.vstack(
        [picture, _legend(picture.shape[1], min(legend_size * unit, picture.shape[1] / LEGEND_WIDE), label)]
    )


def _draw_gap(
    picture: Image, tip: FloatArray, rim: FloatArray, *, gap_mm: float, along: FloatArray, unit: float
) -> None:
    """Mark tip and rim edge, and set the dimension line aside so that the gap itself stays in sight."""
    across = np.array([-along[1], along[0]])
    height, width = picture.shape[:2]
    room = np.array([width, height]) / 2 - tip
    across = across if across @ room >= 0 else -across
    _line(picture, rim - 45 * unit * across, rim + 62 * unit * across, _RIM, unit)
    _dot(picture, tip, unit)
    _line(picture, tip + 9 * unit * across, tip + 62 * unit * across, _TIP, unit)
    _dimension(picture, tip + 50 * unit * across, rim + 50 * unit * across, unit)
    _tag(picture, (tip + rim) / 2 + 50 * unit * across, across, f"{gap_mm:.2f} mm", unit)


def _dimension(picture: Image, start: FloatArray, end: FloatArray, unit: float) -> None:
    """Draw the dimension line; arrows come from outside where the gap is too narrow to hold them."""
    length = float(np.hypot(*(end - start)))
    if length < 1e-6:
        return
    way, arrow = (end - start) / length, 20 * unit
    if length > 2.4 * arrow:
        _arrow(picture, (start + end) / 2, start, unit)
        _arrow(picture, (start + end) / 2, end, unit)
    else:
        _arrow(picture, start - 1.4 * arrow * way, start, unit)
        _arrow(picture, end + 1.4 * arrow * way, end, unit)


def _tag(picture: Image, anchor: FloatArray, across: FloatArray, text: str, unit: float) -> None:
    """Write the value in a dark box beyond the dimension line, kept inside the picture."""
    scale, thick = 0.85 * unit, max(1, round(2 * unit))
    (width, height), _ = cv2.getTextSize(text, _FONT, scale, thick)
    pad = 7 * unit
    half = np.array([width, height]) / 2 + pad
    centre = anchor + across * (float(np.abs(across) @ half) + 16 * unit)
    limit = np.array([picture.shape[1], picture.shape[0]])
    centre = np.clip(centre, half + 2, np.maximum(limit - half - 2, half + 2))
    low, high = _whole(centre - half), _whole(centre + half)
    cv2.rectangle(picture, low, high, _DARK, -1)
    cv2.rectangle(picture, low, high, _WHITE, max(1, round(unit)), cv2.LINE_AA)
    at = _whole(centre + np.array([-width / 2, height / 2]))
    cv2.putText(picture, text, at, _FONT, scale, _WHITE, thick, cv2.LINE_AA)


def _legend(width: int, unit: float, label: str) -> Image:
    """Draw a strip that says in words what the marks are."""
    scale, thick = 0.5 * unit, max(1, round(unit))
    rows = round(54 * unit)
    strip = np.full((rows, width, 3), 255, np.uint8)
    cv2.putText(
        strip, label, _whole((10 * unit, 21 * unit)), _FONT, scale, _DARK, thick + (unit > 0.8), cv2.LINE_AA
    )
    left, base = 18 * unit, 41 * unit
    middle = base - 5 * unit
    _dot(strip, np.array([left, middle]), 0.7 * unit)
    left = _write(strip, (left + 14 * unit, base), "pointer tip", unit) + 30 * unit
    _line(strip, np.array([left, base + 4 * unit]), np.array([left, base - 14 * unit]), _RIM, unit)
    left = _write(strip, (left + 10 * unit, base), "rim edge", unit) + 24 * unit
    for end in (left, left + 36 * unit):
        _arrow(strip, np.array([left + 18 * unit, middle]), np.array([end, middle]), unit)
    _write(strip, (left + 44 * unit, base), "gap between them", unit)
    return strip


def _write(picture: Image, at: tuple[float, float], text: str, unit: float) -> float:
    """Write dark text and return where it ends."""
    scale, thick = 0.5 * unit, max(1, round(unit))
    cv2.putText(picture, text, _whole(at), _FONT, scale, _DARK, thick, cv2.LINE_AA)
    return at[0] + cv2.getTextSize(text, _FONT, scale, thick)[0][0]


def _whole(point: FloatArray | tuple[float, float]) -> tuple[int, int]:
    return round(float(point[0])), round(float(point[1]))


def _line(picture: Image, start: FloatArray, end: FloatArray, colour: Colour, unit: float) -> None:
    """Draw a line with a dark rim, so that it shows on any ground."""
    for shade, width in ((_DARK, 4 * unit), (colour, 2 * unit)):
        cv2.line(picture, _whole(start), _whole(end), shade, max(1, round(width)), cv2.LINE_AA)


def _dot(picture: Image, centre: FloatArray, unit: float) -> None:
    """Draw a ring that leaves the place itself in sight."""
    for shade, width in ((_DARK, 4 * unit), (_TIP, 2 * unit)):
        cv2.circle(picture, _whole(centre), round(8 * unit), shade, max(1, round(width)), cv2.LINE_AA)


def _arrow(picture: Image, start: FloatArray, end: FloatArray, unit: float) -> None:
    tip = 9 * unit / max(float(np.hypot(*(end - start))), 1.0)
    for shade, width in ((_DARK, 4 * unit), (_WHITE, 1.8 * unit)):
        thick = max(1, round(width))
        cv2.arrowedLine(picture, _whole(start), _whole(end), shade, thick, cv2.LINE_AA, tipLength=tip)
