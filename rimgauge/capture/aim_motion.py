"""What moves in the picture of a turning wheel: which way the rim runs, where its mark and spokes cross."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from rimgauge.capture.aim_facing import Facing
from rimgauge.capture.aim_look import Point, turned_box
from rimgauge.capture.mark import SPOKE_BINS, strip_along
from rimgauge.capture.sources import Frame
from rimgauge.records import Box, Direction, FloatArray, View

BINS_ALONG, COLUMN_PX = 90, 4
USUAL_MARK_COLUMNS = (8, 108)
LEAST_OVERLAP = 0.2
SURE_ERRORS = 4.0
"""Mean difference between the two ways beside its standard error that is believed at once."""
CLEAR_DIFFERENCE = 0.2
"""Difference between the fits of the two ways, over five frames, that chance hardly gives."""
LEAST_MAJORITY = 0.3
RARE, CLEAR_VOTE, LEAST_VOTES = 5.0, 0.3, 3
"""What passes is rare if it is so many times as strong as is usual, and runs clearly if one way agrees better by so much; so
many times more must one way have won, for of two that agree half agree by chance. On five ray-traced films marks were 9 to
440 times as strong and agreed better by 0.36 to 0.76 (a judgement between)."""
CLEAR_COLOUR, LEAST_COLOURS = 0.25, 2
"""The same of what passes by its colour alone: of 200 sightings on 27 films, drawn and ray-traced, none was wrong by more than
0.17, while the two ends of a long grey decal were taken for one another by 0.39."""
LEAST_STRIPS = 6
LEAST_CHROMA = 8.0
"""A mark differs from the rim by so much in colour (CIE a*, b*) at least."""
COLOURED_SHARE = 0.4
"""What has so much of the strongest colour belongs to the mark."""
LARGEST_MARK_SHARE = 0.25
"""Of the frames that may show a mark beyond the rim: in four seconds it comes by once or twice (a judgement)."""
SOFT_PX = 2.0
"""A blurred edge reaches so far."""
LEAST_SPOKE_STEP = 1.5
"""Spokes change the brightness of their strip by so many grey levels at least."""
SPOKE_BOX_PX, NEAR_SHARE = 52.0, 0.5
"""Such a wide place counts before those farther from the rim if spokes change it by such a share of the most (a judgement)."""
NARROW_BINS, PASSING_FRAMES, LEAST_USUAL = 4.0, 40, 0.2
"""A spoke is narrower than so many bins (standard deviation), shows in a bin once in so many frames at least, and in none is
the usual change taken for less grey levels than this."""
CLEARLY, LEAST_CROSSED = 5.0, 1.0 / 3.0
"""Something passed a bin in which what is seen most seldom is so many times the usual; in each third of a box so many must be
passed. On 11 films with spokes beyond the rim 0.88 of them and more were, drawn and ray-traced; in the least third of four with
a rim that fills the picture none or hardly one."""


def rim_strips(frames: Sequence[Frame], facing: Facing, width_px: float) -> NDArray[np.uint8]:
    """Take the colours (n, 90, columns, 3) of the rim along its course, edge first; columns of COLUMN_PX."""
    patch, rows = facing.still.patch, facing.still.mean.shape[0]
    u, v = np.meshgrid(np.arange(2.0, max(width_px, 8.0)), np.arange(rows, dtype=np.float64))
    start = facing.edge_u - float(facing.course.aside(facing.tip[1]))
    x, y = patch.to_picture(u + start + facing.course.aside(v), v)
    across, down = cv2.convertMaps(x.astype(np.float32), y.astype(np.float32), cv2.CV_16SC2)
    size = (max(1, u.shape[1] // COLUMN_PX), BINS_ALONG)
    strips = [
        cv2.resize(
            cv2.remap(frame.image, across, down, cv2.INTER_NEAREST), size, interpolation=cv2.INTER_AREA
        )
        for frame in frames
    ]
    return np.stack(strips).astype(np.uint8)


def beyond_strips(frames: Sequence[Frame], facing: Facing, rim_columns: int) -> NDArray[np.uint8]:
    """The same of what is seen beyond so many columns of the rim, up to the picture's border."""
    seen_px = facing.still.mean.shape[1] - facing.edge_u
    return rim_strips(frames, facing, seen_px)[:, :, rim_columns:]


