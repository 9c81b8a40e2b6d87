"""The pointer: its tip once, from the mean look of the first frames, then its shift in every frame.

The tip never moves against the frame, so many frames together place it far better than one can;
what remains in each frame is camera shake (`rimgauge.capture.shift`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rimgauge.capture.patch import GreyArray
from rimgauge.capture.shift import MARGIN_PX, Look, learn_look
from rimgauge.errors import PointerNotSeen
from rimgauge.records import FloatArray, IntArray

LEAST_STEEPNESS = 0.0125
"""Share of the brightness a pixel by which a pointer's outline must stand out; a wall's stains, which the mean of many frames
shows well above its noise, have up to 1.7 grey levels of 200, and the faintest pointer among the rendered scenes 3 of 30."""


@dataclass(frozen=True, slots=True, eq=False)
class PointerLook:
    """Mean look of the pointer, and its tip u, v in the box without the look's margin."""

    look: Look
    tip_u: float
    tip_v: float


def learn_pointer(patches: GreyArray, where: str) -> PointerLook:
    """Learn look and tip from the pointer's patches of the first frames, (n, rows, columns) with a margin.

    Raises
    ------
    PointerNotSeen
        Nothing in the box stands out against its surroundings.
    """
    look = learn_look(patches)
    box = look.mean[MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX].astype(np.float64)
    tip_u, tip_v = find_tip(box, look.mean_noise, where)
    return PointerLook(look, tip_u, tip_v)


def _not_seen(where: str) -> str:
    return f"no pointer stands out in {where}; put something plain behind it, add light, or run aim again"


def find_tip(mean: FloatArray, noise: float, where: str) -> tuple[float, float]:
    """Tip of the outline: first edge met from the rim's side, row by row; its foremost place by a parabola.

    u grows into the rim, so the pointer comes from small u and its tip is its largest u.

    Raises
    ------
    PointerNotSeen
        Nothing stands out of the noise [grey levels], or of what a plain wall shows.
    """
    kernel = np.array([0.25, 0.5, 0.25])
    smooth = np.apply_along_axis(np.convolve, 1, np.pad(mean, ((0, 0), (1, 1)), mode="edge"), kernel, "valid")
    smooth = np.apply_along_axis(
        np.convolve, 0, np.pad(smooth, ((1, 1), (0, 0)), mode="edge"), kernel, "valid"
    )
    steepness = np.abs(np.gradient(smooth, axis=1))
    if float(steepness.max()) < LEAST_STEEPNESS * float(np.median(mean)):
        raise PointerNotSeen(_not_seen(where))
    threshold = max(0.3 * float(np.quantile(steepness, 0.98)), 6.0 * noise)
    peak = (steepness[:, 1:-1] >= steepness[:, :-2]) & (steepness[:, 1:-1] > steepness[:, 2:])
    peak &= steepness[:, 1:-1] > threshold
    edge_rows = np.flatnonzero(peak.any(axis=1))
    if len(edge_rows) < 4:
        raise PointerNotSeen(_not_seen(where))
    columns = peak.shape[1] - np.argmax(peak[edge_rows, ::-1], axis=1)
    refined = columns + _vertex(steepness, edge_rows, columns)
    middle = _foremost_run(edge_rows, refined)
    rows, places = edge_rows[middle].astype(np.float64), refined[middle]
    if len(rows) < 4:
        return float(places.max()), float(rows[np.argmax(places)])
    curve = np.polynomial.Polynomial.fit(rows, places, 2).convert().coef
    top = -curve[1] / (2.0 * curve[2]) if curve[2] < -1e-4 else float(rows.mean())
    top = float(np.clip(top, rows.min(), rows.max()))
    return float(curve[0] + curve[1] * top + curve[2] * top**2), top


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
