"""Which of the edges in the rim's box is its outline, and what that edge looks like.

Seen from the pointer, the outline is the first edge that moves with the rim: decals, braking track and
tyre lie behind it. It is found once, on the first frames, by aligning their mean profiles.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from rimgauge.capture.edge import EdgeShape
from rimgauge.capture.patch import GreyArray
from rimgauge.capture.shape import learn_shape
from rimgauge.errors import RimNotSeen
from rimgauge.records import BoolArray, FloatArray, IntArray

WINDOW_PX = (-7, 2)
"""The look of the outline reaches so far toward the pointer and into the rim.
What lies before an outline is background and stays plain; what lies behind it (decals, streaks, glare) changes."""
CLOSE_PX = 3
"""The nearest surroundings: what stands before the rim, as a spoke does, hides the others first."""
SAMPLE_FRAMES = 12
PULL = 0.02
"""What a pixel's distance from the last place costs, as a share of the outline's own strength."""
MOST_UNLIKE = 0.5
"""Squared difference from the outline's look, as a share of its strength, beyond which a place isn't it."""
ALIKE = 0.1
"""Places whose likeness differs by less than this share of the outline's strength are equals: noise decides
between them."""
LEAST_APART_PX = 5.0
"""Nearer to the outline than this, an edge is a part of it."""
ANYWHERE_PX = 1e5
ROW_STEP = 2
"""Every second row tells the place to a third of a pixel."""
FIRST_EDGE_SHARE = 0.25
"""An edge counts as the outline when it is at least this strong beside the strongest one."""
LEAST_ROWS_SHARE, MOST_ROWS_SHARE, SMOOTH_ROWS = 0.3, 0.5, 5
"""An outline that shows in such a share of the rows, as beside a hub as dark as the rim, is looked for in these alone: in fewer
it may be anything, in more their median shows it. So many rows are averaged to find them (judgements)."""
SAME_EDGE_PX = 3
"""So near one another edges are the same, and so far round one it is looked at whether it moves with the rim."""


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """The look of the edge: template, the mean slope of brightness round it; row and slope it was taken at.

    lead_px: where the fit's first step lies from the middle of the template.
    front_px: columns on the pointer's side where its own tip stands.
    rows: (rows,) those in which the edge stands out from what is behind.
    """

    template: FloatArray
    row_px: float
    slope: float
    lead_px: float
    front_px: int
    shape: EdgeShape
    rows: BoolArray

    @property
    def spans_tip(self) -> bool:
        """Whether the edge stands out on both sides of the row it is wanted at."""
        first, last = np.flatnonzero(self.rows)[[0, -1]]
        return bool(first <= self.row_px <= last)


def steepness_profiles(patches: GreyArray, slope: float, row_px: float, rows: BoolArray) -> FloatArray:
    """Change of brightness along u (n, columns) of patches (n, rows, columns), by the median of some rows along a slope."""
    columns = patches.shape[2]
    chosen = np.flatnonzero(rows)[::ROW_STEP]
    shifts = np.rint(slope * (chosen - row_px)).astype(np.intp)
    index = chosen[:, None] * columns + np.clip(np.arange(columns) + shifts[:, None], 0, columns - 1)
    laid_straight = patches.reshape(len(patches), -1)[:, index.T]
    half = len(chosen) // 2
    profile = np.partition(laid_straight, half, axis=2)[:, :, half].astype(np.float64)
    return _steepness(profile)


def _steepness(profiles: FloatArray) -> FloatArray:
    """Change of brightness along u (n, columns) of profiles (n, columns), a little smoothed."""
    padded = np.pad(profiles, ((0, 0), (2, 2)), mode="edge")
    outer, inner = padded[:, 4:] - padded[:, :-4], padded[:, 3:-1] - padded[:, 1:-3]
    return np.asarray(0.125 * outer + 0.25 * inner)


def learn_outline(
    patches: GreyArray,
    slope: float,
    row_px: float,
    room_px: int,
    front_px: int = 0,
    rows: BoolArray | None = None,
) -> Outline:
    """Find the outline in the patches (n, rows, columns) of the first frames and learn its look, bend and blur.

    room_px : columns at both ends of the patch that only give the fit's band room; the edge isn't sought there.
    front_px : columns on the pointer's side where its own tip stands, whose edge must not be taken for the rim's.
    rows : (rows,) those to look at; if not given all, and fewer where the edge shows in them alone.

    Raises
    ------
    RimNotSeen
        No edge stands out of the noise, or none looks the same from frame to frame.
    """
    row_px = float(np.clip(row_px, 0.0, patches.shape[1] - 1.0))
    sought = slice(max(room_px, front_px), patches.shape[2] - room_px)
    given, rows = rows, np.ones(patches.shape[1], dtype=bool) if rows is None else rows
    profiles = _only(steepness_profiles(patches, slope, row_px, rows), sought)
    typical_max = float(np.median(np.abs(profiles).max(axis=1)))
    floor = 1.4826 * float(np.median(np.abs(profiles)))
    if typical_max < max(1.0, 2.0 * floor):
        raise RimNotSeen(
            "no edge stands out where the rim's should be; add light, choose a plain background, or run aim again"
        )
    shifts = _shifts(profiles)
    laid_over = np.median([np.roll(p, -shift) for p, shift in zip(profiles, shifts, strict=True)], axis=0)
    first = _first_edge(laid_over, FIRST_EDGE_SHARE * float(np.abs(laid_over).max()))
    before = slice(sought.start, first + SAME_EDGE_PX)
    earlier = _edge_in_some_rows(patches, shifts, slope, row_px, before) if given is None else None
    if earlier is not None:
        first, rows = earlier
        profiles = _only(steepness_profiles(patches, slope, row_px, rows), sought)
    places = (first + shifts).astype(np.float64)
    template = _aligned_mean(profiles, places)
    columns = np.arange(profiles.shape[1])
    for _ in range(3):
        # A fainter edge of the same form further in is as like the outline, and only the place tells them apart.
        pull = PULL * float(template @ template) * np.abs(columns - (first + shifts)[:, None])
        places = np.array([_refine(scores) for scores in _match_scores(profiles, template) - pull])
        template = _aligned_mean(profiles, places)
    chosen = np.linspace(0, len(patches) - 1, min(SAMPLE_FRAMES, len(patches))).astype(int)
    shape, lead_px = learn_shape(patches[chosen], places[chosen], slope, row_px, room_px - 1, rows)
    return Outline(template, row_px, shape.slope, lead_px, front_px, shape, rows)


def _only(profiles: FloatArray, sought: slice) -> FloatArray:
    """The profiles (n, columns) with nothing outside some columns."""
    result = np.zeros_like(profiles)
    result[:, sought] = profiles[:, sought]
    return result


def _edge_in_some_rows(
    patches: GreyArray, shifts: IntArray, slope: float, row_px: float, sought: slice
) -> tuple[int, BoolArray] | None:
    """First edge that moves with the rim (shifts (n,) [px]) and shows in some rows only, and these; None where none does."""
    if sought.stop <= sought.start:
        return None
    chosen = np.linspace(0, len(patches) - 1, min(SAMPLE_FRAMES, len(patches))).astype(int)
    along = _laid_straight(patches[chosen], slope, row_px, shifts[chosen])
    steep = np.abs(_steepness(np.median(along, axis=0)))
    near = cv2.dilate(cv2.blur(steep, (1, SMOOTH_ROWS)), np.ones((1, 3)))
    profile = np.quantile(near, 1.0 - LEAST_ROWS_SHARE, axis=0)
    threshold = FIRST_EDGE_SHARE * float(profile[sought.start :].max())
    first = sought.start + _first_peak(profile[sought], threshold)
    if profile[first] < threshold:
        return None
    rows = near[:, first] > FIRST_EDGE_SHARE * float(near[:, first].max())
    still = _laid_straight(patches[chosen], slope, row_px, np.zeros(len(chosen), np.intp))
    beside = slice(first - SAME_EDGE_PX, first + SAME_EDGE_PX + 1)
    moves, stands = (float(np.var(each[:, rows, beside], axis=0).mean()) for each in (along, still))
    return (first, rows) if moves < stands and rows.mean() < MOST_ROWS_SHARE else None


def _laid_straight(patches: GreyArray, slope: float, row_px: float, shifts: IntArray) -> GreyArray:
    """Patches (n, rows, columns) with a line of that slope upright in all rows, shifted back by shifts (n,)."""
    _, rows, columns = patches.shape
    aside = np.rint(slope * (np.arange(rows) - row_px)).astype(np.intp)
    places = np.arange(columns) + aside[:, None] + shifts[:, None, None]
    return np.take_along_axis(patches, np.clip(places, 0, columns - 1), axis=2)


def outline_scores(patches: GreyArray, outline: Outline) -> FloatArray:
    """How like the outline each place (n, columns) of patches (n, rows, columns) is: 0 at best."""
    steepness = steepness_profiles(patches, outline.slope, outline.row_px, outline.rows)
    return _match_scores(steepness, outline.template)


def close_scores(patch: GreyArray, outline: Outline) -> FloatArray:
    """How like the outline's nearest surroundings each place (columns,) of one patch (rows, columns) is."""
    steepness = steepness_profiles(patch[np.newaxis], outline.slope, outline.row_px, outline.rows)
    return np.asarray(_match_scores(steepness, _close(outline.template), (-CLOSE_PX, WINDOW_PX[1]))[0])


