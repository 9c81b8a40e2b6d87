"""The spokes' strips side by side: what moves in them, and their look in a few numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import eigh
from scipy.ndimage import gaussian_filter1d, median_filter

from rimgauge.records import FloatArray

COMPONENTS = 8
LOUDEST = 12.0
WITH_GAP = 0.6
"""A component of which the gap tells such a share is of the rim's edge: of edges in two ray-traced strips it told 0.79 to
0.99, of spokes in five 0.04 to 0.34 and once 0.55."""
LEAST_FREE = 20
"""Degrees of freedom that tell such a share: with fewer the gap tells it of noise more often than once in a hundred (χ²)."""
FRAMES_ROUND, HIGHEST_POWER = 3, 3
"""The rim takes up to so many frames from the strip to the pointer, and a curve of that power is bent enough (judgements)."""
GLITCH_FRAMES, FARTHEST_GAP = 3, 3.0
"""A gap read wrong in one frame is taken off by the median of so many; beyond so many standard deviations it tells no more."""


@dataclass(frozen=True, slots=True, eq=False)
class Rest:
    """What stands still in profiles (m, a): their usual course (m, a), and each bin's own unrest (m, a)."""

    usual: FloatArray
    unrest: FloatArray

    def moving(self, profile: FloatArray) -> FloatArray:
        """What moves in profiles (n, m, a), in units of each bin's own unrest."""
        return np.asarray((_even(profile) - self.usual) / self.unrest)


@dataclass(frozen=True, slots=True, eq=False)
class ProfileAxes:
    """What turns a profile (m, a) into components (k,): what stands still, and axes (k, m·a) through the rest of it."""

    rest: Rest
    axes: FloatArray

    def project(self, profile: FloatArray) -> FloatArray:
        """Components (n, k) of profiles (n, m, a)."""
        return np.asarray(_bounded(self.rest, profile) @ self.axes.T)


def learn_rest(profile: FloatArray) -> Rest:
    """Learn what stands still from the profiles (n, m, a) of a turning wheel."""
    even = _even(profile)
    usual = np.median(even, axis=0)
    # A bin that is never quiet (the border of something still, under camera shake) tells less.
    quiet = np.median(np.abs(even - usual), axis=0)
    return Rest(usual, quiet + np.median(quiet) + 1e-9)


def learn_axes(profile: FloatArray, *, soft_bins: float = 0.0, most: int = COMPONENTS) -> ProfileAxes:
    """Learn the principal components of the profiles (n, m, a) of a turning wheel; the first has a spread of 1.

    The strip may be softened along the rim first, so that a spoke's look changes smoothly over a degree or so.
    """
    rest = learn_rest(profile)
    moving = _bounded(rest, profile)
    bins, across = profile.shape[1:]
    spread, size = np.cov(moving.T), bins * across
    soft = gaussian_filter1d(np.eye(bins), soft_bins, axis=0) if soft_bins > 0.0 else np.eye(bins)
    # Softening is a product of matrices, and one with the covariance costs less than one with every profile.
    for _ in range(2):
        spread = (soft @ spread.reshape(bins, -1)).reshape(size, size).T
    _, vectors = eigh(spread, subset_by_index=(max(size - most, 0), size - 1), check_finite=False)
    axes = (soft.T @ vectors[:, ::-1].reshape(bins, -1)).reshape(size, -1).T
    return ProfileAxes(rest, axes / max(float(np.std(moving @ axes[0])), 1e-9))


def but_for_the_edge(components: FloatArray, gaps_px: FloatArray) -> FloatArray:
    """Leave out components (n, k) that the gaps (sides, n) of the frames round each tell: the rim's edge shows in the strip.

    It comes and goes with the rim's runout, a little earlier or later along the strip, far more than a thin spoke does.
    What is left is judged by its degrees of freedom, for in a short film so many unknowns fit anything.
    """
    columns = [np.ones(len(components))]
    for gap_px in gaps_px[np.isfinite(gaps_px).any(axis=1)]:
        seen = np.flatnonzero(np.isfinite(gap_px))
        steady = median_filter(
            np.interp(np.arange(len(gap_px)), seen, gap_px[seen]), GLITCH_FRAMES, mode="nearest"
        )
        away = np.clip(
            (steady - np.median(steady)) / max(float(np.std(steady)), 1e-9), -FARTHEST_GAP, FARTHEST_GAP
        )
        round_each = np.lib.stride_tricks.sliding_window_view(
            np.pad(away, FRAMES_ROUND, mode="edge"), len(away)
        )
        columns += [shifted**power for shifted in round_each for power in range(1, HIGHEST_POWER + 1)]
    told_by = np.column_stack(columns)
    factors, _, unknowns, _ = np.linalg.lstsq(told_by, components, rcond=None)
    free = len(components) - unknowns
    if free < LEAST_FREE:
        return components
    left = np.sum((components - told_by @ factors) ** 2, axis=0) / free
    return components[:, left > (1.0 - WITH_GAP) * np.var(components, axis=0, ddof=1)]


def _bounded(rest: Rest, profile: FloatArray) -> FloatArray:
    """What moves in profiles (n, m, a), no louder than it may be (n, m·a)."""
    return np.clip(rest.moving(profile), -LOUDEST, LOUDEST).reshape(len(profile), -1)


def _even(profile: FloatArray) -> FloatArray:
    """Profiles with the brightness changes of the whole picture removed."""
    return np.asarray(profile / np.maximum(profile.mean(axis=(1, 2), keepdims=True), 1.0))
