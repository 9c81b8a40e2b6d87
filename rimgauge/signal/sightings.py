"""The mark's sightings as measurements of the angle; one that the picture's border cuts hangs on the mark's length.

Of a mark that comes in across the border its front is seen, of one that leaves its end; its middle lies half a length
behind or before that. A length that is told too short moves both toward the picture's middle, by the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rimgauge.records import FloatArray, GapTrack, IntArray, shortest_deg
from rimgauge.signal.evidence import Layout, length_unsure_deg, ways_cut
from rimgauge.signal.smooth_curve import SmoothCurve, squares

SD_DEG, SCALE_UNSURE = 0.08, 0.02
"""Of a mark that is seen whole; and how far the picture's scale may differ along it, as a share."""
CUT_SD_DEG, LEAST_CUT_SD_DEG = 0.6, 0.15
SCALE_SD = 0.1
FARTHEST_DEG, OUTLYING = 6.0, 3.0
LEAN_SD = math.tan(math.radians(5.0))
"""A camera looks along a spoke within so much, standard deviation (a judgement: ten degrees are seen to be crooked)."""
RADIUS_UNSURE_SHARE = 0.04
"""So far may the rim's radius be off, of which the first guess of the mark's speed is made: it is seldom measured."""


@dataclass(frozen=True, slots=True)
class MarkLearnt:
    """What is learnt of the mark along with the course.

    scale: degrees it moves a nominal degree. longer_deg: half of what it is longer by than was thought. cut_sd_deg:
    standard deviation of its place where it is cut.
    """

    scale: float = 1.0
    longer_deg: float = 0.0
    cut_sd_deg: float = CUT_SD_DEG


def mark_says(
    track: GapTrack,
    layout: Layout,
    angle_deg: FloatArray,
    learnt: MarkLearnt,
    room_deg: float,
    curve: SmoothCurve,
) -> tuple[FloatArray, FloatArray, float]:
    """What the mark says of a curve near a course (n,): normal matrix (c, c) and right side (c,).

    Also the standard uncertainty of the mean of all sightings [deg], which the whole curve hangs on.

    Scale and length of the mark are unknowns of their own, eliminated as in any linear least squares of two groups of
    unknowns. room_deg: that the course itself is unsure by; sightings much farther off are mistrusted.
    """
    at, target, aside, weight = _near(track, layout, angle_deg, learnt, room_deg)
    own = aside.T @ (aside * weight[:, None]) + _known(track, layout)
    design = curve.design[at]
    both = design.T @ (aside * weight[:, None])
    shared = np.linalg.solve(own, both.T)
    normal = squares(design, weight) - both @ shared
    right = np.asarray(design.T @ (weight * target)) - shared.T @ (aside.T @ (weight * target))
    together = aside.T @ weight
    information = float(weight.sum() - together @ np.linalg.solve(own, together))
    return normal, right, 1.0 / math.sqrt(max(information, 1e-9))


def outward_deg(layout: Layout, scale: float) -> float:
    """How far off the mark may be where it seems to be at the pointer, standard uncertainty, the same in all turns.

    A mark on a tyre lies farther out than the edge that is read, and nearer to the camera; one that looks past the pointer a
    little from before or behind sees it so much earlier or later. How far out, h, tells its path, which is longer by
    the scale 1 + h/R + h/D, R the radius and D the distance (derived).
    """
    share = math.hypot(scale - 1.0, RADIUS_UNSURE_SHARE) / (1.0 + layout.radius_by_distance)
    return math.degrees(share) * LEAN_SD


def learn_mark(track: GapTrack, layout: Layout, angle_deg: FloatArray, learnt: MarkLearnt) -> MarkLearnt:
    """Learn scale and length of the mark, and how much a cut one scatters, by regression on a course (n,)."""
    at, target, aside, weight = _near(track, layout, angle_deg, learnt, CUT_SD_DEG)
    if not len(at):
        return learnt
    # The course may be off by the same everywhere.
    columns = np.column_stack([aside, np.ones(len(at))])
    known = np.pad(_known(track, layout), (0, 1))
    known[2, 2] = 1e-6
    off = target - angle_deg[at]
    unknown = np.linalg.solve(columns.T @ (columns * weight[:, None]) + known, columns.T @ (weight * off))
    left = (off - columns @ unknown)[aside[:, 1] != 0.0]
    scatter = CUT_SD_DEG if len(left) < 4 else 1.4826 * float(np.median(np.abs(left)))
    return MarkLearnt(
        scale=1.0 + float(unknown[0]),
        longer_deg=float(unknown[1]),
        cut_sd_deg=min(max(scatter, LEAST_CUT_SD_DEG), CUT_SD_DEG),
    )


def _near(
    track: GapTrack, layout: Layout, angle_deg: FloatArray, learnt: MarkLearnt, room_deg: float
) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
    """The sightings (k,) near a course (n,): frame, nominal angle, what scale and length change (k, 2), and weight 1/sd²."""
    by_deg = track.mark_px / layout.px_per_deg
    cut = ways_cut(track, layout)
    middle = learnt.scale * by_deg + learnt.longer_deg * cut - layout.mark_to_pointer_deg
    off = shortest_deg(middle - angle_deg)
    at = np.flatnonzero(np.abs(off) < FARTHEST_DEG)
    by_deg, cut, off = by_deg[at], cut[at], off[at]
    sd = np.where(cut == 0.0, SD_DEG + SCALE_UNSURE * np.abs(by_deg), learnt.cut_sd_deg)
    # A course may be off by the same everywhere: nothing but the mark tells that.
    astray = off - np.median(off) if len(at) else off
    weight = 1.0 / (sd**2 * (1.0 + (astray / (OUTLYING * sd + room_deg)) ** 4))
    target = angle_deg[at] + off - (learnt.scale - 1.0) * by_deg - learnt.longer_deg * cut
    return at, target, -np.column_stack([by_deg, cut]), weight


def _known(track: GapTrack, layout: Layout) -> FloatArray:
    """What is known (2, 2) beforehand of scale and length."""
    return np.diag([1.0 / SCALE_SD**2, 1.0 / length_unsure_deg(track) ** 2])
