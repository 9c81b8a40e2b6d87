"""The projector picture: the gap large, the spoke at the pointer, the live curve and what the camera sees."""

from __future__ import annotations

import math

import cv2
import numpy as np

from rimgauge.live.ink import DARK, LIGHT, Image, Ink, size_of, write
from rimgauge.live.plot import draw_curve
from rimgauge.live.trail import Trail, covered, spread_mm
from rimgauge.records import Box, FloatArray, Moment, Side

KEYS = "q  quit      space  freeze      f  full screen      d  dark or light"
FROZEN = "FROZEN      space  go on      q  quit      f  full screen      d  dark or light"


def draw_projector(
    moment: Moment,
    trail: Trail,
    *,
    spoke_angles_deg: FloatArray,
    sides: tuple[Side, ...] = ("right",),
    picture: Image | None = None,
    size: tuple[int, int] = (1280, 720),
    dark: bool = True,
    note: str = KEYS,
) -> Image:
    """Draw one frame of the projector view.

    Parameters
    ----------
    moment : Moment
        The frame and what it says.
    trail : Trail
        What was seen at each place of the wheel so far.
    spoke_angles_deg : (n,) array
        Angles of the spokes from the mark [degrees].
    sides : tuple of Side
        The side of each of the moment's gaps.
    picture : (h, w, 3) array or None
        The camera picture with its marks; the bare frame where None.
    size : (int, int)
        Width and height of the result [px].
    dark : bool
        Light letters on dark, or dark on light.
    note : str
        The line at the foot, by default the keys.

    Returns
    -------
    (h, w, 3) array
        Blue-green-red.

    """
    width, height = size
    ink, unit = DARK if dark else LIGHT, height / 720
    canvas: Image = np.full((height, width, 3), ink.ground, np.uint8)
    margin, half = round(36 * unit), round(0.6 * width)
    inset: Box = (half, margin, width - half - margin, round(356 * unit))
    _draw_inset(canvas, moment.image if picture is None else picture, inset)
    room = half - 2 * margin
    _draw_gaps(canvas, moment, sides, left=margin, room=room, ink=ink)
    _draw_place(canvas, moment, left=margin, room=room, ink=ink)
    curve: Box = (
        margin + round(50 * unit),
        round(462 * unit),
        width - 2 * margin - round(50 * unit),
        round(170 * unit),
    )
    draw_curve(canvas, curve, trail, spoke_angles_deg=spoke_angles_deg, angle_deg=moment.angle_deg, ink=ink)
    _draw_words(canvas, trail, curve, ink=ink)
    write(canvas, note, (margin, height - 14 * unit), height=15 * unit, colour=ink.quiet)
    return canvas


def _draw_inset(canvas: Image, picture: Image, box: Box) -> None:
    """Fit the camera picture into its box, at the upper right corner of it."""
    x, y, width, height = box
    ratio = min(width / picture.shape[1], height / picture.shape[0])
    shape = (max(1, round(picture.shape[1] * ratio)), max(1, round(picture.shape[0] * ratio)))
    small = cv2.resize(picture, shape, interpolation=cv2.INTER_AREA if ratio < 1 else cv2.INTER_LINEAR)
    left = x + width - shape[0]
    canvas[y : y + shape[1], left : left + shape[0]] = small


def _draw_gaps(
    canvas: Image, moment: Moment, sides: tuple[Side, ...], *, left: int, room: int, ink: Ink
) -> None:
    """Write each side's gap as large as there is room for."""
    unit = canvas.shape[0] / 720
    count = len(moment.gap_mm)
    for row, (gap_mm, side) in enumerate(zip(moment.gap_mm, sides, strict=True)):
        seen = math.isfinite(float(gap_mm))
        top = (36 + row * 116) * unit
        tall = (128 if count == 1 else 56) * unit
        title = f"Gap, {side} side" if side != "outer" else "Gap"
        write(canvas, title, (left, top + 24 * unit), height=22 * unit, colour=ink.quiet)
        text = f"{gap_mm:.2f} mm" if seen else "not seen"
        tall *= min(1.0, room / size_of(text, tall, bold=True)[0])
        at = (left, top + 24 * unit + (26 if count == 1 else 16) * unit + tall)
        write(canvas, text, at, height=tall, colour=ink.words, bold=True)


def _draw_place(canvas: Image, moment: Moment, *, left: int, room: int, ink: Ink) -> None:
    """Say which spoke is at the pointer, or what to do until that is known."""
    unit = canvas.shape[0] / 720
    base = 372 * unit
    if moment.spoke is None:
        text, colour = "Turn the wheel until its mark has passed", ink.words
        tall = 30 * unit * min(1.0, room / size_of(text, 30 * unit)[0])
        write(canvas, text, (left, base), height=tall, colour=colour)
        return
    number, tall = f"Spoke {moment.spoke}", 66 * unit
    write(canvas, number, (left, base), height=tall, colour=ink.here, bold=True)
    after = left + size_of(number, tall, bold=True)[0] + 24 * unit
    write(canvas, "at the pointer", (after, base), height=24 * unit, colour=ink.quiet)


def _draw_words(canvas: Image, trail: Trail, curve: Box, *, ink: Ink) -> None:
    """Name the curve's axes, and say how much of the wheel was seen or how far it strays."""
    unit = canvas.shape[0] / 720
    x, y, width, _ = curve
    base = y - 18 * unit
    write(canvas, "Gap in mm at each spoke", (x - 50 * unit, base), height=18 * unit, colour=ink.quiet)
    spread = spread_mm(trail)
    if math.isfinite(spread):
        text = f"largest - smallest: {spread:.2f} mm"
    else:
        text = f"{covered(trail):.0%} of the wheel seen"
    write(canvas, text, (x + width, base), height=24 * unit, colour=ink.words, align=1)
