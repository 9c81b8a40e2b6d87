"""Which sightings are believed, and the gap they give: what a look at the whole pass tells of single frames."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rimgauge.capture.follower import MOVED, REASONS, SEEN, VAGUE, WHITE, Sightings
from rimgauge.capture.steadiness import stretches
from rimgauge.errors import NotTrustworthy, RimNotSeen
from rimgauge.records import BoolArray, EdgeTrack, Side

MOST_VAGUE, LEAST_VAGUE_PX = 3.0, 0.1
"""A frame counts as vague when its standard error is so many times the usual one, and over a tenth of a pixel: that is
about 0.01 mm where the gap fills the picture as it should, and leaving out a stretch of rim whose outline is a little doubled, as by its farther lip, costs more."""
MOST_VAGUE_WHITE = 6.0
"""The same for a frame that is clipped: what makes it less sure is known."""
MOST_USUAL_PX = 0.25
"""An edge that is usually less sure is no edge of a rim: on drawn wheels those that are reach 0.1, and where a hub or spokes
were read for it 0.25 to 0.8."""


def check_clear(side: Side, seen: Sightings) -> None:
    """Refuse what is followed where it is usually too unclear to be the rim's edge.

    Raises
    ------
    NotTrustworthy
        Rows or frames tell far more different places than an edge does.

    """
    good = (seen.lost == SEEN) & ~seen.white
    usual_px = float(np.median(seen.standard_error_px[good])) if good.any() else 0.0
    if usual_px > MOST_USUAL_PX:
        which = "" if side == "outer" else f" on the {side} side"
        raise NotTrustworthy(
            f"what is followed{which} isn't clear enough for the rim's edge (±{usual_px:.1f} pixels): the picture is "
            "blurred or dark, or a hub or spokes stand close behind the edge just at the pointer; focus, add light, put "
            "something plain behind the gap, turn the camera a little, or aim again with --rim-at X,Y on the rim's edge"
        )


def vague_left_out(seen: Sightings) -> Sightings:
    """Leave out frames whose edge is far less sure than usual: something stands half before it."""
    good = seen.lost == SEEN
    if not good.any():
        return seen
    usual_px = float(
        np.median(seen.standard_error_px[good & ~seen.white if (good & ~seen.white).any() else good])
    )
    most = np.where(seen.white, MOST_VAGUE_WHITE, MOST_VAGUE)
    vague = good & (seen.standard_error_px > np.maximum(most * usual_px, LEAST_VAGUE_PX))
    return _with_lost(_with_lost(seen, vague & seen.white, WHITE), vague & ~seen.white, VAGUE)


def moved_left_out(sides: list[Sightings]) -> list[Sightings]:
    """Leave out all but the longest stretch in which neither camera nor pointer was moved for good.

    A pointer that was bent has another gap from then on, and after a knock the camera looks from elsewhere.
    """
    good = np.all([side.lost == SEEN for side in sides], axis=0)
    # Numbers of either side rise from jump to jump, so their sum tells every stretch apart.
    stretch = np.sum([stretches(side.tip_px, good) for side in sides], axis=0)
    if stretch.max() == 0:
        return sides
    longest = np.argmax(np.bincount(stretch[good]))
    return [_with_lost(side, (side.lost == SEEN) & (stretch != longest), MOVED) for side in sides]


def _with_lost(seen: Sightings, which: BoolArray, why: int) -> Sightings:
    return replace(seen, lost=np.where(which, why, seen.lost).astype(np.uint8))


def reasons(sides: list[Sightings]) -> tuple[str, ...]:
    """Why each frame gave no gap on one side or the other, '' where it did on both."""
    words: dict[tuple[int, ...], str] = {}
    told = []
    for numbers in zip(*(side.lost.tolist() for side in sides), strict=True):
        if numbers not in words:
            words[numbers] = "; ".join(sorted({REASONS[number] for number in numbers} - {""}))
        told.append(words[numbers])
    return tuple(told)


def edge_track(side: Side, seen: Sightings, ahead_px: float) -> EdgeTrack:
    """Gap of one side frame by frame, NaN where it isn't believed; read so far forward of the first pointer's tip.

    Raises
    ------
    RimNotSeen
        It is believed in no frame.

    """
    good = seen.lost == SEEN
    if not good.any():
        raise RimNotSeen(f"the rim's edge was not seen in any frame on the {side} side; run aim again")
    return EdgeTrack(
        side=side,
        gap_px=np.where(good, seen.gap_px, np.nan),
        standard_error_px=seen.standard_error_px,
        quality=seen.quality,
        tip_px=seen.tip_px,
        rim_px=seen.rim_px,
        ahead_px=ahead_px,
        second_look=seen.look if np.isfinite(seen.look).any() else None,
        blur_px=seen.blur_px,
    )
