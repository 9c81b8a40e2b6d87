"""The projector picture: the gap large, the spoke at the pointer, the live curve and what the camera sees."""

from __future__ import annotations

import functools
import math

import cv2
import numpy as np

from rimgauge.live.bench import Showing, change_words
from rimgauge.live.ink import DARK, LIGHT, Colour, Image, Ink, size_of, write
from rimgauge.live.plot import draw_curve, draw_shape
from rimgauge.live.trail import Trail, covered, extremes_deg, spread_mm, unseen_deg
from rimgauge.records import Box, FloatArray, Moment, Side, nearest_spoke, turn_words

LEAST_SHIFT_MM = 0.005
"""Half of the last digit that is written."""


def draw_projector(
    showing: Showing,
    *,
    spoke_angles_deg: FloatArray,
    sides: tuple[Side, ...] = ("right",),
    picture: Image | None = None,
    size: tuple[int, int] = (1280, 720),
    unplaced: str = "Turn the wheel slowly, once round past its mark",
) -> Image:
    """Draw one frame of the projector view.

    Parameters
    ----------
    showing : the frame, what was seen so far, the work at hand and what the person has set.
    spoke_angles_deg : (n,), angles of the spokes from the mark [degrees].
    sides : the side of each of the moment's gaps.
    picture : (h, w, 3), the camera picture with its marks; the bare frame where None.
    size : width and height of the result [px].
    unplaced : what to say while it isn't known which spoke is at the pointer.

    Returns
    -------
    (h, w, 3) array
        Blue-green-red.

    """
    width, height = size
    ink, unit = DARK if showing.controls.dark else LIGHT, height / 720
    canvas = _ground(size, ink.ground).copy()
    margin, half = round(36 * unit), round(0.6 * width)
    inset: Box = (half, margin, width - half - margin, round(356 * unit))
    _draw_corner(canvas, inset, showing, picture, spoke_angles_deg, sides[0], ink)
    room = half - 2 * margin
    _draw_gaps(canvas, showing.moment, sides, left=margin, room=room, ink=ink)
    if len(sides) == 1:
        _draw_work(canvas, showing, spoke_angles_deg, left=margin, room=room, ink=ink)
    _draw_place(canvas, showing, unplaced, left=margin, room=room, ink=ink)
    _draw_round(canvas, showing, spoke_angles_deg, left=margin, room=width - 2 * margin, ink=ink)
    _draw_foot(canvas, showing, left=margin, room=width - 2 * margin, ink=ink)
    return canvas


def _draw_corner(
    canvas: Image,
    inset: Box,
    showing: Showing,
    picture: Image | None,
    spoke_angles_deg: FloatArray,
    side: Side,
    ink: Ink,
) -> None:
    """Draw into the corner what the person wants there: the keys, the wheel's shape, or what the camera sees."""
    if showing.controls.keys:
        _draw_keys(canvas, inset, showing.keys, ink=ink)
    elif showing.controls.shape:
        draw_shape(
            canvas,
            inset,
            showing.trail,
            spoke_angles_deg=spoke_angles_deg,
            angle_deg=showing.moment.angle_deg,
            side=side,
            ink=ink,
        )
    else:
        _draw_inset(canvas, showing.moment.image if picture is None else picture, inset)


def draw_preparing(words: str, why: str, size: tuple[int, int], *, dark: bool) -> Image:
    """Say in large letters what is being prepared, and why it takes a while; size [px]."""
    (width, height), ink = size, DARK if dark else LIGHT
    canvas, unit = _ground(size, ink.ground).copy(), height / 720
    write(canvas, words, (width / 2, height / 2), height=50 * unit, colour=ink.words, bold=True, align=0.5)
    write(canvas, why, (width / 2, height / 2 + 70 * unit), height=24 * unit, colour=ink.quiet, align=0.5)
    return canvas


def _draw_round(
    canvas: Image, showing: Showing, spoke_angles_deg: FloatArray, *, left: int, room: int, ink: Ink
) -> None:
    """Draw the gap round the wheel, now and before, and say what it shows."""
    unit = canvas.shape[0] / 720
    labels = round(50 * unit)
    curve: Box = (left + labels, round(454 * unit), room - labels, round(170 * unit))
    before_mm = showing.bench.before_mm if showing.controls.before else None
    if before_mm is not None:
        before_mm = before_mm + showing.shift_mm
    draw_curve(
        canvas,
        curve,
        showing.trail,
        spoke_angles_deg=spoke_angles_deg,
        angle_deg=showing.moment.angle_deg,
        ink=ink,
        before_mm=before_mm,
    )
    shown = abs(showing.shift_mm) >= LEAST_SHIFT_MM
    shifted = f", moved {showing.shift_mm:+.2f} to the same mean" if shown else ""
    legend = "Gap in mm at each spoke" if before_mm is None else f"Gap in mm (dashes: before{shifted})"
    _draw_words(canvas, showing.trail, curve, legend=legend, spoke_angles_deg=spoke_angles_deg, ink=ink)


@functools.lru_cache(maxsize=4)
def _ground(size: tuple[int, int], colour: Colour) -> Image:
    """Empty picture; copying one is ten times quicker than filling it anew."""
    return np.full((size[1], size[0], 3), colour, np.uint8)


