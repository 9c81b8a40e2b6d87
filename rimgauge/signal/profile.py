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
    spread = np.cov(moving.T)
    softened = np.eye(len(spread))
    if soft_bins > 0.0:
        # Softening is a product of matrices too, and one with the axes costs less than one with every profile.
        bins, across = profile.shape[1:]
        softened = np.kron(gaussian_filter1d(np.eye(bins), soft_bins, axis=0), np.eye(across))
    _, axes = np.linalg.eigh(softened @ spread @ softened.T)
    axes = axes[:, : -most - 1 : -1].T @ softened
    return ProfileAxes(rest, axes / max(float(np.std(moving @ axes[0])), 1e-9))


def _bounded(rest: Rest, profile: FloatArray) -> FloatArray:
    """What moves in profiles (n, m, a), no louder than it may be (n, m·a)."""
    return np.clip(rest.moving(profile), -LOUDEST, LOUDEST).reshape(len(profile), -1)


def _even(profile: FloatArray) -> FloatArray:
    """Profiles with the brightness changes of the whole picture removed."""
    return np.asarray(profile / np.maximum(profile.mean(axis=(1, 2), keepdims=True), 1.0))
