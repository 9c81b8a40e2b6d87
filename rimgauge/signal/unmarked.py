"""A wheel without a mark: whoever turned it tells which spoke stood at the pointer when the film began.

From there spokes are followed, and the gap, which comes back after a whole turn, tells that none was passed over.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from rimgauge.errors import NotTrustworthy
from rimgauge.records import BoolArray, FloatArray, GapTrack, Turning, shortest_deg
from rimgauge.signal.counted import but_for_uncounted
from rimgauge.signal.evidence import START_SD_DEG, Layout, passes
from rimgauge.signal.lattice import lattice_likelihood
from rimgauge.signal.long_run import LONGEST_PIECE
from rimgauge.signal.place import STEPS

LEAST_PASSES, TOGETHER = 2, 0.98
"""A mark, and no glint, passes twice or more in one place: the mean of its directions is so long, 1 where all agree."""
OFFSETS_TRIED, FARTHEST_START, CLEAR_NATS = 16, 0.35, 100.0
"""How far from the pointer, in spacings, the spoke may stand that was told; and how clearly (a logarithm) it must stand
farther. In lateral views spokes lean across their box, and where they stand isn't clear to 30."""


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


def counted_through(
    gaps_px: FloatArray, angle_deg: FloatArray, time_s: FloatArray, told: BoolArray, spacing_deg: float
) -> BoolArray:
    """Frames (n,) of those that are told in which the spokes were counted from the first one.

    Across a stretch in which the angle is lost nobody counts; what is behind it must be tied to the beginning by the gap
    (sides, n), as what no mark was seen in is.
    """
    if not told[0]:
        return np.zeros_like(told)
    first = np.arange(len(told)) == 0
    return but_for_uncounted(gaps_px, angle_deg, time_s, told, first, spacing_deg)


def check_start(track: GapTrack, layout: Layout, turning: Turning) -> None:
    """Refuse a start that what is seen contradicts: a mark elsewhere than at the valve, or no spoke at the pointer.

    Raises
    ------
    NotTrustworthy
        The message says which spoke the mark would name, or that the film begins between two spokes.
    """
    assert layout.start_spoke is not None
    seen = np.isfinite(track.mark_px) & np.isfinite(turning.angle_deg)
    if passes(seen) >= LEAST_PASSES:
        off = track.mark_px[seen] / layout.px_per_deg - layout.mark_to_pointer_deg - turning.angle_deg[seen]
        mean = np.mean(np.exp(1j * np.radians(off)))
        off_deg = float(np.degrees(np.angle(mean)))
        if np.abs(mean) > TOGETHER and abs(off_deg) > 0.5 * layout.spacing_deg:
            begins_deg = layout.spoke_angles_deg[layout.start_spoke - 1] + off_deg
            apart = np.abs(shortest_deg(layout.spoke_angles_deg - begins_deg))
            raise NotTrustworthy(
                f"a mark on the rim passes in this film, and by it the film begins with spoke {np.argmin(apart) + 1} at "
                f"the pointer, not {layout.start_spoke}; leave --start-spoke out, or take the mark off if it isn't at "
                "the valve"
            )
    told = np.isfinite(turning.angle_deg)
    shares = np.linspace(-0.5, 0.5, OFFSETS_TRIED, endpoint=False)
    likely = [
        _lattice_nats(track, layout, turning.angle_deg, told, float(share) * layout.spacing_deg)
        for share in shares
    ]
    between = np.abs(shares) > FARTHEST_START
    if np.max(likely, where=between, initial=-math.inf) > CLEAR_NATS + np.max(
        likely, where=~between, initial=-math.inf
    ):
        raise NotTrustworthy(
            "no spoke stands at the pointer in the first frame: the film begins between two; begin it with a spoke "
            "right at the pointer, or put a piece of tape at the valve and leave --start-spoke out"
        )


def _lattice_nats(
    track: GapTrack, layout: Layout, angle_deg: FloatArray, told: BoolArray, offset_deg: float
) -> float:
    """Logarithm of the likelihood of a course (n,) by the spokes as a lattice that stands so much ahead."""
    profile = track.spoke_profile.astype(np.float64)
    likely = lattice_likelihood(
        profile, layout.spoke_bin_deg, layout.spoke_lead_deg + offset_deg, layout.spoke_angles_deg
    )
    at = np.rint(angle_deg[told] * (STEPS / 360.0)).astype(np.intp) % STEPS
    return float(np.log(likely[told, at]).sum())


def counted_from_mark(turning: Turning, start_deg: float) -> Turning:
    """Count the angle from where the mark would be, and add how unsure the start was."""
    return replace(
        turning,
        angle_deg=turning.angle_deg + start_deg,
        standard_uncertainty_deg=np.hypot(turning.standard_uncertainty_deg, START_SD_DEG),
        common_uncertainty_deg=math.hypot(turning.common_uncertainty_deg, START_SD_DEG),
    )
