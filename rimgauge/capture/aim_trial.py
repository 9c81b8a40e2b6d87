"""An aim is tried out: the tracker follows pointer and rim through some frames, and must follow what was found."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from rimgauge.capture.aim_facing import Facing
from rimgauge.capture.aim_look import Point, zoomed
from rimgauge.capture.aim_tip import SPARE_PX
from rimgauge.capture.follower import SEEN
from rimgauge.capture.outline import outline_scores, rival_edges
from rimgauge.capture.sources import Frame
from rimgauge.capture.tracker import LEARNING_FRAMES, Tracker
from rimgauge.capture.working_size import enlarged_picture, full_places, reduced
from rimgauge.errors import NotTrustworthy, PointerNotSeen
from rimgauge.records import FloatArray, IntArray, View

TRIED_FRAMES = 40
LEAST_SEEN_SHARE = 0.8
TIP_PX, LEAST_ASIDE_PX = 3.0, 4.0
"""A tip lies so near to where it was found, along the pointer and aside, in pictures of usual size; a wide one is flat."""
MOST_OFF_PX, EDGE_PX, BEFORE_PX = 3.0, 2.0, 3.5
"""In pictures of usual size: what is followed moves with the rim as a whole but for so much, and lies mostly so near to
one of its long edges, or before the steepest one by no more than an edge is wide that is rounded or bevelled."""
CLEAR_MOVES_PX, LEAST_WITH, LEAP_PX = 0.4, 0.65, 5.0
"""Moves whose standard deviation is so large tell what goes with the rim, by such a share of them at least, from what stays
where it lies: of 29 drawn scenes aimed right they were 0.8 and more, of three aimed beside the edge 0.5. In a single frame
a rim doesn't leap so far; something passes."""


class OutOfSight(NotTrustworthy):
    """Pointer and rim were found, but something was before them in many of the frames; in later ones it may be gone."""


@dataclass(frozen=True, slots=True, eq=False)
class Aim:
    """A view that the tracker follows, tip and rim edge in the last frame tried, and remarks in words.

    notes: on mark and spokes, which two pointers have in common. edge_notes: on this pointer's own edge. tip_off: how far
    from where the tip was found it is followed, as a share of what is allowed.
    """

    view: View
    image: NDArray[np.uint8]
    tip_px: Point
    rim_px: Point
    notes: tuple[str, ...]
    edge_notes: tuple[str, ...] = ()
    tip_off: float = 0.0


def tried(
    view: View, facing: Facing, frames: list[Frame], times: int, zoom: float, notes: tuple[str, ...]
) -> Aim:
    """Follow pointer and rim through some of the frames; an aim that can't be followed is none.

    The frames are so many times smaller than those the view is of, and these zoom times larger than those of usual size.
    """
    tracker = Tracker.of_frames(reduced(view, times), frames[:LEARNING_FRAMES])
    shown = frames[:TRIED_FRAMES]
    cuts = tracker.cut(shown)
    seen = tracker.read(cuts)[0]
    good = np.flatnonzero((seen.lost == SEEN) & (seen.gap_px > 0.0))
    if len(good) < LEAST_SEEN_SHARE * len(shown):
        raise OutOfSight(
            f"pointer and rim were found, but could be followed in {len(good)} of {len(shown)} frames only; "
            "bring the camera closer, add light, put something plain behind them, or point them out with "
            "--pointer-at and --rim-at"
        )
    tips_px, rims_px = (full_places(places, times) for places in (seen.tip_px, seen.rim_px))
    tip_off = _tip_off(facing, tips_px[good], zoom)
    right = _with_the_rim(facing, rims_px, zoom)
    last = int(good[np.isin(good, right)][-1])
    follower, rims = tracker.followers[0], cuts[0][1][good]
    places = np.array([follower.rim_patch.to_patch(*place)[0] for place in seen.rim_px[good]])
    rivals = rival_edges(outline_scores(rims, follower.outline), follower.outline, places)
    (tip_x, tip_y), (rim_x, rim_y) = tips_px[last], rims_px[last]
    return Aim(
        view,
        enlarged_picture(shown[last].image, times),
        (float(tip_x), float(tip_y)),
        (float(rim_x), float(rim_y)),
        notes,
        _rival_notes(times * rivals),
        tip_off,
    )