def _close(template: FloatArray) -> FloatArray:
    return template[-WINDOW_PX[0] - CLOSE_PX :]


def nearest_edge(
    scores: FloatArray,
    outline: Outline,
    expected_px: float = math.nan,
    reach_px: float = ANYWHERE_PX,
    *,
    close: bool = False,
) -> float:
    """Place of the outline to about a third of a pixel from its scores (columns,).

    close: the scores are of its nearest surroundings.
    Among equals, the one near the place expected, and without such a place the one nearest the pointer. NaN
    where nothing within reach of that place looks like it: something is before it.
    """
    # Nearer to the patch's ends the fit would have no whole band.
    first = max(outline.shape.outside_px, outline.front_px)
    last = len(scores) - outline.shape.inside_px
    middle = expected_px - outline.lead_px
    if math.isfinite(middle):
        first, last = max(first, math.floor(middle - reach_px)), min(last, math.ceil(middle + reach_px) + 1)
    if last - first < 3:
        return math.nan
    near = scores[first:last]
    template = _close(outline.template) if close else outline.template
    strength = float(template @ template)
    if math.isfinite(middle):
        pulled = near - PULL * strength * np.abs(np.arange(first, last) - middle)
        place = _refine(pulled)
    else:
        place = _refine(near[: _first_peak(near, float(near.max()) - ALIKE * strength) + 2])
    if near[round(place)] < -MOST_UNLIKE * strength:
        return math.nan
    return first + place + outline.lead_px


