"""The pointer in the still look: two sharp flanks that come toward the rim and end together before it.

A strip, bolt or wire has parallel flanks, a card's corner two that meet. What lies behind the rim either goes on
under it or has no such flanks.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.aim_look import GreyPicture
from rimgauge.capture.aim_rim import Course

BAR_WIDTHS_PX = (5, 6, 8, 10, 13, 17, 22, 28, 36, 46, 58, 74)
"""Widths of pointer looked for."""
LEANS = np.linspace(-0.2, 0.2, 9)
"""Slopes dv/du of a bar that doesn't point quite square to the rim."""
FLANKS_DEG = np.arange(27.5, 63.0, 2.5)
CORNER_DEG = (60.0, 95.0)
"""A flank of a corner leans so much, and the two enclose so much: a card's right angle held askew and seen aslant, or a
sharper one."""
LONG_PX, NEAR_PX, AHEAD_PX = 100, 20, 12
"""Flanks are looked at over so many pixels behind a tip, over the nearest of them, and before it."""
FAINT_STEP, CLEAR_STEP = 3.0, 15.0
"""A flank as steep as this [grey levels a pixel] counts as one, and as this is as clear as can be."""
DARK_POWER, MEDIUM = 0.6, 110.0
"""A dark pointer differs from a dark hub by few grey levels, but by as large a share of them as in the light."""
FAINT_SHARE = 0.6
FARTHEST_PX = 90
"""A tip farther from the rim than this isn't at it."""
LEAST_GAP_PX = 3.0
"""A nearer rim can't be told from the tip, and would touch it."""
BODY_PX, TIP_PX, INNER_SHARE = 50, 8, 0.5
"""Before this much of a bar's inside nothing passes; its tip and flanks may be blurred into what moves beside."""
MOST_RESTLESS = 3.0
"""What stands before all else changes by the noise alone, which differs with brightness; measured: 0.7 to 1.2 noises."""
QUIET, CROSSED, PASSES = 1.3, 1.8, 3.0
"""Noises that nine tenths of the inside of what stands before all else stay under, that they are over where something passes
before it, and that what passes behind it makes beside both its flanks in the mean. Of 85 films a place was quiet so with passes
beside it on 16 at the true pointer, and on one elsewhere, where nothing ends."""
INSIDE_SHARE, BESIDE_PX, BACK_PX = 0.6, (5, 18), (14, 64)
"""The inside is such a share of the half width; beside it, and back from an end, is looked at from so far to so far."""
LEAST_LENGTH = 1.5
"""A bar is seen over so many times its width at least; a wall's patch at the picture's border isn't (a judgement)."""
LEAST_SCORE = 0.12
CANDIDATES = 10
APART_PX = 12


@dataclass(frozen=True, slots=True)
class End:
    """A place where a bar or corner ends, u, v [px]; half its width there [px]; how clear it is, 0 to 1.

    restless: how much changes inside it, in noises; of what a person pointed at nobody asks. before: whether what passes on both
    sides of it goes on behind it.
    """

    u: float
    v: float
    half_px: float
    score: float
    restless: float = 0.0
    before: bool = False

    @property
    def is_crossed(self) -> bool:
        """Whether something passes before it, which nothing does before a pointer."""
        return self.restless > CROSSED

    @property
    def is_long(self) -> bool:
        """Whether enough of it is in the picture, from its border on, to tell a bar from a patch of the wall."""
        return self.u >= LEAST_LENGTH * 2.0 * self.half_px


def find_ends(course: Course, edge_u: float) -> list[End]:
    """Find where bars and corners end before the rim's edge at edge_u on its course, clearest first."""
    straight = course.straightened(_lifted(course.still.mean))[:, : max(1, round(edge_u))]
    if straight.shape[1] < 24:
        return []
    columns = straight.shape[1]
    first = max(0, columns - FARTHEST_PX - LONG_PX)
    scores, halves = _end_scores(straight[:, first:])
    gap = columns - 1.0 - np.arange(first, columns)
    scores[:, (gap < LEAST_GAP_PX) | (gap > FARTHEST_PX)] = 0.0
    # Of ends alike, that nearer to the rim is the tip.
    scores *= (40.0 / (40.0 + gap)).astype(np.float32)
    ends = []
    restless = course.straightened(course.still.spread)[:, first : max(1, round(edge_u))]
    restless /= course.still.noise
    scores *= _stillness(restless, halves)
    for _ in range(CANDIDATES):
        v, u = (int(k) for k in np.unravel_index(int(np.argmax(scores)), scores.shape))
        score = float(scores[v, u])
        if score < LEAST_SCORE:
            break
        aside = float(course.aside(v))
        half = float(halves[v, u])
        inside, before = _passed(restless, u, v, half)
        ends.append(End(first + u + aside, float(v), half, score, inside, before))
        scores[max(0, v - APART_PX) : v + APART_PX + 1, max(0, u - APART_PX) : u + APART_PX + 1] = 0.0
    return ends


def _passed(restless: GreyPicture, u: int, v: int, half: float) -> tuple[float, bool]:
    """How much changes inside what ends at u, v, and whether what passes on both sides of it goes on behind it."""
    near, far = (round(max(half, 2.0)) + px for px in BESIDE_PX)
    inner, low, high = round(INSIDE_SHARE * half), max(0, u - BACK_PX[1]), max(1, u - BACK_PX[0])
    inside = float(np.quantile(restless[max(0, v - inner) : v + inner + 1, low:high], 0.9))
    beside = (restless[max(0, v - far) : max(0, v - near), low:high], restless[v + near : v + far, low:high])
    return inside, inside < QUIET and all(bool(part.size and part.mean() > PASSES) for part in beside)


