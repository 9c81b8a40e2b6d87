"""How far a pointer drew back, row by row, by what it uncovered; what lies behind it need not be plain.

Both pictures are two layers: the pointer up to its outline, and beyond it what lies behind, which stays where
it was. Along a row each layer is a random walk of unknown level, so that what the pointer still hides is
foretold from what it uncovered, the worse the busier that is. Places of the outline, blurs and moves are
tried, all but the move is summed over (Bayes' theorem for Gaussian layers; derived), and the rows' answers
are averaged. Rows that disagree by more than they say (a stripe that runs on slantwise under the pointer)
make the answer less sure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.patch import Patch
from rimgauge.records import BoolArray, FloatArray

BLURS_PX = (0.8, 1.2, 1.8)
LEVEL_SD = 100.0
"""Standard deviation of a layer's unknown level: any grey level goes."""
JPEG_FACTOR = 1.5
"""JPEG makes neighbours and colours alike, so that pixels tell less than independent ones (seen in pictures)."""
LEAST_WALK, POINTER_WALK = 4.0, 2.0
"""Mean square of what a layer changes by from pixel to pixel, at least [grey levels²]. What lies behind is mostly even
and jumps here and there: this, its own, and one between them are tried."""
ROOM_PX, CLEAR_PX = 2, 3
"""Room round what changed; distance from the outline at which no blur of it is left."""
LEAST_ROWS, MOST_ROWS = 4, 20
MOST_EXTENT, MOST_NUMBERS = 4.0, 8_000_000
"""Furthest moves that a row's change may be long; and numbers held at once, so that memory stays bounded."""
NEVER = -1e9
MOST_VOTE = 8.0
"""Difference of log-likelihood that one row may make."""
ALIKE_ROWS = 4.0
"""Neighbouring rows share blur and JPEG's blocks: so many at least count as one (seen in pictures)."""
LEAST_ALIKE = 0.1
"""A correlation under this is chance."""
STRONG_CHANGE, MOST_BEYOND_PX = 0.3, 4.0
"""Where a row changed by that share of its largest change the pointer moved; so far before its new outline (blur)."""
ABOUT_PX, SEARCH_PX = 0.75, 1.5
"""How far round the rough answer the outline and the move are sought first."""
MOST_SLOPE, NEAR_ROWS = 0.8, 4.0
"""Rows along which the outline runs more than across them tell little of the move; its slope is of rows so near."""
RIVAL_PX, RIVAL_SHARE, CLEAR_VOTE, MOST_LOSS = 1.5, 0.2, 1.5, 3.5
"""Another move, farther off than that, must be so much less likely in the mean row (logarithm), and the one that all
agree on no more than so much less than each row's own."""
NEAR_SHARE, NEAR_PX, LEAST_AGREE = 0.12, 0.5, 0.5
"""So near the answer, that share of the rows must find the move by themselves (seen in pictures)."""
STEPS = np.linspace(-1.0, 1.0, 7)
LEAST_SPREAD_PX = 0.03
"""What the model leaves of a row even without noise."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Uncovered:
    """Move of the pointer [px] toward small u, its standard error, and the outline's slope du/dv at the tip."""

    px: float
    standard_error_px: float
    slope: float


def cut_colours(patch: Patch, image: NDArray[np.uint8]) -> FloatArray:
    """Cut the patch's box out of a BGR picture in colour (rows v, columns u, 3)."""
    x, y, width, height = patch.box
    colours = image[y : y + height, x : x + width].astype(np.float64)
    turned = colours.transpose(1, 0, 2) if patch.transposed else colours
    return np.ascontiguousarray(turned[:, ::-1] if patch.flipped else turned)