def _draw_foot(canvas: Image, showing: Showing, *, left: int, room: int, ink: Ink) -> None:
    """Write the lesson's sentence where there is one, how things stand in large letters, and the keys."""
    height = canvas.shape[0]
    unit = height / 720
    tall = 28.0 * unit
    if showing.words:
        tall = 17.0 * unit
        fitting = 22.0 * unit * min(1.0, room / size_of(showing.words, 22.0 * unit)[0])
        write(canvas, showing.words, (left, height - 36 * unit), height=fitting, colour=ink.here)
    base, pad = (
        height - (6.0 * unit if showing.words else 15.0 * unit),
        (0.3 if showing.words else 0.45) * tall,
    )
    if showing.foot.state:
        tall *= min(1.0, 0.9 * room / size_of(showing.foot.state, tall, bold=True)[0])
        wide = size_of(showing.foot.state, tall, bold=True)[0]
        corners = (left, round(base - tall - pad)), (round(left + wide + 2 * pad), round(base + pad))
        cv2.rectangle(canvas, *corners, ink.here, -1)
        at = (left + pad, base)
        write(canvas, showing.foot.state, at, height=tall, colour=ink.ground, bold=True)
        left = round(left + wide + 2 * pad + 24 * unit)
        room = canvas.shape[1] - left - round(36 * unit)
    most = (17.0 if showing.words else 20.0) * unit
    size = most * min(1.0, room / max(size_of(showing.foot.keys, most)[0], 1))
    write(canvas, showing.foot.keys, (left, base), height=size, colour=ink.quiet)


def _draw_keys(canvas: Image, box: Box, keys: tuple[tuple[str, str], ...], *, ink: Ink) -> None:
    """List the keys in place of the camera's picture."""
    unit = canvas.shape[0] / 720
    x, y, width, height = box
    tall, every = 18 * unit, height / len(keys)
    for row, (key, does) in enumerate(keys):
        base = y + (row + 0.75) * every
        write(canvas, key, (x + 0.2 * width, base), height=tall, colour=ink.here, bold=True, align=1)
        write(canvas, does, (x + 0.26 * width, base), height=tall, colour=ink.words)


def _draw_inset(canvas: Image, picture: Image, box: Box) -> None:
    """Fit the camera picture into its box, at the upper right corner of it."""
    x, y, width, height = box
    ratio = min(width / picture.shape[1], height / picture.shape[0])
    shape = (max(1, round(picture.shape[1] * ratio)), max(1, round(picture.shape[0] * ratio)))
    small = cv2.resize(picture, shape, interpolation=cv2.INTER_AREA if ratio < 0.7 else cv2.INTER_LINEAR)
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


def _draw_work(
    canvas: Image, showing: Showing, spoke_angles_deg: FloatArray, *, left: int, room: int, ink: Ink
) -> None:
    """Say which nipple comes next, and what has changed here since the last one was turned."""
    unit = canvas.shape[0] / 720
    step, lines = showing.step, []
    if step is not None:
        number = f"{showing.controls.turned + 1} of {len(showing.bench.steps)}"
        lines.append(f"Next, {number}: spoke {step.spoke} {step.flange}, {turn_words(step.turns)}")
    elif showing.bench.steps:
        lines.append("All nipples of the plan are turned: measure again")
    lines += change_words(showing, spoke_angles_deg)
    for row, line in enumerate(lines):
        tall = 22 * unit * min(1.0, room / max(size_of(line, 22 * unit)[0], 1))
        write(canvas, line, (left, (250 + 32 * row) * unit), height=tall, colour=ink.words)


def _draw_place(canvas: Image, showing: Showing, unplaced: str, *, left: int, room: int, ink: Ink) -> None:
    """Say which spoke is at the pointer, or what to do until that is known."""
    unit = canvas.shape[0] / 720
    base, spoke = 384 * unit, showing.moment.spoke
    if spoke is None:
        tall = 30 * unit * min(1.0, room / size_of(unplaced, 30 * unit)[0])
        write(canvas, unplaced, (left, base), height=tall, colour=ink.words)
        return
    number, tall = f"Spoke {spoke}", 50 * unit
    write(canvas, number, (left, base), height=tall, colour=ink.here, bold=True)
    after = left + size_of(number, tall, bold=True)[0] + 24 * unit
    due = showing.step is not None and showing.step.spoke == spoke
    text = "this one, at the pointer" if due else "at the pointer"
    write(canvas, text, (after, base), height=22 * unit, colour=ink.words if due else ink.quiet)


def _draw_words(
    canvas: Image, trail: Trail, curve: Box, *, legend: str, spoke_angles_deg: FloatArray, ink: Ink
) -> None:
    """Name the curve's axes, and say how much of the wheel was seen or how far it strays, and where."""
    unit = canvas.shape[0] / 720
    x, y, width, _ = curve
    base = y - 18 * unit
    spread = spread_mm(trail)
    if math.isfinite(spread):
        least, most = (nearest_spoke(deg, spoke_angles_deg) for deg in extremes_deg(trail))
        text = f"about {spread:.2f} mm between spokes {least} and {most}"
    else:
        text = _missing_words(trail, spoke_angles_deg)
    write(canvas, text, (x + width, base), height=22 * unit, colour=ink.words, align=1)
    room = width + 26 * unit - size_of(text, 22 * unit)[0]
    tall = 18 * unit * min(1.0, room / size_of(legend, 18 * unit)[0])
    write(canvas, legend, (x - 50 * unit, base), height=tall, colour=ink.quiet)


def _missing_words(trail: Trail, spoke_angles_deg: FloatArray) -> str:
    """Say how much of the wheel was seen, and once that is the most of it, what is still missing."""
    share = math.floor(100 * covered(trail))
    if share < 50:
        return f"{share}% of the wheel seen"
    first, last = (nearest_spoke(deg % 360, spoke_angles_deg) for deg in unseen_deg(trail))
    where = f"spoke {first}" if first == last else f"spokes {first} to {last}"
    return f"{share}% of the wheel seen, not yet {where}"
