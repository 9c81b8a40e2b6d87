"""The rim's own slide as a measurement: how far the wheel turned from frame to frame, where that is clear."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rimgauge.records import BoolArray, FloatArray, Slide

NEAR_DEG = 1.5
"""So near the course known so far a likeness is looked for."""
LEAST_NATS = 6.0
"""Likelihood, above that of nothing in common, from which a likeness is a measurement."""
RESTING_DEG, RESTING_NATS = 0.25, 16.0
"""Where next to nothing of the rim can be told, what stands still looks a little alike: rest needs more likeness."""
STIRRED, STIRRED_SHARE = 2.0, 0.3
"""So many times the noise of the spokes' picture, and more, is a change by a wheel that turns; and in such a share of a
rest's frames or more, it is none."""
QUIET_BINS, QUIET_SIZE, QUIET_FRAMES = 0.25, 0.3186, 0.05
"""The noise is that of the quarter of the strips that changes least, in the frames that change least: of a Gaussian a
quarter is smaller than so many standard deviations."""
LEAST_NOISE = 0.1
"""In grey levels: what a codec left unchanged says nothing."""
LEAST_SD_DEG = 0.02
UNSURE_SHARE = 0.01
"""The picture's scale differs along the strip by so much: its ends are seen under another angle."""
OUTLYING = 4.0
PUSHED_SHARE = 0.3
"""A push changes the speed within a frame by so much at most."""
LEAST_COUNT = 8
LEAST_MOVE_DEG = 0.5
SCALE_BOUNDS = (0.8, 1.25)
FEWEST_MOMENTS = 12
"""In fewer the mark doesn't come by again: at 20° a moment, the fastest that is followed, a turn takes 18, less what the mark is seen
for."""
LEAST_CLEAR, FAR_DEG, FAR_SHARE = 0.3, 0.5, 0.15
"""Share of the moments whose slide must be clear for a path to be laid by slides, and how far those may be off their usual
speed: what a hand changes within a frame, and the unsure scale."""


def but_for_hands(slide: Slide, profile: FloatArray) -> Slide:
    """Leave out slides that say the rim rests while spokes pass, by their strips (n, m, a): a hand rests before the rim.

    A rest is believed or not as a whole, since between two spokes nothing stirs.
    """
    frames = np.arange(1, len(profile))
    best_px = slide.shift_px[slide.nats[frames].argmax(axis=1)]
    step_px = float(slide.shift_px[1] - slide.shift_px[0])
    rests = (np.abs(best_px) < 0.5 * step_px) & (slide.nats[frames].max(axis=1) > LEAST_NATS)
    stirs = stirring(profile)
    rest = np.cumsum(np.diff(rests, prepend=False))
    hand = rests & (np.bincount(rest, stirs)[rest] >= STIRRED_SHARE * np.bincount(rest)[rest])
    nats = slide.nats.copy()
    nats[frames[hand]] = 0.0
    return Slide(shift_px=slide.shift_px, nats=nats)


def stirring(profile: FloatArray) -> BoolArray:
    """Tell where the spokes' strips (n, m, a) change by more than their noise from one frame to the next (n − 1,)."""
    light = profile.mean(axis=(1, 2), keepdims=True)
    even = profile * (light.mean() / np.maximum(light, 1.0))
    change = np.abs(np.diff(even, axis=0)).reshape(len(profile) - 1, -1)
    quiet = np.quantile(change, QUIET_BINS, axis=1) / QUIET_SIZE
    noise = max(float(np.quantile(quiet, QUIET_FRAMES)), LEAST_NOISE)
    return np.asarray(np.sqrt(np.mean(change**2, axis=1)) > STIRRED * noise)


