"""What stands still behind the rim, and what passes before it: told by frames in which the rim doesn't cover it.

A fork's blade, a hub's flange or a shelf draws edges of its own beside the rim's, and the step that is fitted bends
toward them. They stay where they are while the rim strays, so that other frames show them uncovered: a picture is two
layers, what is behind times 1 − Φ and the rim times Φ (as in `rimgauge.capture.edge`), and the former is made plain.
Where a picture differs before the rim from what is behind, something passes there, a spoke or a hand, and the row tells
nothing of the rim.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from rimgauge.capture.edge import EdgeShape
from rimgauge.capture.patch import GreyArray
from rimgauge.records import BoolArray, FloatArray

CLEAR_BLURS, LEAST_SEEN = 2.0, 3
"""So many blurs before the edge a pixel shows what is behind, but for 2 % of the rim, and in so many frames it must."""
STRUCTURE = 12.0
"""Brightness behind that changes by less [grey levels] bends a fit little, and alike in all frames."""
PASSING, LEAST_NOISE = 3.0, 1.0
"""A row that differs by so many times the usual noise [grey levels], brightness aside, has something before it."""
USUAL = 0.25
"""That share of the rows is clear in most frames: spokes stand before the others."""
LEAST_CLEAR, ENOUGH_CLEAR = 0.15, 0.5
"""With fewer rows clear all is covered or the background moves, and the frame stays as it is. With more of them clear
the fit finds the others by itself, and with the same rows in all frames the rim's texture shows better."""
RIM_BLURS, MOSTLY = 3.0, 0.9
"""So many blurs behind the edge the rim is as bright as it gets; frames tell that with so many of their rows below
white."""
LEAST_TOLD = 3
"""So many pixels tell of a row."""


@dataclass(frozen=True, slots=True, eq=False)
class Behind:
    """Brightness (rows, columns) of what stands still behind the rim, NaN where no frame showed it.

    noise: by how much a clear row usually differs from it [grey levels].
    """

    grey: GreyArray
    noise: float


@dataclass(frozen=True, slots=True, eq=False)
class Plain:
    """Patches (n, rows, columns) with what is behind made plain.

    clear: (n, rows) rows with nothing before the rim, as far as is known.
    """

    patches: GreyArray
    clear: BoolArray


def learn_behind(patches: GreyArray, place_px: FloatArray, row_px: float, shape: EdgeShape) -> Behind:
    """Learn what is behind from patches (n, rows, columns) of the first frames, whose edge is at place_px (n,).

    Frames whose edge isn't known, or whose camera moved, tell nothing; too few of the others leave all of it unknown.
    """
    still = np.isfinite(place_px)
    patches, place_px = patches[still], place_px[still]
    count, rows, columns = patches.shape
    if count < LEAST_SEEN:
        return Behind(np.full((rows, columns), np.nan, dtype=np.float32), LEAST_NOISE)
    edge = _line(place_px, row_px, shape, rows)[..., None]
    grey = np.full((rows, columns), np.nan, dtype=np.float32)
    # What all frames show tells how their light differs.
    clear = ~(np.arange(columns) >= edge - CLEAR_BLURS * shape.blur_px).any(axis=0)
    if clear.any():
        grey[clear] = np.median(patches[:, clear], axis=0)
    known = Behind(grey, LEAST_NOISE)
    known = more_behind(known, patches, place_px, row_px, shape)
    light = _light(patches, known.grey, edge, shape)
    off = _off(patches, known.grey * light, edge, shape)
    off = off[np.isfinite(off).any(axis=1)]
    noise = float(np.median(_quantile(off, USUAL))) if len(off) else LEAST_NOISE
    return Behind(known.grey, max(noise, LEAST_NOISE))


def rim_brightness(
    patches: GreyArray, place_px: FloatArray, row_px: float, shape: EdgeShape, light: FloatArray
) -> tuple[float, float]:
    """How bright the rim is behind its edge at light 1, and what that differs by from frame to frame, as a share.

    By patches (n, rows, columns) with the edge at place_px (n,), taken at light (n,); NaN where all are clipped.
    """
    edge = _line(place_px, row_px, shape, patches.shape[1])[..., None]
    rim = _at(patches, edge + RIM_BLURS * shape.blur_px + (shape.second_step_px or 0.0))[..., 0]
    shown = np.isfinite(place_px) & ((rim < shape.white).mean(axis=1) > MOSTLY)
    if not shown.any():
        return math.nan, math.nan
    even = np.median(rim[shown], axis=1) / light[shown]
    return float(np.mean(even)), float(np.std(even) / np.mean(even))


def more_behind(
    known: Behind, patches: GreyArray, place_px: FloatArray, row_px: float, shape: EdgeShape
) -> Behind:
    """The same with what further frames are the first to show."""
    edge = _line(place_px, row_px, shape, patches.shape[1])[..., None]
    new = np.flatnonzero(np.isnan(known.grey).any(axis=0))
    clear = new < edge - CLEAR_BLURS * shape.blur_px
    shown = np.isnan(known.grey[:, new]) & (clear.sum(axis=0) >= LEAST_SEEN)
    told = np.flatnonzero(shown.any(axis=0))
    if not len(told):
        return known
    grey, clear = known.grey.copy(), clear[..., told]
    share = np.where(clear, ndtr((new[told] - edge) / shape.blur_px), 0.0)
    rim = _at(patches, edge + CLEAR_BLURS * shape.blur_px)
    seen = (patches[..., new[told]] - rim * share) / (1.0 - share) / _light(patches, grey, edge, shape)
    seen = np.where(clear, seen, np.nan)
    v, which = np.nonzero(shown[:, told])
    grey[v, new[told[which]]] = np.nanmedian(seen[:, v, which], axis=0)
    return replace(known, grey=grey)


