"""Printed numbered tags stuck to a drawn rim, each beside its spoke as well as a hand sticks them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.records import TAG_DICTIONARY, TAG_MODULES, FloatArray

from .canvas import Picture
from .outline import Profile
from .spec import SceneSpec

STUCK_SD_MM = 0.5
_BLACK, _WHITE = 30.0, 215.0
_FINE = 8
"""Points a sample, each way, over which a printed edge is averaged."""


def tagged_spokes(spec: SceneSpec) -> NDArray[np.int64]:
    """Numbers (k,) of the spokes that carry a tag."""
    return np.array(spec.tag_numbers, dtype=np.int64)


def tag_angles_deg(spec: SceneSpec) -> FloatArray:
    """Angles (k,) of the tags' middles from the mark: their spokes', and what a hand is off by."""
    off_mm = np.random.default_rng([spec.seed, 4]).normal(0.0, STUCK_SD_MM, spec.spokes)
    stuck = spec.spoke_angles_deg + np.degrees(off_mm / spec.radius_mm)
    return np.asarray(stuck[tagged_spokes(spec) - 1])


def stick_tags(around: Picture, starts: NDArray[np.int64], profile: Profile, spec: SceneSpec) -> None:
    """Stick the tags on the bed (lateral) or the brake track (radial) of a rim's surface, in place."""
    samples = len(around)
    per_mm = samples / (2.0 * np.pi * spec.radius_mm)
    part = profile.parts.index("bed" if spec.direction == "lateral" else "track")
    low, high = int(starts[part]), int(starts[part + 1])
    across_mm = float(np.linalg.norm(np.diff(profile.corners[part : part + 2], axis=0)))
    paper_mm = spec.tag_mm * (TAG_MODULES + 2.0) / TAG_MODULES
    # Seen from outside the profile rises to the right of the running rim, seen from the side to its left.
    way = -1.0 if spec.direction == "lateral" else 1.0
    for number, angle_deg in zip(tagged_spokes(spec), tag_angles_deg(spec), strict=True):
        middle = angle_deg / 360.0 * samples
        rows = np.arange(int(middle - 0.5 * paper_mm * per_mm), int(middle + 0.5 * paper_mm * per_mm) + 2)
        fine = (np.arange(_FINE) + 0.5) / _FINE - 0.5
        along_mm = ((rows[:, None] + 0.5 + fine).ravel() - middle) / per_mm
        place = (np.arange(low, high)[:, None] - low + 0.5 + fine).ravel() / (high - low)
        grey = _printed(int(number), along_mm, way * (place - 0.5) * across_mm, spec.tag_mm)
        grey = grey.reshape(len(rows), _FINE, high - low, _FINE).mean(axis=(1, 3))
        share = (np.isfinite(grey))[..., None]
        here = around[rows % samples, low:high]
        around[rows % samples, low:high] = np.where(share, np.nan_to_num(grey)[..., None], here)


def _printed(number: int, along_mm: FloatArray, across_mm: FloatArray, tag_mm: float) -> FloatArray:
    """Grey of a tag on its paper (n, m) at places from its middle along and across the rim, NaN beside it."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, TAG_DICTIONARY))
    modules = cv2.aruco.generateImageMarker(dictionary, number, TAG_MODULES).astype(np.float64)
    paper = np.pad(np.where(modules > 127.0, _WHITE, _BLACK), 1, constant_values=_WHITE)
    row = np.floor(across_mm / tag_mm * TAG_MODULES + 0.5 * len(paper)).astype(np.int64)
    column = np.floor(along_mm / tag_mm * TAG_MODULES + 0.5 * len(paper)).astype(np.int64)
    inside = ((row >= 0) & (row < len(paper)))[None, :] & ((column >= 0) & (column < len(paper)))[:, None]
    grey = paper[np.clip(row, 0, len(paper) - 1)[None, :], np.clip(column, 0, len(paper) - 1)[:, None]]
    return np.where(inside, grey, np.nan)