def rival_edges(scores: FloatArray, outline: Outline, places_px: FloatArray) -> FloatArray:
    """Distances (k,) [px], further from the pointer for > 0, of edges that move with the outline and could pass for it.

    scores : (n, columns) as `outline_scores` gives them; places_px (n,): of the outline in the same frames.
    """
    steps = places_px - outline.lead_px
    here = float(steps[0])
    moved = np.rint(steps - here).astype(np.intp)
    laid_over = np.median([np.roll(s, -m) for s, m in zip(scores, moved, strict=True)], axis=0)
    strength = float(outline.template @ outline.template)
    # The windows at the patch's ends are cut, and what rolled round at the other end isn't there at all.
    room = WINDOW_PX[1] + int(np.abs(moved).max())
    peak = (laid_over[1:-1] >= laid_over[:-2]) & (laid_over[1:-1] > laid_over[2:])
    columns = np.flatnonzero(peak & (laid_over[1:-1] > -MOST_UNLIKE * strength)) + 1
    columns = columns[(columns >= max(room, outline.front_px)) & (columns < len(laid_over) - room)]
    apart = columns - here
    return np.asarray(apart[np.abs(apart) >= LEAST_APART_PX])


def _refine(scores: FloatArray) -> float:
    """Place of the highest score by a parabola through it and its neighbours."""
    best = int(np.argmax(scores))
    if 0 < best < len(scores) - 1:
        left, here, right = scores[best - 1 : best + 2]
        bend = left - 2.0 * here + right
        return float(best + (0.5 * (left - right) / bend if bend < 0.0 else 0.0))
    return float(best)


def _shifts(profiles: FloatArray) -> IntArray:
    """Whole pixels by which each profile lies further than their median, by correlation: the rim moves as one."""
    middle = profiles.shape[1] - 1
    reference = profiles[0]
    for _ in range(3):
        shifts = np.array([int(np.argmax(np.correlate(p, reference, "full"))) - middle for p in profiles])
        shifts -= int(np.median(shifts))
        reference = np.median([np.roll(p, -shift) for p, shift in zip(profiles, shifts, strict=True)], axis=0)
    return shifts


def _first_edge(profile: FloatArray, threshold: float) -> int:
    """First local maximum of |profile| over the threshold, met from small u (the pointer's side)."""
    return _first_peak(np.abs(profile), threshold)


def _first_peak(values: FloatArray, threshold: float) -> int:
    """First local maximum over the threshold, the highest value where there is none."""
    peak = (values[1:-1] >= values[:-2]) & (values[1:-1] > values[2:]) & (values[1:-1] > threshold)
    return int(np.argmax(peak)) + 1 if peak.any() else int(np.argmax(values))


def _window(profile: FloatArray, place: float) -> FloatArray:
    """The profile round a place, zero outside the patch."""
    u = place + np.arange(WINDOW_PX[0], WINDOW_PX[1] + 1)
    return np.asarray(np.interp(u, np.arange(len(profile)), profile, left=0.0, right=0.0))


def _aligned_mean(profiles: FloatArray, places: FloatArray) -> FloatArray:
    return np.asarray(
        np.median([_window(p, place) for p, place in zip(profiles, places, strict=True)], axis=0)
    )


def _match_scores(
    profiles: FloatArray, template: FloatArray, window_px: tuple[int, int] = WINDOW_PX
) -> FloatArray:
    """Least-squares likeness (n, columns) of profiles round each place to the template (negative squared distance)."""
    padded = np.pad(profiles, ((0, 0), (-window_px[0], window_px[1])))
    windows = np.lib.stride_tricks.sliding_window_view(padded, len(template), axis=1)
    cross = windows @ template
    energy = np.sum(windows**2, axis=2)
    # Gain is free within a factor of two: lights flicker and cameras adjust. With less, a plain place that has
    # no edge at all would be like the outline by default.
    strength = max(float(template @ template), 1e-9)
    gain = cross / strength
    free = np.clip(gain, 0.5, 2.0)
    faint = np.maximum(0.5 - gain, 0.0)
    return np.asarray(-(energy - 2.0 * free * cross + free**2 * strength) - 4.0 * faint**2 * strength)
