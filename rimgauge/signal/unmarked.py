"""A wheel without a mark: whoever turned it tells which spoke stood at the pointer when the film began.

From there spokes are followed, and the gap, which comes back after a whole turn, tells that none was passed over.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rimgauge.errors import NotTrustworthy
from rimgauge.records import GapTrack, Turning
from rimgauge.signal.evidence import START_SD_DEG, Layout
from rimgauge.signal.long_run import LONGEST_PIECE


def begun_at_start(track: GapTrack, layout: Layout) -> tuple[GapTrack, Layout, float]:
    """Lay a run out as if the spoke that it begins at were the mark, seen in the first frame only.

    Returns
    -------
    The run and the layout, angles counted from that spoke; and the spoke's own angle [deg].

    Raises
    ------
    NotTrustworthy
        The film is too long to be followed from its first frame, or the spokes are not seen.
    """
    assert layout.start_spoke is not None
    frames = len(track.time_s)
    if frames > LONGEST_PIECE:
        raise NotTrustworthy(
            f"without a mark a film may have at most {LONGEST_PIECE} frames, and this has {frames}; take two or three "
            "turns, or put a piece of tape at the valve and leave --start-spoke out"
        )
    if not track.spoke_profile.shape[1]:
        raise NotTrustworthy(
            "without a mark the spokes must be seen; run aim again so that spokes cross the picture beside the pointer"
        )
    start_deg = float(layout.spoke_angles_deg[layout.start_spoke - 1])
    from_start_deg = (layout.spoke_angles_deg - start_deg) % 360.0
    order = np.argsort(from_start_deg)
    mark_px, strength = np.full(frames, np.nan), np.zeros(frames)
    mark_px[0], strength[0] = layout.mark_to_pointer_deg * layout.px_per_deg, 1.0
    begun = replace(track, mark_px=mark_px, mark_strength=strength, tags=None)
    flanges = tuple(layout.flanges[k] for k in order) if layout.flanges else ()
    return begun, replace(layout, spoke_angles_deg=from_start_deg[order], flanges=flanges), start_deg


def counted_from_mark(turning: Turning, start_deg: float) -> Turning:
    """Count the angle from where the mark would be, and add how unsure the start was."""
    return replace(
        turning,
        angle_deg=turning.angle_deg + start_deg,
        standard_uncertainty_deg=np.hypot(turning.standard_uncertainty_deg, START_SD_DEG),
    )
