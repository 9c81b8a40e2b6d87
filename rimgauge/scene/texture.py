"""What the rim's surface looks like all the way round, tags stuck to it too, and a fast view of it blurred by its motion."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.records import TAG_DICTIONARY, TAG_MODULES, FloatArray

from .canvas import Picture, blurred
from .outline import Part, Profile
from .spec import SceneSpec

_AROUND = 7200
"""Samples of the surface over one revolution: one every 0.05 degrees."""
_PAD = 1200
"""Samples repeated beyond both ends, so that a view across angle 0 needs no special case."""
_PER_MM = 4.0
_LEAST_BLUR_DEG = 0.05

_GREYS: dict[str, dict[Part, float]] = {
    "bright": {"wall": 165, "lip": 205, "groove": 105, "bed": 150, "track": 188, "root": 158},
    "black": {"wall": 42, "lip": 58, "groove": 26, "bed": 38, "track": 50, "root": 36},
}
_BED_TAPE_BGR = {"bright": (128, 92, 60), "black": (70, 74, 80)}
_LINES: dict[Part, float] = {"track": 1.5, "lip": 0.5}
"""Strength of the machining lines, where it isn't that of the rest."""
_MARK_MM = 16.0
_VALVE_HOLE_MM = 8.5
_SEAM_DEG = 180.0


class Surface:
    """The rim's surface: `samples` across the profile by 7200 round it, in BGR grey levels."""

    def __init__(self, spec: SceneSpec, profile: Profile, rng: np.random.Generator) -> None:
        widths = np.linalg.norm(np.diff(profile.corners, axis=0), axis=1)
        counts = np.maximum(4, np.round(widths * _PER_MM)).astype(int)
        self.starts = np.concatenate(([0], np.cumsum(counts)))
        strips = [_strip(spec, part, count, rng) for part, count in zip(profile.parts, counts, strict=True)]
        around = np.concatenate(strips, axis=1)
        if spec.direction == "lateral":
            _mark_bed(around, self.starts, profile, spec)
        elif not spec.tags:
            _mark_track(around, self.starts, profile, spec)
        if spec.tags:
            stick_tags(around, self.starts, profile, spec)
        if spec.decal:
            _decal(around, self.starts, profile, spec)
        around = np.clip(around, 0, 255)
        ring = np.concatenate((around[-_PAD:], around, around[:_PAD]))
        self._sums = np.cumsum(ring, axis=0, dtype=np.float64)

    def seen(self, angle_deg: FloatArray, blur_deg: float) -> Picture:
        """Give the surface (n, samples, 3) at angles (n,), averaged over the arc that passes meanwhile."""
        half = max(blur_deg, _LEAST_BLUR_DEG) / 2
        turns = np.floor(angle_deg[angle_deg.size // 2] / 360.0)
        base = (angle_deg - 360.0 * turns) * (_AROUND / 360.0) + _PAD - 0.5
        reach = half * _AROUND / 360.0
        total = self._sum_to(base + reach) - self._sum_to(base - reach)
        return (total / (2 * reach)).astype(np.float32)

    def _sum_to(self, place: FloatArray) -> FloatArray:
        index = np.clip(np.floor(place).astype(np.int64), 0, len(self._sums) - 2)
        part = (place - index)[:, None, None]
        return np.asarray(self._sums[index] * (1 - part) + self._sums[index + 1] * part)


def _strip(spec: SceneSpec, part: Part, count: int, rng: np.random.Generator) -> Picture:
    """One part of the profile all round: machining lines along the rim, slow stains, specks."""
    grey = _GREYS[spec.finish][part]
    strength = spec.texture * (0.05 if spec.finish == "bright" else 0.09)
    lines = rng.normal(0, strength * _LINES.get(part, 0.7), count)
    stains = _smooth_round(rng, count)
    specks = blurred(rng.normal(0, 1, (_AROUND, count)).astype(np.float32), 1.2)
    shape = 1 + lines[None, :] + 0.5 * strength * stains + strength * specks
    tint = np.array((1.01, 1.0, 0.99)) if spec.finish == "bright" else np.array((1.04, 1.0, 0.98))
    strip = grey * shape[..., None] * tint
    if part == "bed":
        strip = np.array(_BED_TAPE_BGR[spec.finish]) * (1 + 0.5 * (shape[..., None] - 1))
    seam = int(_SEAM_DEG / 360.0 * _AROUND)
    if part != "bed":
        strip[seam : seam + 3] *= 0.55
    return np.asarray(strip, dtype=np.float32)


def _smooth_round(rng: np.random.Generator, count: int) -> Picture:
    """Smooth noise of unit size (_AROUND, count) that closes on itself."""
    coarse = rng.normal(0, 1, (60, max(2, count // 8))).astype(np.float32)
    coarse = np.concatenate((coarse, coarse[:1]))
    return np.asarray(cv2.resize(coarse, (count, _AROUND), interpolation=cv2.INTER_CUBIC), dtype=np.float32)


def _arc(spec: SceneSpec, centre_mm: float, length_mm: float) -> NDArray[np.int64]:
    """List the samples round the rim that a patch covers; lengths along the rim from the mark."""
    per_mm = _AROUND / (2 * np.pi * spec.radius_mm)
    first, last = np.round((centre_mm + np.array((-0.5, 0.5)) * length_mm) * per_mm).astype(int)
    return np.arange(first, last) % _AROUND


def _mark_bed(around: Picture, starts: NDArray[np.int64], profile: Profile, spec: SceneSpec) -> None:
    """Lay the mark's tape across the bed, and sink the valve hole and one dimple a spoke."""
    bed = profile.parts.index("bed")
    low, high = int(starts[bed]), int(starts[bed + 1])
    middle = (low + high) // 2
    for angle, flange in zip(spec.spoke_angles_deg, spec.flanges, strict=True):
        place = np.radians(angle) * spec.radius_mm
        off = round((1.2 if flange == "right" else -1.2) * _PER_MM)
        around[_arc(spec, place, 7.0), middle + off - 14 : middle + off + 14] *= 0.86
    ends = round(1.0 * _PER_MM)
    if not spec.tags:
        around[_arc(spec, 0.0, _MARK_MM), low + ends : high - ends] = spec.mark_bgr
    around[_arc(spec, 0.0, _VALVE_HOLE_MM), middle - 17 : middle + 17] = (22, 22, 24)


def _mark_track(around: Picture, starts: NDArray[np.int64], profile: Profile, spec: SceneSpec) -> None:
    """Stick the mark's tape on the brake track, clear of both its edges."""
    track = profile.parts.index("track")
    low, high = int(starts[track]), int(starts[track + 1])
    ends = round(1.2 * _PER_MM)
    around[_arc(spec, 0.0, _MARK_MM), low + ends : high - ends] = spec.mark_bgr


def _decal(around: Picture, starts: NDArray[np.int64], profile: Profile, spec: SceneSpec) -> None:
    """Stick a line parallel to the edge, close to it and of full contrast, over two stretches of the rim."""
    lips = [index for index, part in enumerate(profile.parts) if part in ("lip", "track")]
    colour = (30, 30, 30) if spec.finish == "bright" else (225, 225, 225)
    for index in lips:
        low, high = int(starts[index]), int(starts[index + 1])
        first, last = low + (high - low) // 3, low + 2 * (high - low) // 3
        for centre in (0.21, 0.72):
            length = 2 * np.pi * spec.radius_mm
            around[_arc(spec, centre * length, 0.22 * length), first:last] = colour


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