def made_plain(
    patches: GreyArray, place_px: FloatArray, row_px: float, shape: EdgeShape, behind: Behind
) -> Plain:
    """Make what is behind plain in patches (n, rows, columns) whose edge is near place_px (n,), NaN where unknown.

    All of what is behind gets the brightness that it has at the edge in its row. An edge that is a little off changes
    the patches in second order only.
    """
    count, rows, columns = patches.shape
    unchanged = Plain(patches, np.ones((count, rows), dtype=bool))
    line = _line(place_px, row_px, shape, rows)
    if not np.isfinite(line).any():
        return unchanged
    # Only columns that the edge comes near cost time.
    first = max(0, math.floor(float(np.nanmin(line))) - shape.outside_px)
    last = min(columns, math.ceil(float(np.nanmax(line)) + CLEAR_BLURS * shape.blur_px) + 1)
    if last - first < 2:
        return unchanged
    near, edge, grey = patches[..., first:last], line[..., None] - first, behind.grey[:, first:last]
    light = _light(near, grey, edge, shape)
    off = _off(near, grey * light, edge, shape)
    with np.errstate(invalid="ignore"):
        clear = ~(off > PASSING * behind.noise)
    still = np.isfinite(place_px) & (clear.mean(axis=1) >= LEAST_CLEAR)
    clear[~still | (clear.mean(axis=1) > ENOUGH_CLEAR)] = True
    filled = _carried_on(grey)
    rise = filled - _at(np.broadcast_to(filled, near.shape), edge)
    shown = np.abs(rise) * _before(edge, near.shape[2], shape)
    # In most rows nothing stands behind the edge.
    uneven = (shown.max(axis=2) >= STRUCTURE) & still[:, None]
    share = ndtr((edge[uneven] - np.arange(last - first)) / shape.blur_px)
    result = patches.copy()
    result[uneven, first:last] -= (light * uneven[..., None])[uneven] * rise[uneven] * share
    return Plain(result, clear)


def _line(place_px: FloatArray, row_px: float, shape: EdgeShape, rows: int) -> FloatArray:
    """The edge in each row (n, rows)."""
    v = np.arange(rows) - row_px
    return np.asarray(place_px[:, None] + shape.slope * v + shape.bend_per_px * v**2)


def _at(patches: GreyArray, place: FloatArray) -> GreyArray:
    """Brightness (n, rows, 1) at whole pixels near places (n, rows, 1)."""
    near = np.clip(np.rint(np.nan_to_num(place)), 0, patches.shape[2] - 1).astype(np.intp)
    return np.take_along_axis(patches, near, axis=2)


def _before(edge: FloatArray, columns: int, shape: EdgeShape) -> BoolArray:
    """Pixels (n, rows, columns) of the fit's band that lie clearly before the edge (n, rows, 1)."""
    away = np.arange(columns) - edge
    return np.asarray((away < -CLEAR_BLURS * shape.blur_px) & (away >= -shape.outside_px))


def _light(patches: GreyArray, grey: GreyArray, edge: FloatArray, shape: EdgeShape) -> FloatArray:
    """How bright (n, 1, 1) frames are beside what is behind: the median of their rows, 1 where nothing shows it."""
    shown = np.isfinite(grey) & (np.arange(grey.shape[1]) < edge - CLEAR_BLURS * shape.blur_px)
    seen = np.einsum("nrc,nrc->nr", patches, shown)
    usual = np.einsum("rc,nrc->nr", np.nan_to_num(grey), shown)
    ratio = np.where(usual > 0.0, seen / np.maximum(usual, 1e-9), np.nan)
    told = np.isfinite(ratio).any(axis=1)
    result = np.ones((len(patches), 1, 1))
    result[told, 0, 0] = _quantile(ratio[told], 0.5)
    return result


def _off(near: GreyArray, grey: FloatArray, edge: FloatArray, shape: EdgeShape) -> FloatArray:
    """Root mean square (n, rows) of what differs before the edge from what is behind, NaN where that isn't known."""
    off = near - grey
    shown = _before(edge, near.shape[2], shape) & np.isfinite(off)
    count = shown.sum(axis=2)
    off = np.where(shown, off, 0.0)
    squares = np.sum(off**2, axis=2) - np.sum(off, axis=2) ** 2 / np.maximum(count, 1)
    squares = np.maximum(squares, 0.0)
    return np.where(count >= LEAST_TOLD, np.sqrt(squares / np.maximum(count, 1)), np.nan)


def _quantile(values: FloatArray, share: float) -> FloatArray:
    """Quantile (n,) of the finite ones of values (n, r), of which each row has some; quicker than numpy's, row by row."""
    ordered = np.sort(values, axis=1)  # what isn't finite comes last
    place = share * (np.isfinite(values).sum(axis=1, keepdims=True) - 1)
    below, above = (
        np.take_along_axis(ordered, near.astype(np.intp), axis=1)
        for near in (np.floor(place), np.ceil(place))
    )
    return np.asarray(below + (place % 1.0) * (above - below))[:, 0]


def _carried_on(grey: GreyArray) -> GreyArray:
    """The same with the last known brightness of each row carried on to where it isn't known, 0 before the first."""
    known = np.isfinite(grey)
    last = np.maximum.accumulate(np.where(known, np.arange(grey.shape[1]), 0), axis=1)
    return np.asarray(np.nan_to_num(np.take_along_axis(grey, last, axis=1)))
