"""What was seen at each place of the wheel: this time round, and the time before."""

from __future__ import annotations

import math

import numpy as np

from rimgauge.records import FloatArray, Moment, record

CELLS = 720
"""Half a degree each, so that memory stays the same however long the wheel turns."""

MOST_AVERAGED = 9
"""Frames at one place that are averaged; more would hide what a nipple turn does there."""

LONGEST_STEP = CELLS // 12
"""A jump of more than 30 degrees between two frames is not bridged: nothing was seen between them."""


MOST_UNSEEN_DEG, LEAST_COVERED = 15.0, 0.9
"""A longer stretch of which nothing was seen is not bridged, as a measurement doesn't either, nor many short ones."""


@record
class Trail:
    """Gap at each of CELLS places of the wheel [mm], NaN where nothing was seen yet.

    now_mm, earlier_mm (CELLS,): the latest visit and the one before it. cell: where the last frame stood,
    None before the first; gap_mm: what it said. visits: frames in a row at that cell.
    """

    now_mm: FloatArray
    earlier_mm: FloatArray
    cell: int | None = None
    gap_mm: float = math.nan
    visits: int = 0


def no_trail() -> Trail:
    """Return the trail before the first frame."""
    return Trail(now_mm=np.full(CELLS, np.nan), earlier_mm=np.full(CELLS, np.nan))


def extend(trail: Trail, moment: Moment) -> Trail:
    """Add one frame, with a straight line over the places passed since the last one.

    Frames without a gap or an angle break the line; frames at one place are averaged. Only the first side's
    gap is followed.
    """
    gap_mm = float(moment.gap_mm[0])
    if not (math.isfinite(gap_mm) and math.isfinite(moment.angle_deg)):
        return Trail(now_mm=trail.now_mm, earlier_mm=trail.earlier_mm)
    cell = int(moment.angle_deg % 360 / 360 * CELLS) % CELLS
    now, earlier = trail.now_mm.copy(), trail.earlier_mm.copy()
    if cell == trail.cell:
        visits = min(trail.visits, MOST_AVERAGED)
        mean = (now[cell] * visits + gap_mm) / (visits + 1)
        now[cell] = mean
        return Trail(now_mm=now, earlier_mm=earlier, cell=cell, gap_mm=gap_mm, visits=trail.visits + 1)
    step = 0 if trail.cell is None else (cell - trail.cell + CELLS // 2) % CELLS - CELLS // 2
    if 0 < abs(step) <= LONGEST_STEP and trail.cell is not None:
        passed = (trail.cell + np.arange(1, abs(step) + 1) * int(np.sign(step))) % CELLS
        values = np.linspace(trail.gap_mm, gap_mm, abs(step) + 1)[1:]
    else:
        passed, values = np.array([cell]), np.array([gap_mm])
    earlier[passed] = now[passed]
    now[passed] = values
    return Trail(now_mm=now, earlier_mm=earlier, cell=cell, gap_mm=gap_mm, visits=1)


def covered(trail: Trail) -> float:
    """Return the share of the wheel that was seen, 0 to 1."""
    return float(np.isfinite(trail.now_mm).mean())


def unseen_deg(trail: Trail) -> tuple[float, float]:
    """First and last place of the longest stretch not seen yet [deg], the last maybe beyond the mark."""
    seen = np.flatnonzero(np.isfinite(trail.now_mm))
    if not seen.size:
        return 0.0, 360.0
    steps = np.diff(seen, append=seen[0] + CELLS)
    longest = int(np.argmax(steps))
    before, after = int(seen[longest]), int(seen[longest] + steps[longest])
    return (before + 1.5) * 360.0 / CELLS, (after - 0.5) * 360.0 / CELLS


def seen_round(trail: Trail) -> bool:
    """Whether nearly all of the wheel was seen, but for stretches that are bridged."""
    first_deg, last_deg = unseen_deg(trail)
    return last_deg - first_deg < MOST_UNSEEN_DEG and covered(trail) >= LEAST_COVERED


def extremes_deg(trail: Trail) -> tuple[float, float]:
    """Where the latest visit found the least and the largest gap [deg]."""
    least, most = np.nanargmin(trail.now_mm), np.nanargmax(trail.now_mm)
    return (least + 0.5) * 360.0 / CELLS, (most + 0.5) * 360.0 / CELLS


def spread_mm(trail: Trail) -> float:
    """Return the largest gap minus the smallest [mm], NaN before the whole wheel was seen.

    Each place is first averaged over the five degrees around it, which takes out most of the noise of
    single frames; this is a figure to watch, not a measurement with an uncertainty.
    """
    if not seen_round(trail):
        return math.nan
    seen = np.flatnonzero(np.isfinite(trail.now_mm))
    whole = np.interp(np.arange(CELLS), seen, trail.now_mm[seen], period=CELLS)
    window = 11
    around = np.concatenate([whole[-(window // 2) :], whole, whole[: window // 2]])
    return float(np.ptp(np.convolve(around, np.full(window, 1 / window), mode="valid")))
