"""The pointer: its tip once, from the mean look of the first frames, then its shift in every frame.

The tip never moves against the frame, so many frames together place it far better than one can;
what remains in each frame is camera shake (`rimgauge.capture.shift`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rimgauge.capture.patch import GreyArray
from rimgauge.capture.sharpness import outline_blur_px
from rimgauge.capture.shift import MARGIN_PX, Look, learn_look
from rimgauge.errors import NotTrustworthy, PointerNotSeen
from rimgauge.records import BoolArray, FloatArray, IntArray

Point = tuple[float, float]

LEAST_STEEPNESS = 0.0125
"""Share of the brightness a pixel by which a pointer's outline must stand out; a wall's stains, which the mean of many frames
shows well above its noise, have up to 1.7 grey levels of 200, and the faintest pointer among the rendered scenes 3 of 30."""

BACK_PX, FLANK_ROOM_PX, FLANK_SHARE = 10, 3, 0.2
"""The flanks of a pointer come in at the back of its box; each goes on where, so near to it from column to column, there
is such a share of its step."""
PAST_FLANKS_PX, OWN_SHARE, BEYOND_PX = 3, 0.5, 5
"""A round end goes on past the last of its flanks by no more; and where they end something must end so clearly beside what
stands farther on (a judgement). A tip that lies outside its box is looked for so far."""
CLEAR_SHARE, CLEAR_QUANTILE = 0.3, 0.98
"""An outline is as steep as such a share of the steepest places of a box."""
LEAST_END_ROWS, OWN_ROWS_SHARE, MOST_CLOSED, NEAR_BORDER_PX = 3, 0.9, 0.3, 8
"""An end beyond a box is the pointer's where so many rows show it, nearly all of them the pointer's own, and the box closes
few of them near its border by something half as clear (judgements)."""

MOST_BLUR_PX = 4.75
"""Of pictures more blurred than that the bands in which pointer and edge are followed show half a step, which passes for another
(docs/benchmarks.md): 4 px are followed rightly, by 6 a gap was told 4 to 55 % too small."""


@dataclass(frozen=True, slots=True, eq=False)
class PointerLook:
    """Mean look of the pointer, and its tip u, v in the box without the look's margin.

    front_u: up to where something stands before the rim, the tip or what is behind it.
    """

    look: Look
    tip_u: float
    tip_v: float
    front_u: float


def learn_pointer(patches: GreyArray, where: str) -> PointerLook:
    """Learn look and tip from the pointer's patches of the first frames, (n, rows, columns) with a margin.

    Raises
    ------
    PointerNotSeen
        Nothing in the box stands out against its surroundings.
    NotTrustworthy
        What does is too blurred to be followed.
    """
    look = learn_look(patches)
    wider = look.mean[MARGIN_PX:-MARGIN_PX, MARGIN_PX : BEYOND_PX - MARGIN_PX].astype(np.float64)
    ends = _ends(wider[:, :-BEYOND_PX], look.mean_noise)
    tip = _tip_beyond(wider, look.mean_noise) or _end_beyond(wider, look.mean_noise) or (ends and ends[0])
    if tip is None:
        raise PointerNotSeen(_not_seen(where))
    inner = look.mean[MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX].astype(np.float64)
    if (blur_px := outline_blur_px(inner, look.weight)) > MOST_BLUR_PX:
        raise NotTrustworthy(
            f"no pointer can be measured in {where}: it is blurred by {blur_px:.1f} pixels (standard deviation); bring gap and pointer "
            "into focus"
        )
    return PointerLook(look, *tip, front_u=max(tip[0], ends[1][0] if ends else 0.0))


def _not_seen(where: str) -> str:
    return f"no pointer stands out in {where}; put something plain behind it, add light, or run aim again"


def find_tip(mean: FloatArray, noise: float, where: str) -> Point:
    """Tip of the outline: first edge met from the rim's side, row by row; its foremost place by a parabola.

    u grows into the rim, so the pointer comes from small u and its tip is its largest u. What stands farther on than the
    flanks of what comes from there reach is something behind it, as a hub or spokes that pass, unless it is far clearer.

    Raises
    ------
    PointerNotSeen
        Nothing stands out of the noise [grey levels], or of what a plain wall shows.
    """
    ends = _ends(mean, noise)
    if ends is None:
        raise PointerNotSeen(_not_seen(where))
    return ends[0]


def _tip_beyond(wider: FloatArray, noise: float) -> Point | None:
    """Tip that a box of BEYOND_PX fewer columns cuts off: its flanks run out of that one and end in the wider one with it."""
    border = wider.shape[1] - BEYOND_PX - 1
    inside, beyond = (_body(part, noise) for part in (wider[:, : border + 1], wider))
    if inside is None or beyond is None or inside[1] < border or beyond[1] >= wider.shape[1] - 2:
        return None
    ends = _ends(wider, noise)
    if ends is None or ends[0][0] <= border or abs(ends[0][0] - beyond[1]) > PAST_FLANKS_PX:
        return None
    return ends[0]


def _end_beyond(wider: FloatArray, noise: float) -> Point | None:
    """Tip of what a box of BEYOND_PX fewer columns cuts off: an end in its rows alone, which nothing in the box closes."""
    border = wider.shape[1] - BEYOND_PX - 1
    level, along, _ = _steps(wider)
    steepness = np.abs(along)
    usual = float(np.quantile(steepness[:, : border + 1], CLEAR_QUANTILE))
    threshold = max(CLEAR_SHARE * usual, 6.0 * noise, LEAST_STEEPNESS * level)
    clear = np.where(_peaks(steepness, threshold), steepness[:, 1:-1], 0.0)
    inside, beyond = clear[:, :border], clear[:, border:]
    rows = np.flatnonzero(beyond.any(axis=1))
    if len(rows) < LEAST_END_ROWS or np.mean(_own_rows(wider, noise, inside, rows)) < OWN_ROWS_SHARE:
        return None
    closed = inside[rows].max(axis=1) > OWN_SHARE * beyond[rows].max(axis=1)
    end = _foremost_end(steepness, threshold)
    if end is None or np.mean(closed) > MOST_CLOSED:
        return None
    (tip_u, tip_v), _ = end
    return (tip_u, tip_v) if border < tip_u < wider.shape[1] - 2 else None


def _own_rows(wider: FloatArray, noise: float, inside: FloatArray, rows: IntArray) -> BoolArray:
    """Which of some rows (k,), in which something ends beyond the box, are those of what its back or its border shows.

    A corner fills the back of its box, and both its flanks run out close beside its end.
    """
    body = _body(wider[:, :-BEYOND_PX], noise)
    if body is not None:
        own = np.zeros(len(wider), dtype=bool)
        own[body[0]] = True
        return np.asarray(own[rows])
    near = np.asarray(inside[:, -NEAR_BORDER_PX:].any(axis=1))
    first, last = int(rows[0]), int(rows[-1])
    flanks = (
        near[max(0, first - FLANK_ROOM_PX) : first].any() and near[last + 1 : last + 1 + FLANK_ROOM_PX].any()
    )
    whole = len(rows) >= OWN_ROWS_SHARE * (last - first + 1)
    return np.full(len(rows), bool(flanks and whole))


def _ends(mean: FloatArray, noise: float) -> tuple[Point, Point] | None:
    """Tip as `find_tip` tells it, and what ends foremost, the tip or what is behind it; None where nothing stands out."""
    level, along, _ = _steps(mean)
    steepness = np.abs(along)
    if float(steepness.max()) < LEAST_STEEPNESS * level:
        return None
    threshold = max(CLEAR_SHARE * float(np.quantile(steepness, CLEAR_QUANTILE)), 6.0 * noise)
    found = _foremost_end(steepness, threshold)
    if found is None:
        return None
    tip, clear = found
    body = _body(mean, noise)
    if body is not None and tip[0] > body[1] + PAST_FLANKS_PX:
        rows, end_u = body
        own = _foremost_end(steepness[rows, : end_u + PAST_FLANKS_PX + 1], threshold)
        if own is not None and own[1] > OWN_SHARE * clear:
            return (own[0][0], rows.start + own[0][1]), tip
    return tip, tip


def _steps(mean: FloatArray) -> tuple[float, FloatArray, FloatArray]:
    """Usual brightness, and its change from column to column and from row to row (rows, columns), a little smoothed."""
    kernel = np.array([0.25, 0.5, 0.25])
    smooth = np.apply_along_axis(np.convolve, 1, np.pad(mean, ((0, 0), (1, 1)), mode="edge"), kernel, "valid")
    smooth = np.apply_along_axis(
        np.convolve, 0, np.pad(smooth, ((1, 1), (0, 0)), mode="edge"), kernel, "valid"
    )
    return float(np.median(mean)), np.gradient(smooth, axis=1), np.gradient(smooth, axis=0)


def _body(mean: FloatArray, noise: float) -> tuple[slice, int] | None:
    """Rows where the flanks of what comes from the box's back end, with some room, and how far they reach; None without."""
    level, _, across = _steps(mean)
    rows, columns = across.shape
    back = across[:, :BACK_PX].mean(axis=1)
    size = np.abs(back)
    inner = np.arange(1, rows - 1)
    v = inner[
        (size[1:-1] >= size[:-2])
        & (size[1:-1] > size[2:])
        & (size[1:-1] > max(LEAST_STEEPNESS * level, 6.0 * noise))
    ]
    if not len(v):
        return None
    steps = back[v]
    seen_u = np.zeros(len(v), dtype=np.intp)
    for u in range(columns):
        near = np.clip(v[:, None] + np.arange(-FLANK_ROOM_PX, FLANK_ROOM_PX + 1), 0, rows - 1)
        likeness = across[near, u] / steps[:, None]
        best = likeness.argmax(axis=1)
        there = (likeness.max(axis=1) > FLANK_SHARE) & (u - seen_u <= FLANK_ROOM_PX)
        v = np.where(there, near[np.arange(len(v)), best], v)
        seen_u[there] = u
    first, last = int(v.min()) - FLANK_ROOM_PX, int(v.max()) + FLANK_ROOM_PX + 1
    return slice(max(0, first), last), int(seen_u.max())