def _lifted(look: GreyPicture) -> GreyPicture:
    """The look with its contrasts as they are at a medium brightness, and larger where it is darker."""
    return np.asarray(MEDIUM / DARK_POWER * (look / MEDIUM) ** DARK_POWER, dtype=np.float32)


def _end_scores(look: GreyPicture) -> tuple[GreyPicture, GreyPicture]:
    """How clearly something ends at each place, and half its width there."""
    smooth = cv2.GaussianBlur(look, (5, 5), 0)
    steep = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
    room = np.ones((3, 1), np.uint8)
    rising, falling = (cv2.dilate(_clear(np.maximum(sign * steep, 0.0)), room) for sign in (1.0, -1.0))
    best, halves = np.zeros_like(look), np.zeros_like(look)
    for lean in LEANS:
        up, down = (_flank(one, lean) for one in (rising, falling))
        for width in BAR_WIDTHS_PX:
            half = width // 2
            for upper, lower in ((up, down), (down, up)):
                _keep(best, halves, _ending(_moved(upper, half), _moved(lower, half - width)), width / 2)
    for first, last in ((rising, falling), (falling, rising)):
        ups = [_flank(first, -float(np.tan(np.radians(lean)))) for lean in FLANKS_DEG]
        downs = [_flank(last, float(np.tan(np.radians(lean)))) for lean in FLANKS_DEG]
        for (lean, one), (more, other) in itertools.product(
            zip(FLANKS_DEG, ups, strict=True), zip(FLANKS_DEG, downs, strict=True)
        ):
            if CORNER_DEG[0] <= lean + more <= CORNER_DEG[1]:
                _keep(best, halves, _ending(one, other), 0.0)
    return best, halves


def _stillness(restless: GreyPicture, halves: GreyPicture) -> GreyPicture:
    """By how much (rows, columns) an end at each place is worth less because something passes before what ends there.

    A pointer stands before all else: what changes over time, in noises, is beside it. Spokes pass before a hub.
    """
    behind = np.ones_like(restless)
    for half in np.unique(halves):
        rows = max(1, 2 * int(INNER_SHARE * half) + 1)
        inside = cv2.blur(
            restless, (BODY_PX, rows), anchor=(BODY_PX - 1, rows // 2), borderType=cv2.BORDER_REPLICATE
        )
        behind = np.where(halves == half, np.roll(inside, TIP_PX, axis=1), behind)
    return np.asarray(np.minimum(1.0, MOST_RESTLESS / np.maximum(behind, 1e-6)), dtype=np.float32)


def _clear(steep: GreyPicture) -> GreyPicture:
    """How clear an edge is, 0 to 1: a faint one over its whole length is worth more than a strong one here and there."""
    faint, strong = (np.minimum(steep / step, 1.0) for step in (FAINT_STEP, CLEAR_STEP))
    return np.asarray(FAINT_SHARE * faint + (1.0 - FAINT_SHARE) * strong, dtype=np.float32)


def _keep(best: GreyPicture, halves: GreyPicture, scores: GreyPicture, half: float) -> None:
    better = scores > best
    best[better] = scores[better]
    halves[better] = half


def _flank(steps: NDArray[Any], lean: float) -> GreyPicture:
    """Mean step behind and ahead of each place (2, rows, columns) along a line of slope dv/du.

    Behind it is the least of a long look and a near one.
    """
    rows, columns = steps.shape
    room = int(np.ceil(abs(lean) * columns))
    # Sheared so that the line is level; the last column stays where it is.
    shear = np.array([[1.0, 0.0, 0.0], [lean, 1.0, -lean * (columns - 1) - room]])
    level = cv2.warpAffine(
        steps,
        shear,
        (columns, rows + 2 * room),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    means = [
        cv2.blur(level, (LONG_PX, 1), anchor=(LONG_PX - 1, 0), borderType=cv2.BORDER_REPLICATE),
        cv2.blur(level, (NEAR_PX, 1), anchor=(NEAR_PX - 1, 0), borderType=cv2.BORDER_REPLICATE),
        np.roll(cv2.blur(level, (AHEAD_PX, 1), anchor=(0, 0), borderType=cv2.BORDER_REPLICATE), -3, axis=1),
    ]
    back = np.array([[1.0, 0.0, 0.0], [-lean, 1.0, lean * (columns - 1) + room]])
    long, near, ahead = (
        cv2.warpAffine(one, back, (columns, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
        for one in means
    )
    return np.stack([np.minimum(long, near), ahead])


def _ending(one: GreyPicture, other: GreyPicture) -> GreyPicture:
    behind, ahead = np.minimum(one, other)
    return np.asarray(behind - ahead, dtype=np.float32)


def _moved(flank: GreyPicture, rows: int) -> GreyPicture:
    """Take the value `rows` above each place, 0 outside the picture."""
    out = np.zeros_like(flank)
    if rows > 0:
        out[:, rows:] = flank[:, :-rows]
    else:
        out[:, :rows] = flank[:, -rows:]
    return out