def _tip_off(facing: Facing, tips_px: FloatArray, zoom: float) -> float:
    """How far from where it was found the tracker sees a tip, as a share of what is allowed; refuse one that is farther."""
    tip_x, tip_y = np.median(tips_px, axis=0)
    aside_px = max(LEAST_ASIDE_PX, facing.half_px - SPARE_PX)
    tip_u, tip_v = facing.still.patch.to_patch(*zoomed((float(tip_x), float(tip_y)), 1.0 / zoom))
    off = max(abs(tip_u - facing.tip[0]) / TIP_PX, abs(tip_v - facing.tip[1]) / aside_px)
    if off > 1.0:
        raise not_the_tip()
    return off


def not_the_tip() -> PointerNotSeen:
    """What to say where a tip is followed elsewhere than it was found."""
    return PointerNotSeen(
        "the pointer's tip hardly stands out from what is behind it, or the rim comes too near to it; put something "
        "plain behind it that is much brighter or darker, or set it a few millimetres farther from the rim"
    )


def _with_the_rim(facing: Facing, rims_px: FloatArray, zoom: float) -> IntArray:
    """Frames whose edge, at places (n, 2), lies most nearly where the rim as a whole says; refuse one that doesn't: a spoke's, or a decal's."""
    patch, every = facing.still.patch, facing.course.every
    followed = np.array([patch.to_patch(*zoomed(place, 1.0 / zoom))[0] for place in rims_px[::every]])
    where = followed - facing.course.moves_px[: len(followed)]
    usual = float(np.nanmedian(where)) if np.isfinite(where).any() else np.inf
    off = np.abs(where - usual)
    near = off < MOST_OFF_PX
    edges = facing.course.edges_u + facing.course.aside(facing.tip[1])
    # Where the rim mostly is needn't be where its edge is steepest in the still look, if it strays far to one side.
    own = np.arange(len(edges)) == np.argmin(np.abs(edges - facing.edge_u))
    before = (edges > facing.begin_u) & (edges < facing.edge_u)
    edges = np.append(edges[own | before], facing.edge_u)
    there = (usual > edges - EDGE_PX) & (usual < edges + EDGE_PX)
    there[-1] |= facing.edge_u - BEFORE_PX < usual < facing.edge_u
    few = near.sum() < max(1.0, LEAST_SEEN_SHARE * np.isfinite(where).sum())
    if few or _stays(followed, facing.course.fine_moves_px[: len(followed)]):
        raise NotTrustworthy(
            "what is followed there isn't the rim's own edge, for the rim moves otherwise; put something plain "
            "behind it that is much brighter or darker than the rim, or turn the camera so that spokes don't "
            "stand close before the edge"
        )
    if not there.any():
        off_px = zoom * (usual - facing.edge_u)
        raise NotTrustworthy(
            f"what can be followed lies {abs(off_px):.0f} pixels {'inside' if off_px > 0.0 else 'before'} the rim's edge, "
            "which hardly stands out from what is behind it beside the pointer; put something plain there that is "
            "much brighter or darker than the rim"
        )
    # A spoke or decal at the edge may hide it for some frames, which aren't those to be shown.
    return np.flatnonzero(near & (off <= np.median(off[near]))) * every


def _stays(followed_px: FloatArray, moves_px: FloatArray) -> bool:
    """Whether what is followed (n,) moves clearly less than the rim as a whole (n,): spokes that pass lie where they lay."""
    leap = np.abs(moves_px - median_filter(moves_px, 3, mode="nearest")) > LEAP_PX
    seen = np.isfinite(followed_px) & ~leap
    if not seen.any():
        return False
    followed, moves = (one[seen] - one[seen].mean() for one in (followed_px, moves_px))
    return bool(moves.std() > CLEAR_MOVES_PX and followed @ moves < LEAST_WITH * float(moves @ moves))


def _rival_notes(apart_px: FloatArray) -> tuple[str, ...]:
    """Say where another edge could pass for the rim's; nothing where there is none."""
    if not len(apart_px):
        return ()
    nearest = float(apart_px[np.abs(apart_px).argmin()])
    where = "farther from" if nearest > 0.0 else "nearer to"
    return (
        f"A second edge that looks alike lies {abs(nearest):.0f} pixels {where} the pointer. If the line in the "
        "picture isn't on the rim's very edge, aim again with --rim-at X,Y.",
    )
