"""A long run is followed piece by piece, so that memory and time grow no faster than the run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from rimgauge.errors import NotTrustworthy, RimgaugeError
from rimgauge.records import FloatArray, GapTrack, Slide, TagSightings, Turning

LONGEST_PIECE = 4500
"""Frames followed at once: two and a half minutes of a webcam."""
ANYWHERE_DEG = 180.0
OVERLAP = 300
"""Frames that neighbouring pieces share, by which full turns are told."""


def piece_by_piece(track: GapTrack, follow: Callable[[GapTrack], Turning]) -> Turning:
    """Follow pieces of a run of n frames, each by itself, and join them.

    A piece in which the angle can't be told is left out; where none can, its reason is raised.

    Raises
    ------
    MarkNotSeen, TooFewRevolutions, PlaceLost
    """
    count = len(track.time_s)
    angle_deg, spread_deg = np.full(count, np.nan), np.full(count, np.nan)
    told: list[Turning] = []
    why: RimgaugeError | None = None
    pieces = -(-(count - OVERLAP) // (LONGEST_PIECE - OVERLAP))
    for start in np.linspace(0, count - LONGEST_PIECE, pieces).astype(int):
        frames = slice(int(start), int(start) + LONGEST_PIECE)
        try:
            turning = follow(_cut(track, frames))
        except NotTrustworthy:
            raise
        except RimgaugeError as trouble:
            why = why or trouble
            continue
        told.append(turning)
        found = turning.angle_deg + _full_turns(angle_deg[frames], turning.angle_deg)
        new = np.isfinite(found) & np.isnan(angle_deg[frames])
        angle_deg[frames][new] = found[new]
        spread_deg[frames] = np.fmin(spread_deg[frames], turning.standard_uncertainty_deg)
    if not told:
        assert why is not None
        raise why
    return Turning(
        angle_deg=angle_deg,
        standard_uncertainty_deg=np.nan_to_num(spread_deg, nan=ANYWHERE_DEG),
        revolutions=float(np.nanmax(angle_deg) - np.nanmin(angle_deg)) / 360.0,
        reversals=sum(turning.reversals for turning in told),
        evidence=max((turning.evidence for turning in told), key=len),
        common_uncertainty_deg=max(turning.common_uncertainty_deg for turning in told),
    )


def _full_turns(before_deg: FloatArray, now_deg: FloatArray) -> float:
    """What to add to a piece's angles (m,) so that they go on from those (m,) that are known."""
    off = before_deg - now_deg
    both = off[np.isfinite(off)]
    return 360.0 * round(float(np.median(both)) / 360.0) if len(both) else 0.0


def _cut(track: GapTrack, frames: slice) -> GapTrack:
    sides = tuple(
        replace(
            side,
            gap_px=side.gap_px[frames],
            standard_error_px=side.standard_error_px[frames],
            quality=side.quality[frames],
            tip_px=side.tip_px[frames],
            rim_px=side.rim_px[frames],
        )
        for side in track.sides
    )
    slide, looks, tags = track.slide, track.looks, track.tags
    if tags is not None:
        inside = (tags.frame >= frames.start) & (tags.frame < frames.stop)
        tags = TagSightings(
            frame=tags.frame[inside] - frames.start,
            number=tags.number[inside],
            along_px=tags.along_px[inside],
        )
    return replace(
        track,
        time_s=track.time_s[frames],
        sides=sides,
        mark_px=track.mark_px[frames],
        mark_strength=track.mark_strength[frames],
        spoke_profile=track.spoke_profile[frames],
        lost=track.lost[frames],
        slide=None if slide is None else Slide(shift_px=slide.shift_px, nats=slide.nats[frames]),
        looks=None
        if looks is None
        else replace(looks, brightness=looks.brightness[frames], shake_px=looks.shake_px[frames]),
        tags=tags,
    )
