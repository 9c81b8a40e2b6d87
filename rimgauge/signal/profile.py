"""The spokes' strips side by side: what moves in them, and their look in a few numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from rimgauge.records import FloatArray

COMPONENTS = 8
LOUDEST = 12.0


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
    """What turns a profile (m, a) into components (k,): what stands still, softening [bins], axes (k, m·a)."""

    rest: Rest
    soft_bins: float
    axes: FloatArray

    def project(self, profile: FloatArray) -> FloatArray:
        """Components (n, k) of profiles (n, m, a)."""
        return np.asarray(_soft(self.rest.moving(profile), self.soft_bins) @ self.axes.T)


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
    soft = _soft(rest.moving(profile), soft_bins)
    _, axes = np.linalg.eigh(np.cov(soft.T))
    axes = axes[:, : -most - 1 : -1].T
    return ProfileAxes(rest, soft_bins, axes / max(float(np.std(soft @ axes[0])), 1e-9))


def _soft(moving: FloatArray, soft_bins: float) -> FloatArray:
    bounded = np.clip(moving, -LOUDEST, LOUDEST)
    soft = gaussian_filter1d(bounded, soft_bins, axis=1) if soft_bins > 0.0 else bounded
    return np.asarray(soft.reshape(len(soft), -1))


def _even(profile: FloatArray) -> FloatArray:
    """Profiles with the brightness changes of the whole picture removed."""
    return np.asarray(profile / np.maximum(profile.mean(axis=(1, 2), keepdims=True), 1.0))