def uncovered_px(old: FloatArray, new: FloatArray, changed: BoolArray, reach_px: float) -> Uncovered | None:
    """Move toward small u of a pointer that comes from there, from pictures (rows, columns, 3).

    Parameters
    ----------
    old, new : before and after.
    changed : (rows, columns) where they differ.
    reach_px : the furthest move that is tried.

    Returns
    -------
    Uncovered or None
        A move of −1 where the pictures explain one another better in the other order; None where they don't
        agree with a pointer's move: too few rows show its outline, other moves explain them nearly as well, most
        rows tell another one, or the pictures changed farther than it.
    """
    apart = (new - old)[~changed]
    noise = max(1.4826 * float(np.median(np.abs(apart - np.median(apart)))) / math.sqrt(2.0), 0.5)
    v = _rows_of_a_move(changed, reach_px)
    if len(v) < LEAST_ROWS:
        return None
    every = max(1 if len(v) < MOST_ROWS else 2, math.ceil(len(v) / MOST_ROWS))
    v = v[::every]
    moves = np.arange(1.0, reach_px, 0.5)
    tried = [_Row(old, new, changed, int(each), noise) for each in v]
    likely = [row.log_likelihood(row.places, moves, BLURS_PX[1:2]) for row in tried]
    back = [_Row(new, old, changed, int(each), noise) for each in v]
    other = np.array([row.log_likelihood(row.places, moves, BLURS_PX[1:2]).max() for row in back])
    if _votes(np.array([each.max() for each in likely]) - other) < 0.0:
        return Uncovered(px=-1.0, standard_error_px=math.inf, slope=0.0)
    kept, places, slopes = _outline(v.astype(np.float64), tried, likely)
    if len(kept) < LEAST_ROWS:
        return None
    rows, likely = [tried[k] for k in kept], [likely[k] for k in kept]
    best, sure = _stands_out(moves, likely)
    told = [
        _refined(row, place, best, math.hypot(1.0, slope))
        for row, place, slope in zip(rows, places, slopes, strict=True)
    ]
    alike = max(ALIKE_ROWS / every, 1.0, _alike_rows(rows, int(places.mean() - best) + CLEAR_PX))
    mean, spread = np.array(told).T
    px, error_px = _together(mean, spread, alike)
    beyond = [_unexplained_px(row, place - px) for row, place in zip(rows, places, strict=True)]
    agree = float(np.mean(np.abs(mean - px) < np.maximum(NEAR_SHARE * px, NEAR_PX)))
    if not sure or agree < LEAST_AGREE or float(np.median(beyond)) > MOST_BEYOND_PX:
        return None
    return Uncovered(px=px, standard_error_px=error_px, slope=float(np.median(slopes)))


def _rows_of_a_move(changed: BoolArray, reach_px: float) -> NDArray[np.intp]:
    """Rows (k,) that changed (rows, columns) as a move does: as far as it went, and not all along as another picture does."""
    columns = np.arange(changed.shape[1])
    first = np.where(changed, columns, columns[-1] + 1).min(axis=1)
    extent = np.where(changed, columns, -1).max(axis=1) - first
    far = extent > MOST_EXTENT * reach_px + 2 * ROOM_PX
    return np.flatnonzero((changed.sum(axis=1) >= 2 * ROOM_PX) & ~far)


def _outline(
    v: FloatArray, rows: list[_Row], likely: list[FloatArray]
) -> tuple[NDArray[np.intp], FloatArray, FloatArray]:
    """Which rows (k,) the outline runs across, where (k,) it does so before the move, and its slope (k,) there.

    By the move that all rows together vote for: at a tip half of which can't be told from what lies behind it, the
    foremost row that changed need not be the tip's.
    """
    best = np.array([each.max(axis=0) for each in likely])
    move = int(np.argmax(_votes(best - best.max(axis=1, keepdims=True))))
    places = np.array([row.places[np.argmax(each[:, move])] for row, each in zip(rows, likely, strict=True)])
    slopes = _slopes(v, places)
    kept = np.flatnonzero(np.abs(slopes) <= MOST_SLOPE)
    return kept, places[kept], slopes[kept]


def _stands_out(moves: FloatArray, likely: list[FloatArray]) -> tuple[float, bool]:
    """The move that the rows vote for; whether it suits them nearly as well as their own, and no other one does."""
    best = np.array([each.max(axis=0) for each in likely])
    votes = _votes(best - best.max(axis=1, keepdims=True))
    first = int(np.argmax(votes))
    others = np.abs(moves - moves[first]) > max(RIVAL_PX, RIVAL_SHARE * float(moves[first]))
    behind = float(votes[first]) - float(votes[others].max(initial=-np.inf))
    alike = float(votes[first]) > -MOST_LOSS * len(likely)
    return float(moves[first]), alike and behind > CLEAR_VOTE * len(likely)