def slid(
    slide: Slide, angle_deg: FloatArray, px_per_deg: float, room_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Changes of the angle (n − 1,) by the slide near those of a course (n,), and their weights 1/sd² (0: unclear).

    Where the likelihood is highest, by a parabola through three candidates; its curvature gives the standard
    deviation (that of a Gaussian likelihood). What is farther than a few of them, and room_deg that the course
    itself is unsure by, from the course is mistrusted. The scale of the picture where the slide is seen, a little nearer
    or farther than the rim's edge, is learnt from the course itself.
    """
    step_px = float(slide.shift_px[1] - slide.shift_px[0])
    course = np.diff(angle_deg)
    scale = 1.0
    for _ in range(2):
        place = (course * px_per_deg * scale - slide.shift_px[0]) / step_px
        # No farther than the candidates reach, whatever a view says of the scale.
        reach = min(math.ceil(NEAR_DEG * px_per_deg / step_px), slide.nats.shape[1])
        best, sd_px = peaks(slide.nats[1:], place, reach, step_px)
        moved_px = slide.shift_px[0] + best * step_px
        clear = np.isfinite(best)
        resting = np.flatnonzero(np.abs(moved_px) < RESTING_DEG * px_per_deg)
        clear[resting] = slide.nats[1 + resting].max(axis=1) > RESTING_NATS
        moving = clear & (np.abs(course) > LEAST_MOVE_DEG)
        if moving.sum() < LEAST_COUNT:
            return np.zeros(len(course)), np.zeros(len(course))
        ratio = float(np.median(moved_px[moving] / course[moving]))
        scale = float(np.clip(ratio / px_per_deg, *SCALE_BOUNDS))
    change = moved_px / (px_per_deg * scale)
    sd = np.sqrt((sd_px / px_per_deg) ** 2 + LEAST_SD_DEG**2 + (UNSURE_SHARE * change) ** 2)
    # Something that stands still before the strip, a hand, looks like a wheel that stands still.
    tolerated = OUTLYING * sd + room_deg + PUSHED_SHARE * np.maximum(np.abs(change), np.abs(course))
    agrees = 1.0 / (1.0 + np.where(clear, (change - course) / tolerated, 0.0) ** 4)
    return np.where(clear, change, 0.0), np.where(clear, agrees / sd**2, 0.0)


def peaks(
    nats: NDArray[np.float32], place: FloatArray, reach: int, step_px: float, least: float = LEAST_NATS
) -> tuple[FloatArray, FloatArray]:
    """Column (n,) of the highest candidate near a place, to a part of a step, NaN where none is clear; sd [px]."""
    count, columns = nats.shape
    window = np.rint(place).astype(np.intp)[:, None] + np.arange(-reach, reach + 1)
    inside = (window >= 1) & (window < columns - 1)
    rows = np.arange(count)
    there = np.where(inside, nats[rows[:, None], np.clip(window, 0, columns - 1)], 0.0)
    column = np.clip(window[rows, there.argmax(axis=1)], 1, columns - 2)
    left, top, right = (np.asarray(nats[rows, column + k], dtype=np.float64) for k in (-1, 0, 1))
    bend = 2.0 * top - left - right
    clear = (there.max(axis=1) >= least) & (top >= left) & (top >= right) & (bend > 1e-6)
    bend = np.where(clear, bend, 1.0)
    best = np.where(clear, column + 0.5 * (right - left) / bend, np.nan)
    return best, step_px / np.sqrt(bend)


def path_by_slide(slid_deg: FloatArray, mark_deg: FloatArray, speed_deg: FloatArray) -> FloatArray | None:
    """Angles (n,) by slides (n,) from moment to moment, laid through angles by the mark (n,), both NaN where unknown.

    None where too few slides are clear, or the mark was seen less than twice. From one sighting to the next the wheel
    turned by whole turns and what the mark says; the scale of the slides is learnt from that.

    speed_deg (n,): a speed that the slides tell together; those far from it are of a spoke that looks like the one before.
    """
    clear = np.flatnonzero(np.abs(slid_deg - speed_deg) < FAR_DEG + FAR_SHARE * np.abs(speed_deg))
    at = np.flatnonzero(np.isfinite(mark_deg))
    if len(clear) < LEAST_CLEAR * len(slid_deg) or len(at) < 2:
        return None
    moment = np.arange(len(slid_deg))
    way_deg = np.cumsum(np.interp(moment, clear, slid_deg[clear]))
    slides_deg, by_mark_deg, scale = np.diff(way_deg[at]), np.diff(mark_deg[at]), 1.0
    for _ in range(2):
        turned_deg = by_mark_deg + 360.0 * np.rint((scale * slides_deg - by_mark_deg) / 360.0)
        regression = float(slides_deg @ turned_deg) / max(float(slides_deg @ slides_deg), 1e-9)
        scale = float(np.clip(regression, *SCALE_BOUNDS))
    seen_deg = mark_deg[at[0]] + np.concatenate([[0.0], np.cumsum(turned_deg)])
    return np.asarray(scale * way_deg + np.interp(moment, at, seen_deg - scale * way_deg[at]))


def path_by_mark(mark_deg: FloatArray) -> FloatArray | None:
    """Angles (n,) as if the wheel turned evenly, by a whole turn from one pass of the mark to the next; None with fewer than two.

    mark_deg (n,): angle by the mark, NaN where it isn't seen.
    """
    at = np.flatnonzero(np.isfinite(mark_deg))
    anew = np.diff(at) >= FEWEST_MOMENTS
    if not anew.any():
        return None
    turned_deg = np.concatenate([[0.0], np.cumsum(360.0 * anew)])
    moment = np.arange(len(mark_deg))
    seen_deg = mark_deg[at] + turned_deg
    # Before the first sighting and after the last as fast as between them.
    speed_deg = float(seen_deg[-1] - seen_deg[0]) / float(at[-1] - at[0])
    beyond = np.minimum(moment - at[0], 0) + np.maximum(moment - at[-1], 0)
    return np.asarray(np.interp(moment, at, seen_deg) + speed_deg * beyond)
