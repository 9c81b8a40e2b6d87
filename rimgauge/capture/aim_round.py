"""The round end of a pointer, by its outline: where a bolt, rod or tie curves away from the lamp its own light ends sooner.

What is met first from inside such a pointer is the border of its shade, not its tip. Its outline goes on: half an ellipse
joins its two flanks, and everywhere along it the brightness changes across it, whichever way.
"""

from __future__ import annotations

import cv2
import numpy as np

from rimgauge.capture.aim_look import GreyPicture, Point
from rimgauge.records import FloatArray, IntArray

NORMALS = np.radians(np.arange(-75.0, 76.0, 7.5))
"""The outline is looked at where its normal leans so from the way the pointer points."""
FLANK_PX = 8
"""Of both flanks so much is looked at behind the round end."""
LENGTHS = (0.7, 1.0)
"""How long a round end is beside half its width: a ball's is 1, and a flatter one or one seen aslant shorter."""
LEAST_HALF_PX, HALF_SHARES, ASIDE_SHARE = 6.0, (0.6, 1.4), 0.8
"""Half widths tried, as shares of what the flanks said; the middle lies within such a share of that beside the tip."""
CLEAR_STEP, NEAR_PX, RIDGE_PX = 2.0, 1.0, 3.0
"""An outline so steep [grey levels a pixel] is clear, where the steepest place across it within the second distance lies
within the first."""
LEAST_CLEAR, LEAST_FLANK = 0.9, 0.5
"""So much of a round end must be clear, and of each flank: a highlight beside one may be steeper (judgements)."""
BEYOND_PX, MOST_BEYOND = 3.0, 1.3
"""Nearer than this an end is the tip's own; and shade begins so many half widths before the round end at most."""
SAME_END_PX = 2.0


def round_end(look: GreyPicture, tip: Point, half_px: float, last_u: float) -> Point | None:
    """Place u, v [px] where a round outline ends farther on than a tip, before last_u; None where there is none.

    look : (rows, columns), the pointer coming from small u; half_px : half its width, roughly.
    """
    half_px = max(half_px, LEAST_HALF_PX)
    least, most = (share * half_px for share in HALF_SHARES)
    ends = np.arange(tip[0] + BEYOND_PX, min(tip[0] + MOST_BEYOND * most, last_u))
    middles = tip[1] + np.arange(-ASIDE_SHARE * half_px, ASIDE_SHARE * half_px + 1.0)
    first_u = max(0, int(tip[0] - most - FLANK_PX))
    first_v = max(0, int(middles[0] - most))
    near = look[first_v : int(middles[-1] + most) + 2, first_u : int(last_u + RIDGE_PX) + 1]
    if not len(ends) or min(near.shape) < FLANK_PX:
        return None
    clear = _clear_across(near, np.append(NORMALS, np.radians([-90.0, 90.0])))
    found = []
    for half in np.arange(least, most, 1.0):
        reached = ends[ends < tip[0] + MOST_BEYOND * half] - first_u
        for length in LENGTHS:
            whole = _share_clear(clear, reached, middles - first_v, half, length * half)
            found += [(reached[u] + first_u, middles[v]) for u, v in np.argwhere(whole)]
    if not found:
        return None
    places = np.array(found)
    # Shades within the end may be as round as its outline, which is the foremost.
    foremost = places[places[:, 0] > places[:, 0].max() - SAME_END_PX]
    return float(foremost[:, 0].mean()), float(foremost[:, 1].mean())


def _clear_across(look: GreyPicture, normals: FloatArray) -> FloatArray:
    """How clear, 0 to 1, an outline with each of the normals would be at each place (normals, rows, columns)."""
    smooth = cv2.GaussianBlur(look, (5, 5), 0)
    along, across = (
        cv2.Sobel(smooth, cv2.CV_32F, way, 1 - way, ksize=3, scale=0.125, borderType=cv2.BORDER_REPLICATE)
        for way in (1, 0)
    )
    clear = np.empty((len(normals), *look.shape))
    for k, normal in enumerate(normals):
        steep = np.abs(np.cos(normal) * along + np.sin(normal) * across).astype(np.float32)
        nearest, ridge = steep, steep
        for off in np.arange(-RIDGE_PX, RIDGE_PX + 0.5, 0.5):
            moved = _moved(steep, off * np.cos(normal), off * np.sin(normal))
            ridge = np.maximum(ridge, moved)
            nearest = np.maximum(nearest, moved) if abs(off) <= NEAR_PX else nearest
        clear[k] = np.minimum(nearest / CLEAR_STEP, 1.0) * (nearest >= ridge)
    return clear


def _moved(steep: GreyPicture, off_u: float, off_v: float) -> GreyPicture:
    """Values as far from each place as that."""
    way = np.array([[1.0, 0.0, off_u], [0.0, 1.0, off_v]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    moved = cv2.warpAffine(steep, way, steep.shape[::-1], flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(moved, dtype=np.float32)


def _share_clear(
    clear: FloatArray, ends: FloatArray, middles: FloatArray, half: float, length: float
) -> FloatArray:
    """Whether (ends, middles) enough of a round end of such half width and length is clear, and of both its flanks."""
    # The point of an ellipse with a given normal.
    size = np.hypot(length * np.cos(NORMALS), half * np.sin(NORMALS))
    behind, aside = length**2 * np.cos(NORMALS) / size - length, half**2 * np.sin(NORMALS) / size
    normal = np.arange(len(NORMALS))
    end = _at(clear, normal, ends[:, None, None] + behind, middles[None, :, None] + aside).mean(axis=2)
    back = ends[:, None, None] - length - np.arange(1, FLANK_PX + 1)
    flanks = [
        np.max(
            [_at(clear, side, back, middles[None, :, None] + way * half + off) for off in (-1, 0, 1)], axis=0
        )
        for side, way in ((-2, -1), (-1, 1))
    ]
    both = np.min([flank.mean(axis=2) for flank in flanks], axis=0)
    return np.asarray((end >= LEAST_CLEAR) & (both >= LEAST_FLANK))


def _at(clear: FloatArray, normal: int | IntArray, u: FloatArray, v: FloatArray) -> FloatArray:
    """Values at the pixels nearest to places, those outside at the border."""
    rows, columns = clear.shape[1:]
    v = np.clip(np.rint(v), 0, rows - 1).astype(np.intp)
    return np.asarray(clear[normal, v, np.clip(np.rint(u), 0, columns - 1).astype(np.intp)])
