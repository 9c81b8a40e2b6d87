"""Zones: the stretches of rim that stray one way, with their spokes."""

from __future__ import annotations

import numpy as np

from rimgauge.records import FloatArray, IntArray, Zone

ZONE_SHARE = 0.35
"""A judgement: it keeps a single bend in one piece and leaves the harmless rest out."""


def find_zones(curve_deg: FloatArray, curve_mm: FloatArray, spoke_angle_deg: FloatArray) -> tuple[Zone, ...]:
    """Stretches that stray one way by more than about a third of the worst deviation, the worst first."""
    level = ZONE_SHARE * float(np.abs(curve_mm).max(initial=0.0))
    if level <= 0.0:
        return ()
    zones = []
    for sign in (1.0, -1.0):
        beyond = sign * curve_mm > level
        start = int(np.argmin(beyond))
        turned = np.roll(beyond, -start).astype(np.int64)
        begins = np.flatnonzero(np.diff(turned, prepend=0) == 1)
        ends = np.flatnonzero(np.diff(turned, append=0) == -1)
        for begin, end in zip(begins, ends, strict=True):
            index = (np.arange(begin, end + 1) + start) % len(curve_mm)
            zones.append(_zone(curve_deg, curve_mm, index, spoke_angle_deg))
    return tuple(sorted(zones, key=lambda zone: -abs(zone.peak_mm)))


def _zone(curve_deg: FloatArray, curve_mm: FloatArray, index: IntArray, spoke_angle_deg: FloatArray) -> Zone:
    start, end = float(curve_deg[index[0]]), float(curve_deg[index[-1]])
    worst = index[int(np.argmax(np.abs(curve_mm[index])))]
    width = (end - start) % 360.0
    inside = (spoke_angle_deg - start) % 360.0 <= width
    order = np.argsort((spoke_angle_deg[inside] - start) % 360.0)
    return Zone(
        start_deg=start,
        centre_deg=float(curve_deg[worst]),
        end_deg=end,
        width_deg=width,
        peak_mm=float(curve_mm[worst]),
        spokes=tuple(int(k) + 1 for k in np.flatnonzero(inside)[order]),
    )