def running_way(strips: FloatArray) -> tuple[int, bool]:
    """Tell which way along v the rim runs (+1 or −1), and whether that is sure.

    A coloured mark tells it by itself. Else what passes is compared from frame to frame at every shift either way; the
    way that fits better in most pairs wins. Still things are taken out first.
    """
    if len(strips) < LEAST_STRIPS:
        return 1, False
    colours = _votes(_chroma(strips), CLEAR_COLOUR)
    if abs(float(colours.sum())) >= max(LEAST_COLOURS, LEAST_MAJORITY * np.abs(colours).sum()):
        return (1 if colours.sum() > 0.0 else -1), True
    moving = strips - np.median(strips, axis=0)
    moving -= moving.mean(axis=(1, 2), keepdims=True)
    flat = moving.reshape(len(strips), BINS_ALONG, -1)
    ahead = np.array([_best_fit(a, b) for a, b in itertools.pairwise(flat)])
    back = np.array([_best_fit(b, a) for a, b in itertools.pairwise(flat)])
    differences = ahead - back
    mean = float(differences.mean())
    if abs(mean) > SURE_ERRORS * float(differences.std()) / np.sqrt(len(differences)):
        return (1 if mean > 0.0 else -1), True
    votes = np.empty(0) if len(colours) else _votes(strips, CLEAR_VOTE)
    ahead_by = float(votes.sum())
    if abs(ahead_by) >= max(LEAST_VOTES, LEAST_MAJORITY * np.abs(votes).sum()):
        return (1 if ahead_by > 0.0 else -1), True
    return _way_of_slow_frames(differences)


def _way_of_slow_frames(differences: FloatArray) -> tuple[int, bool]:
    """The same of a wheel rocked both ways: it turns round only through a standstill, and slow frames tell their way clearly."""
    smooth = np.convolve(differences, np.full(5, 0.2), "same")
    clear = np.flatnonzero(np.abs(smooth) > CLEAR_DIFFERENCE)
    if len(clear) < 5:
        return 1, False
    nearest = clear[np.abs(np.arange(len(smooth))[:, None] - clear).argmin(axis=1)]
    vote = float(np.sign(smooth[nearest]).mean())
    return (1 if vote > 0.0 else -1), abs(vote) > LEAST_MAJORITY


def _votes(strips: FloatArray, clear: float) -> FloatArray:
    """Ways (k,) that something rare, such as the mark, ran while it was in the picture twice running; 0 where not clear.

    What lies straight along the rim only moves with its runout, and is taken out.
    """
    moving = strips - np.median(strips, axis=0)
    moving -= moving.mean(axis=1, keepdims=True)
    flat = moving.reshape(len(strips), BINS_ALONG, -1)
    strength = (flat**2).mean(axis=(1, 2))
    rare = np.flatnonzero(np.minimum(strength[1:], strength[:-1]) > RARE * float(np.median(strength)))
    ahead = np.array([_kept(flat[k], flat[k + 1]) - _kept(flat[k + 1], flat[k]) for k in rare])
    return np.asarray(np.sign(ahead) * (np.abs(ahead) > clear), dtype=np.float64)


def _kept(before: FloatArray, after: FloatArray) -> float:
    """Find the highest agreement of two strips when the first has run on; what leaves the picture agrees with nothing."""
    size = float(np.sqrt((before**2).sum() * (after**2).sum()))
    shifts = range(2, int((1.0 - LEAST_OVERLAP) * BINS_ALONG))
    return max(float((before[:-shift] * after[shift:]).sum()) for shift in shifts) / max(size, 1e-9)


