"""What stands still in a picture of a turning wheel: the pointer's tip and the rim edge that it faces."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.outline import steepness_profiles
from rimgauge.capture.patch import Patch
from rimgauge.capture.pointer import find_tip
from rimgauge.capture.shift import LEAST_NOISE
from rimgauge.capture.sources import Frame
from rimgauge.errors import PointerNotSeen
from rimgauge.records import Box, FloatArray

Point = tuple[float, float]
GreyPicture = NDArray[np.float32]

STILL_FRAMES = 31
CANDIDATES = 10
BAR_WIDTHS_PX = (6, 9, 13, 18, 24, 30, 38, 48)
"""Widths of pointer looked for in a picture 360 pixels high; larger pictures scale them."""
LEAST_STEP = 2.5
"""An edge must change the brightness by so many grey levels a pixel to count."""
LEAST_GAP_PX = 3.0
"""A nearer rim can't be told from the tip, and would touch it."""
LEAST_RIVAL = 0.2
"""An edge so strong beside the one a person pointed at could be taken for it."""
SLOPES = np.linspace(-0.1, 0.1, 9)


@dataclass(frozen=True, slots=True, eq=False)
class Still:
    """Median look and spread over time of some frames, turned so that u (columns) grows into the rim.

    unit: size of this picture beside one 360 pixels high.
    """

    patch: Patch
    mean: GreyPicture
    spread: GreyPicture
    noise: float
    unit: float


@dataclass(frozen=True, slots=True, eq=False)
class Facing:
    """A pointer's tip and the rim edge ahead of it, in turned coordinates; slope is du/dv of the edge.

    begin_u: from where on the edge is to be sought: the tip, or half way from another edge that a person passed over.
    """

    still: Still
    tip: Point
    edge_u: float
    slope: float
    score: float
    begin_u: float