def _slopes(v: FloatArray, places: FloatArray) -> FloatArray:
    """Slope of the outline at each row [px/px]: the median of those to the rows near it, infinite for a row by itself."""
    apart = v[None] - v[:, None]
    rise = (places[None] - places[:, None]) / np.where(apart == 0.0, 1.0, apart)
    near = (apart != 0.0) & (np.abs(apart) <= NEAR_ROWS)
    slopes, some = np.full(len(v), np.inf), near.any(axis=1)
    slopes[some] = np.nanmedian(np.where(near, rise, np.nan)[some], axis=1)
    return slopes


class _Row:
    """One row of both pictures, round what changed in it."""

    def __init__(self, old: FloatArray, new: FloatArray, changed: BoolArray, v: int, noise: float) -> None:
        columns = np.flatnonzero(changed[v])
        first = max(int(columns[0]) - ROOM_PX, 0)
        self.end = min(int(columns[-1]) + ROOM_PX + 1, old.shape[1])
        self.new, self.noise, self.around = new[v], noise, new[max(v - 2, 0) : v + 3]
        self.u = np.arange(first, self.end, dtype=np.float64)
        self.seen = np.vstack([old[v, first : self.end], new[v, first : self.end]]) - 128.0
        self.places = np.arange(columns[0] + 2.0, columns[-1] + 0.5, 0.5)

    def log_likelihood(self, places: FloatArray, moves: FloatArray, blurs: tuple[float, ...]) -> FloatArray:
        """Of each place (k,) of the outline and move (m,), shape (k, m), summed over blurs."""
        clear = int(places.mean() - moves.mean()) + CLEAR_PX
        free = max(0, min(clear, self.end - CLEAR_PX))
        walk = self._walk(self.around[:, free : self.end + CLEAR_PX])
        place, move = (grid.ravel() for grid in np.meshgrid(places, moves, indexing="ij"))
        from_edge = np.hstack([self.u - place[:, None], self.u - (place - move)[:, None]])
        walks = {LEAST_WALK, math.sqrt(LEAST_WALK * walk), walk}
        pieces = math.ceil(from_edge.size * from_edge.shape[1] / MOST_NUMBERS)
        parts = np.array_split(from_edge, pieces)
        found = [
            np.concatenate([self._of_layers(part, blur, each) for part in parts])
            for blur in blurs
            for each in walks
        ]
        likely = np.logaddexp.reduce(found, axis=0)
        # Where nothing changed any more the pointer hides the same as before: its new outline isn't there.
        likely[place - move < self.u[0]] = NEVER
        return np.asarray(likely).reshape(len(places), len(moves))

    def _walk(self, behind: FloatArray) -> float:
        """Mean square of what lies behind changes by from pixel to pixel; rare jumps count by their fourth power."""
        steps = [math.sqrt(float(np.mean(np.diff(behind, axis=axis) ** 4))) for axis in (0, 1)]
        return max(max(steps) - 2.0 * math.sqrt(3.0) * self.noise**2, LEAST_WALK)

    def _of_layers(self, from_edge: FloatArray, blur_px: float, walk: float) -> FloatArray:
        """Log-likelihood (j,) of the row for distances (j, 2n) of its pixels from the outline, both pictures."""
        # The logistic curve is within 0.01 of the normal distribution's.
        pointer = 1.0 / (1.0 + np.exp(np.clip(1.702 * from_edge / blur_px, -60.0, 60.0)))
        behind, both = 1.0 - pointer, np.tile(self.u, 2)
        still = LEVEL_SD**2 + 0.5 * walk * (len(self.u) - np.abs(both[:, None] - both))
        moving = LEVEL_SD**2 - 0.5 * POINTER_WALK * np.abs(from_edge[:, :, None] - from_edge[:, None, :])
        covariance = pointer[:, :, None] * pointer[:, None, :] * moving
        covariance += behind[:, :, None] * behind[:, None, :] * still
        covariance += (JPEG_FACTOR * self.noise) ** 2 * np.eye(len(both))
        root = np.linalg.cholesky(covariance)
        white = np.linalg.solve(root, np.broadcast_to(self.seen, (len(pointer), *self.seen.shape)))
        depth = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
        return np.asarray(-0.5 * (white**2).sum(axis=(1, 2)) - self.seen.shape[1] * depth)