def _best_fit(before: FloatArray, after: FloatArray) -> float:
    """Find the highest agreement of two strips when the first has run on by some bins to higher v."""
    best = 0.0
    for shift in range(2, int((1.0 - LEAST_OVERLAP) * BINS_ALONG)):
        a, b = before[:-shift], after[shift:]
        size = float(np.sqrt((a**2).sum() * (b**2).sum()))
        # A short overlap agrees by chance more easily.
        best = max(best, float((a * b).sum()) / max(size, 1e-9) * np.sqrt(len(a) / BINS_ALONG))
    return best


def _chroma(strips: FloatArray) -> FloatArray:
    """Colour a*, b* (n, 90, columns, 2) of strips, without their brightness."""
    flat = strips.reshape(len(strips), BINS_ALONG, -1, 3)
    lab = [cv2.cvtColor(one.astype(np.float32) / 255.0, cv2.COLOR_BGR2LAB) for one in flat]
    return np.stack(lab)[..., 1:].astype(np.float64)


def find_mark_columns(
    strips: FloatArray, moves_px: FloatArray, *, most: float = 1.0
) -> tuple[int, int] | None:
    """Find where across the strips something coloured passes [px from their start]; None: nowhere.

    moves_px (n,): how far the rim lies from where it is mostly, further along the strips. Where it moves away at their
    start, or from behind their end, what shows is the wall, in colours of its own.
    most: share of the frames that may show it; what shows in more is no mark but spokes before a coloured wall.
    """
    bins = strips.shape[1]
    first = _bared_columns(moves_px)
    strips = strips[:, :, first : strips.shape[2] - _bared_columns(-moves_px)]
    if strips.shape[2] == 0:
        return None
    chroma = _chroma(strips)
    change = np.linalg.norm(chroma - np.median(chroma, axis=0), axis=3)
    peaks = np.sort(change, axis=1)[:, -max(3, bins // 12) :].mean(axis=1)
    peak = peaks.max(axis=0)
    usual = float(np.median(change)) * 4.0
    if peak.max() < max(LEAST_CHROMA, usual):
        return None
    if np.mean(peaks.max(axis=1) > COLOURED_SHARE * peak.max()) > most:
        return None
    coloured = first + np.flatnonzero(peak > COLOURED_SHARE * peak.max())
    return COLUMN_PX * int(coloured[0]), COLUMN_PX * int(coloured[-1] + 1)


def find_mark_beyond(strips: FloatArray, moves_px: FloatArray, rim_columns: int) -> tuple[int, int] | None:
    """The same of the strips beyond so many columns of the rim: a tyre may bear the mark."""
    found = find_mark_columns(strips, moves_px, most=LARGEST_MARK_SHARE)
    if found is None:
        return None
    rim_px = COLUMN_PX * rim_columns
    return rim_px + found[0], rim_px + found[1]


def _bared_columns(moves_px: FloatArray) -> int:
    """How many columns the rim lies off at times, its blurred edge with them."""
    most = float(moves_px.max(initial=0.0))
    return math.ceil((most + SOFT_PX) / COLUMN_PX) if most > 0.0 else 0


def mark_box(facing: Facing, columns: tuple[int, int]) -> Box | None:
    """Put a box round the mark's path, its middle level with the tip."""
    patch, tip_v = facing.still.patch, facing.tip[1]
    rows = facing.still.mean.shape[0]
    half = min(tip_v, rows - 1.0 - tip_v, 90.0)
    start = facing.edge_u + 2.0
    low, high = start + columns[0], start + max(columns[1], columns[0] + 12)
    return turned_box(patch, low, high, tip_v - half, tip_v + half)


def mark_told(
    facing: Facing, columns: tuple[int, int] | None, mark_at: Point | None
) -> tuple[Box | None, tuple[str, ...]]:
    """Box of a mark that passes in these columns, or where a person pointed; without either of where it usually is, and a remark."""
    if mark_at is not None:
        u, _ = facing.still.patch.to_patch(*mark_at)
        middle, half = u - facing.edge_u, 20
        return mark_box(facing, (round(middle - half), round(middle + half))), ()
    if columns is not None:
        return mark_box(facing, columns), ()
    note = (
        "No coloured mark came by; stick one on the rim at the valve, or place it with --mark-at X,Y; "
        "without one, begin the film with a spoke at the pointer and give `measure` its number with --start-spoke."
    )
    return mark_box(facing, USUAL_MARK_COLUMNS), (note,)


def find_spoke_box(frames: Sequence[Frame], facing: Facing, view: View) -> Box | None:
    """Find the place nearest to the rim in which spokes change the brightness about most; None where they hardly do."""
    found: list[tuple[float, Box]] = []
    for places in _spoke_places(facing, view.direction):
        seen = [(_spoke_step(frames, view, box), box) for box in places]
        found += [max(seen, key=lambda one: one[0])] if seen else []
    most = max((step for step, _ in found), default=0.0)
    return next((box for step, box in found if step > max(LEAST_SPOKE_STEP, NEAR_SHARE * most)), None)


def _spoke_step(frames: Sequence[Frame], view: View, box: Box) -> float:
    """By how much spokes change the brightness in a box [grey levels], 0 where what changes it passes only part of it."""
    strips = np.stack([strip_along(f.image, view, box, SPOKE_BINS, whole=False).mean(axis=1) for f in frames])
    change = strips - np.median(strips, axis=0)
    if view.direction == "radial" and not pass_whole(change):
        return 0.0
    change -= np.median(change, axis=1, keepdims=True)
    # Spokes are narrow: they stand out of the strip here and there, while light and shade change it all.
    return float(np.quantile(np.abs(change), 0.95))


def pass_whole(change: FloatArray) -> bool:
    """Whether narrow things pass all along strips (n, bins), as spokes do; streaks of a rim shine all along them at once.

    change: from what each bin mostly shows. What passes is rare in a bin, and stands out of what it usually does.
    """
    narrow = change - gaussian_filter1d(change, NARROW_BINS, axis=1, mode="nearest")
    size = np.abs(narrow)
    usual = np.maximum(np.median(size, axis=0), LEAST_USUAL)
    few = max(1, len(size) // PASSING_FRAMES)
    crossed = np.sort(size, axis=0)[-few] > CLEARLY * usual
    return min(float(part.mean()) for part in np.array_split(crossed, 3)) > LEAST_CROSSED


def _spoke_places(facing: Facing, direction: Direction) -> list[list[Box]]:
    """List places to try, nearest to the rim first: on the pointer's side beside the pointer, or along the border beyond the rim.

    Of a deep rim that is seen from above spokes come to sight far behind the pointer's tip.
    """
    still, (tip_u, tip_v) = facing.still, facing.tip
    rows, columns = still.mean.shape
    border = 4.0
    if direction == "radial":
        tried = [[(columns - 1 - 16, columns - 1 - border, 20, rows - 1 - 20)]]
    else:
        behind_u = tip_u + 2.0 - SPOKE_BOX_PX
        reaches = [(behind_u, tip_u + 2.0)]
        reaches += [(max(border, u - SPOKE_BOX_PX), u) for u in np.arange(behind_u, border, -SPOKE_BOX_PX)]
        tried = [
            [(*reach, *side) for side in ((border, tip_v - 28), (tip_v + 28, rows - 1 - border))]
            for reach in reaches
        ]
    boxes = [[turned_box(still.patch, *place) for place in places] for places in tried]
    return [[box for box in places if box is not None and max(box[2:]) >= 40] for places in boxes]


def to_picture_way(facing: Facing, way: int) -> Point:
    """Give the unit vector in the picture along the rim's edge, toward higher v for +1."""
    patch = facing.still.patch
    start = patch.to_picture(0.0, 0.0)
    end = patch.to_picture(facing.slope * way, float(way))
    vector: NDArray[np.float64] = np.subtract(end, start)
    x, y = vector / np.linalg.norm(vector)
    return float(x), float(y)