def look_still(frames: list[Frame]) -> list[Still]:
    """Median and spread of up to 31 of the frames, once for each of the four ways a pointer can point."""
    chosen = frames[:: max(1, len(frames) // STILL_FRAMES)][:STILL_FRAMES]
    stack = np.stack([cv2.GaussianBlur(cv2.cvtColor(f.image, cv2.COLOR_BGR2GRAY), (3, 3), 0) for f in chosen])
    mean = np.median(stack, axis=0).astype(np.float32)
    # Flicker brightens whole pictures; it is no movement.
    even = stack - (stack.mean(axis=(1, 2)) - mean.mean())[:, None, None]
    spread = even.std(axis=0).astype(np.float32)
    noise = max(float(np.quantile(spread, 0.1)), 0.3)
    height, width = mean.shape
    unit = max(1.0, min(height, width) / 360.0)
    stills = []
    for transposed in (False, True):
        for flipped in (False, True):
            patch = Patch((0, 0, width, height), transposed, flipped)
            stills.append(Still(patch, _turned(mean, patch), _turned(spread, patch), noise, unit))
    return stills


def find_facings(stills: list[Still], pointer_at: Point | None, rim_at: Point | None) -> list[Facing]:
    """Find pointers and rim edges that face each other, clearest first; hints x, y [px] fix one or both."""
    found: list[Facing] = []
    for still in stills:
        rim = None if rim_at is None else still.patch.to_patch(*rim_at)
        for start in _starts(still, pointer_at):
            facing = _facing_from(still, start, rim, pointer_at)
            if facing is not None:
                found.append(facing)
    found.sort(key=lambda facing: -facing.score)
    distinct: list[Facing] = []
    for facing in found:
        place = facing.still.patch.to_picture(*facing.tip)
        if all(math.dist(place, d.still.patch.to_picture(*d.tip)) > 4.0 for d in distinct):
            distinct.append(facing)
    return distinct


def _turned(image: GreyPicture, patch: Patch) -> GreyPicture:
    turned = image.T if patch.transposed else image
    return np.ascontiguousarray(turned[:, ::-1] if patch.flipped else turned)


def _starts(still: Still, pointer_at: Point | None) -> Iterator[tuple[Point, float]]:
    """Tips with the strength of the bar behind them; those near the hint alone where there is one."""
    if pointer_at is not None:
        tip = _refined_tip(still, still.patch.to_patch(*pointer_at), 16.0 * still.unit)
        if tip is not None:
            yield tip, 1.0
        return
    ends = _bar_ends(still)
    left, reach = ends.copy(), round(10 * still.unit)
    for _ in range(CANDIDATES):
        v, u = (int(k) for k in np.unravel_index(int(np.argmax(left)), left.shape))
        if left[v, u] < LEAST_STEP:
            return
        left[max(0, v - reach) : v + reach, max(0, u - reach) : u + reach] = 0.0
        for slide in range(-12, 37, 12):
            tip = _refined_tip(still, (u + slide * still.unit, float(v)), 12.0 * still.unit)
            if tip is not None:
                strength = _window(ends, tip[0] - reach / 2, tip[0] + reach / 2, tip[1], reach / 2).max(
                    initial=0.0
                )
                yield tip, float(strength)


def _bar_ends(still: Still) -> GreyPicture:
    """How clearly a still bar along u ends at each place: two opposite edges behind it, none ahead."""
    smooth = cv2.GaussianBlur(still.mean, (5, 5), 0)
    across = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
    room = np.ones((2 * round(2 * still.unit) + 3, 1), np.uint8)
    rising = cv2.dilate(np.maximum(across, 0.0), room)
    falling = cv2.dilate(np.maximum(-across, 0.0), room)
    quiet = still.spread < 3.0 * still.noise
    best = np.zeros_like(still.mean)
    for width in BAR_WIDTHS_PX:
        half = max(2, round(width * still.unit / 2))
        pairs = np.maximum(
            np.minimum(_moved(rising, half), _moved(falling, -half)),
            np.minimum(_moved(falling, half), _moved(rising, -half)),
        )
        pairs = np.minimum(np.where(quiet, pairs, 0.0), 12.0).astype(np.float32)
        long, short = round(44 * still.unit), round(10 * still.unit)
        behind = cv2.blur(pairs, (long, 1), anchor=(long - 1, 0), borderType=cv2.BORDER_CONSTANT)
        ahead = cv2.blur(pairs, (short, 1), anchor=(0, 0), borderType=cv2.BORDER_CONSTANT)
        best = np.maximum(best, behind - np.roll(ahead, -round(2 * still.unit), axis=1)).astype(np.float32)
    return best


def _moved(image: NDArray[Any], rows: int) -> GreyPicture:
    """Take the value `rows` above each place, 0 outside the picture."""
    out = np.zeros(image.shape, dtype=np.float32)
    if rows > 0:
        out[rows:] = image[:-rows]
    else:
        out[:rows] = image[-rows:]
    return out


def _facing_from(
    still: Still, start: tuple[Point, float], rim: Point | None, pointer_at: Point | None
) -> Facing | None:
    tip, strength = start
    found = _rim_edge(still, tip, rim)
    if found is None:
        return None
    edge_u, slope, step, begin_u = found
    unit = still.unit
    # The first look reached further ahead and may have taken a bit of the rim for the tip.
    for _ in range(4):
        again = _refined_tip(still, tip, 6.0 * unit, (ahead_px(edge_u - tip[0], unit),))
        if again is None or edge_u - again[0] < LEAST_GAP_PX * unit:
            return None
        moved_px, tip = math.dist(tip, again), again
        if moved_px < 1.0:
            break
    body = _window(still.spread, tip[0] - 35 * unit, tip[0] - 6 * unit, tip[1], 3 * unit)
    wheel = _window(still.spread, edge_u - 2 * unit, edge_u + 40 * unit, tip[1], 40 * unit)
    if body.size == 0 or wheel.size == 0:
        return None
    moves = float(np.median(wheel)) / max(float(np.median(body)), still.noise)
    if pointer_at is None and moves < 1.3:
        return None
    near = 40.0 * unit / (40.0 * unit + edge_u - tip[0])
    clear = min(strength, 12.0) * min(step, 12.0) * min(moves, 4.0) * min(_tip_step(still, tip), 15.0)
    score = clear * near
    return Facing(still, tip, edge_u, slope, score, max(begin_u, tip[0]))


def _tip_step(still: Still, tip: Point) -> float:
    """Change of brightness across the very tip [grey levels]."""
    unit, (u, v) = still.unit, tip
    inside = _window(still.mean, u - 6 * unit, u - 2 * unit, v, 2 * unit)
    outside = _window(still.mean, u + 1.5 * unit, u + 4 * unit, v, 2 * unit)
    return abs(float(inside.mean() - outside.mean())) if inside.size and outside.size else 0.0


def _window(image: GreyPicture, low_u: float, high_u: float, v: float, half: float) -> GreyPicture:
    return image[
        max(0, round(v - half)) : max(0, round(v + half)), max(0, round(low_u)) : max(0, round(high_u))
    ]


def ahead_px(gap_px: float, unit: float) -> float:
    """How far the pointer's box may reach past the tip without touching the rim."""
    return min(5.0 * unit, 0.5 * gap_px)


def _refined_tip(
    still: Still, rough: Point, reach: float, aheads_px: tuple[float, ...] | None = None
) -> Point | None:
    """Tip as the tracker would see it, from the mean look; None where none ends within reach [px]."""
    unit = still.unit
    height, width = still.mean.shape
    try:
        for ahead in aheads_px or (10.0 * unit, 5.0 * unit):
            u0, u1 = max(0, round(rough[0] - 40 * unit)), min(width, round(rough[0] + ahead) + 1)
            v0, v1 = max(0, round(rough[1] - 26 * unit)), min(height, round(rough[1] + 26 * unit) + 1)
            if u1 - u0 < 20 or v1 - v0 < 20:
                return None
            tip_u, tip_v = find_tip(still.mean[v0:v1, u0:u1].astype(np.float64), LEAST_NOISE, "the picture")
            tip = (u0 + tip_u, v0 + tip_v)
            if math.dist(tip, rough) > reach or tip_u > u1 - u0 - 2.5:
                return None
            rough = tip
    except PointerNotSeen:
        return None
    return rough


def turned_box(patch: Patch, low_u: float, high_u: float, low_v: float, high_v: float) -> Box | None:
    """Picture box of a turned one, cut at the border; None where less than 12 pixels are left of a side."""
    _, _, width, height = patch.box
    ends = [patch.to_picture(low_u, low_v), patch.to_picture(high_u, high_v)]
    left, right = sorted(min(max(round(x), 0), width - 1) for x, _ in ends)
    top, bottom = sorted(min(max(round(y), 0), height - 1) for _, y in ends)
    box = (left, top, right - left + 1, bottom - top + 1)
    return box if min(box[2:]) >= 12 else None


def _rim_edge(still: Still, tip: Point, rim: Point | None) -> tuple[float, float, float, float] | None:
    """Place [px] at the tip's height, slope and steepness of the first long edge ahead of the tip, or of the one at rim.

    The last value is half way to the edge next before that, 0 without one.
    """
    unit, rows = still.unit, still.mean.shape[0]
    low, high = max(0, round(tip[1] - 40 * unit)), min(rows, round(tip[1] + 41 * unit))
    cut, row = still.mean[low:high], tip[1] - low
    first = round(tip[0] + max(2.0, 1.5 * unit))
    last = min(cut.shape[1] - 3, round(tip[0] + 90 * unit))
    if last - first < 5:
        return None
    profiles = np.abs(np.stack([steepness_profiles(cut[np.newaxis], float(s), row)[0] for s in SLOPES]))[
        :, first:last
    ]
    everywhere = profiles.max(axis=0)
    if rim is not None:
        near = abs(np.arange(first, last) - rim[0]) <= 12 * unit
        profiles = np.where(near, profiles, 0.0)
    moving = np.median(still.spread[low:high, first:last], axis=0) > 1.3 * still.noise
    sharpest = np.where(moving, profiles.max(axis=0), 0.0)
    if sharpest.max(initial=0.0) < LEAST_STEP / 2.0:
        return None
    threshold = (0.3 if rim is None else LEAST_RIVAL) * sharpest.max()
    peaks = [k for k in range(1, len(sharpest) - 1) if _is_peak(sharpest, k) and sharpest[k] > threshold]
    if not peaks:
        return None
    chosen = int(np.argmin(abs(np.array(peaks) + first - rim[0]))) if rim is not None else 0
    column = peaks[chosen]
    slope = float(SLOPES[int(np.argmax(profiles[:, column]))])
    place, slope = _straight_line(cut, float(column + first), slope, row, round(5 * unit))
    edges = [
        k
        for k in range(1, column - 3)
        if _is_peak(everywhere, k) and everywhere[k] > LEAST_RIVAL * sharpest[column]
    ]
    begin_u = (edges[-1] + column) / 2.0 + first if rim is not None and edges else 0.0
    return place, slope, float(sharpest[column]), begin_u


def _straight_line(cut: GreyPicture, place: float, slope: float, row: float, reach: int) -> Point:
    """Place at `row` and slope of the line through the steepest place of every row; strays left out."""
    smooth = cv2.GaussianBlur(cut, (5, 5), 0)
    steep = np.abs(cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=0.125))
    rows = np.arange(cut.shape[0])
    for _ in range(4):
        guess = np.rint(place + slope * (rows - row)).astype(np.intp)
        columns = np.clip(guess[:, None] + np.arange(-reach, reach + 1), 0, cut.shape[1] - 1)
        near = np.take_along_axis(steep, columns, axis=1)
        found = columns[rows, near.argmax(axis=1)]
        off = found - (place + slope * (rows - row))
        kept = np.abs(off - np.median(off)) <= max(1.0, 2.0 * float(np.median(np.abs(off - np.median(off)))))
        slope, place = (float(k) for k in np.polyfit(rows[kept] - row, found[kept], 1))
        reach = max(3, reach - 1)
    return place, slope


def _is_peak(values: FloatArray, k: int) -> bool:
    return bool(values[k] >= values[k - 1] and values[k] > values[k + 1])
