"""The spokes' look in a few numbers: principal components of the brightness along their path."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rimgauge.records import FloatArray

COMPONENTS = 8
LOUDEST = 12.0


@dataclass(frozen=True, slots=True, eq=False)
class ProfileAxes:
    """What turns a profile (m,) into components (k,): usual (m,), unrest (m,) of each bin, axes (k, m)."""

    usual: FloatArray
    unrest: FloatArray
    axes: FloatArray

    def project(self, profile: FloatArray) -> FloatArray:
        """Components (n, k) of profiles (n, m)."""
        return np.asarray(
            np.clip((_even(profile) - self.usual) / self.unrest, -LOUDEST, LOUDEST) @ self.axes.T
        )


def learn_axes(profile: FloatArray) -> ProfileAxes:
    """Learn the axes from the profiles (n, m) of a turning wheel; the first component has a spread of 1."""
    even = _even(profile)
    usual = np.median(even, axis=0)
    # A bin that is never quiet (the border of something still, under camera shake) tells less.
    quiet = np.median(np.abs(even - usual), axis=0)
    unrest = quiet + np.median(quiet) + 1e-9
    bounded = np.clip((even - usual) / unrest, -LOUDEST, LOUDEST)
    _, _, axes = np.linalg.svd(bounded - bounded.mean(axis=0), full_matrices=False)
    spread = float(np.std(bounded @ axes[0]))
    return ProfileAxes(usual, unrest, axes[:COMPONENTS] / (spread if spread > 0.0 else 1.0))


def _even(profile: FloatArray) -> FloatArray:
    """Profiles with the brightness changes of the whole picture removed."""
    return np.asarray(profile / np.maximum(profile.mean(axis=1, keepdims=True), 1.0))