def _unexplained_px(row: _Row, outline: float) -> float:
    """How far before the pointer's new outline the row changed strongly: there it should hide the same as before."""
    old, new = np.split(row.seen, 2)
    change = np.abs(new - old).max(axis=1)
    return outline - float(row.u[np.argmax(change > STRONG_CHANGE * change.max())])


def _votes(likely: FloatArray) -> FloatArray:
    """Sum the rows (n, ...) so that a row which the model doesn't fit can't outvote the others."""
    return np.asarray(np.clip(likely, -MOST_VOTE, MOST_VOTE).sum(axis=0))


def _refined(row: _Row, place: float, rough_px: float, stretch: float) -> tuple[float, float]:
    """Mean and standard deviation of the move by one row: about the rough one, then as finely as it tells.

    stretch: how much wider the outline's blur is along the row than across the outline.
    """
    mean, spread, reach = rough_px, SEARCH_PX / 3.0, ABOUT_PX
    for _ in range(2):
        places = place + reach * STEPS
        moves = mean + 3.0 * max(spread, 0.03) * np.linspace(-1.0, 1.0, 2 * len(STEPS) - 1)
        likely = row.log_likelihood(places, moves, tuple(stretch * blur for blur in BLURS_PX))
        weights = np.exp(likely - likely.max())
        weights /= weights.sum()
        mean = float(weights.sum(axis=0) @ moves)
        place = float(weights.sum(axis=1) @ places)
        spread = math.sqrt(float(weights.sum(axis=0) @ (moves - mean) ** 2))
        reach = 3.0 * max(math.sqrt(float(weights.sum(axis=1) @ (places - place) ** 2)), 0.03)
    return mean, math.hypot(spread, LEAST_SPREAD_PX)


def _alike_rows(rows: list[_Row], first: int) -> float:
    """How many rows tell as much as one, for what lies behind from column `first` on runs on from row to row.

    What the pointer hides is foretold from what it uncovered, and where an edge behind stands upright all rows are
    wrong by the same: 1 + 2·Σ(1 − k/n)·ρₖ, with ρₖ the correlation of the steps along a row with those of the
    k-th next (variance of a mean of correlated values; Priestley 1981, 5.3; from memory).
    """
    end = min(row.end for row in rows) + CLEAR_PX
    steps = np.array([np.diff(row.new[max(0, min(first, end - 3)) : end], axis=0) for row in rows])
    whole, alike = max(float(np.mean(steps**2)), 1e-9), 1.0
    for k in range(1, len(rows)):
        correlation = float(np.mean(steps[k:] * steps[:-k])) / whole
        if correlation < LEAST_ALIKE:
            break
        alike += 2.0 * (1.0 - k / len(rows)) * correlation
    return alike


def _together(mean: FloatArray, spread: FloatArray, alike: float) -> tuple[float, float]:
    """Robust weighted mean of the rows, so many of which tell as much as one, and its standard error.

    What rows differ by beyond their own spreads is one more spread of each, as in the random-effects mean of
    several laboratories (Paule and Mandel, J. Res. NBS 87 (1982) 377; from memory).
    """
    between, excess = 0.0, math.inf
    while excess > 1.0 and between < 10.0:
        weight = 1.0 / (spread**2 + between**2)
        off = np.abs(mean - _weighted_median(mean, weight)) * np.sqrt(weight)
        excess = float(np.sum(np.minimum(off, 3.0) ** 2)) / (len(mean) - 1)
        between = max(between * 1.15, 0.02)
    weight = weight * np.minimum(1.0, 1.5 / np.maximum(off, 1e-9))
    return float(weight @ mean / weight.sum()), math.sqrt(alike / float(weight.sum()))


def _weighted_median(values: FloatArray, weights: FloatArray) -> float:
    order = np.argsort(values)
    summed = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(summed, 0.5 * summed[-1])])