def _foremost_end(steepness: FloatArray, threshold: float) -> tuple[Point, float] | None:
    """Foremost place u, v of edges over a threshold, and how steep they are round it; None where there are hardly any."""
    peak = _peaks(steepness, threshold)
    edge_rows = np.flatnonzero(peak.any(axis=1))
    if len(edge_rows) < 4:
        return None
    columns = peak.shape[1] - np.argmax(peak[edge_rows, ::-1], axis=1)
    refined = columns + _vertex(steepness, edge_rows, columns)
    middle = _foremost_run(edge_rows, refined)
    clear = float(np.median(steepness[edge_rows[middle], columns[middle]]))
    rows, places = edge_rows[middle].astype(np.float64), refined[middle]
    if len(rows) < 4:
        return (float(places.max()), float(rows[np.argmax(places)])), clear
    curve = np.polynomial.Polynomial.fit(rows, places, 2).convert().coef
    top = -curve[1] / (2.0 * curve[2]) if curve[2] < -1e-4 else float(rows.mean())
    top = float(np.clip(top, rows.min(), rows.max()))
    return (float(curve[0] + curve[1] * top + curve[2] * top**2), top), clear


def _peaks(steepness: FloatArray, threshold: float) -> BoolArray:
    """Inner places (rows, columns − 2) that are steeper along their row than those beside them, and than a threshold."""
    inner = steepness[:, 1:-1]
    return np.asarray((inner >= steepness[:, :-2]) & (inner > steepness[:, 2:]) & (inner > threshold))


def _vertex(steepness: FloatArray, rows: IntArray, columns: IntArray) -> FloatArray:
    left, here, right = (steepness[rows, columns + k] for k in (-1, 0, 1))
    return np.asarray(0.5 * (left - right) / np.minimum(left - 2.0 * here + right, -1e-9))


def _foremost_run(rows: IntArray, places: FloatArray) -> IntArray:
    """Indices of the run of neighbouring rows round the foremost place that lie within 4 px of it.

    The foremost place counts only with neighbours beside it: a speck has none.
    """
    best: IntArray = np.arange(0)
    for start in np.argsort(places)[::-1]:
        near = np.abs(places - places[start]) < 4.0
        near &= places <= places[start] + 0.7
        low = high = int(start)
        while low > 0 and near[low - 1] and rows[low] - rows[low - 1] <= 2:
            low -= 1
        while high < len(rows) - 1 and near[high + 1] and rows[high + 1] - rows[high] <= 2:
            high += 1
        run = np.arange(low, high + 1)
        if len(run) >= 8:
            return run
        if len(run) > len(best):
            best = run
    return best
