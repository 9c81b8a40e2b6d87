"""The spokes' look as a series of waves of the phase, no livelier than the run shows it to be.

Each component is a Fourier series of the wheel's angle within the look's period, with Gaussian noise and a Gaussian
prior whose width is learnt for each order (evidence procedure: MacKay, Neural Computation 4 (1992) 415; from
memory). What smears at speed, or is seen in few frames, is so believed no finer than it can be.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rimgauge.records import FloatArray, IntArray

FINEST_DEG, MOST_ORDERS = 1.5, 90
"""Shortest wave of a look, about the width that it is softened over; and how many at most, for the time it takes."""
FIRST_WIDTH = 0.5
ROUNDS, ROUNDS_MORE = 8, 3
"""To learn a look from nothing, and from one that was learnt along nearly the same path."""
WORSE = 0.8
"""Quantile of the frames' misfits that counts as their usual one."""
STRETCHES = 15
INDEPENDENT = 4.0
"""So many components of a picture count as independent."""
SPOKE_SD_DEG = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """A look learnt from n frames of k components, by p waves.

    coefficients (p, k). noise (k,): standard deviation of what it leaves over. directions (p, p) and stiffness
    (p, k): the coefficients' covariance of a component, over its noise variance, is directions · diag(1/stiffness)
    · directionsᵀ. width (p,), spread (k,): prior standard deviations are their product. weight (n,): how much each
    frame counted.
    """

    coefficients: FloatArray
    noise: FloatArray
    directions: FloatArray
    stiffness: FloatArray
    width: FloatArray
    spread: FloatArray
    weight: FloatArray


def waves(
    angle_deg: FloatArray, period_deg: float, finest_deg: float = FINEST_DEG
) -> tuple[FloatArray, FloatArray]:
    """Constant, cosines and sines (n, 1 + 2h) of the phase, down to a wavelength, and their slopes [1/deg]."""
    orders = np.arange(1, min(math.ceil(period_deg / finest_deg), MOST_ORDERS) + 1)
    wave = np.outer(2.0 * np.pi * angle_deg / period_deg, orders)
    cosines, sines = np.cos(wave), np.sin(wave)
    basis = np.hstack([np.ones((len(wave), 1)), cosines, sines])
    slope = np.hstack([np.zeros((len(wave), 1)), -sines * orders, cosines * orders])
    return basis, slope * (2.0 * np.pi / period_deg)


def learn_series(
    basis: FloatArray,
    components: FloatArray,
    slope: FloatArray | None = None,
    passing: IntArray | None = None,
    begun: Series | None = None,
) -> Series:
    """Learn the look from waves (n, p) and components (n, k), frames that don't fit counting less.

    With the waves' slope (n, p) [1/deg] and the pass of a spoke (n,) that each frame belongs to, frames of a pass
    count less the more they tell: no spoke stands quite where the look says, and all frames of its pass share that.
    begun: of as many waves along nearly the same path, to go on from.
    """
    count, unknowns = basis.shape
    spread = np.maximum(np.std(components, axis=0), 1e-9)
    share = independent_share(components)
    if begun is None:
        rounds, weight, width, noise = ROUNDS, np.ones(count), np.full(unknowns, FIRST_WIDTH), 0.5 * spread
    else:
        rounds, weight, width, noise = ROUNDS_MORE, begun.weight, begun.width, begun.noise
    for left in range(rounds - 1, -1, -1):
        normal, toward = basis.T @ (basis * weight[:, None]), basis.T @ (components * weight[:, None])
        directions, stiffness = _directions(normal, width, noise / spread)
        coefficients = directions @ ((directions.T @ toward) / stiffness)
        residual = components - basis @ coefficients
        used = weight
        size = np.sqrt(np.mean((residual / spread) ** 2, axis=1))
        known = unknowns - np.sum((noise / spread) ** 2 / stiffness, axis=0)
        noise = np.sqrt(
            np.sum(used[:, None] * residual**2, axis=0) / np.maximum(used.sum() - known, 0.2 * used.sum())
        )
        noise = np.maximum(noise, 1e-3 * spread)
        if left:
            width = _width(coefficients, directions, stiffness, noise, spread)
            # Many frames may show no spoke at all, and fit easily: the size that is usual is that of the worse ones.
            worse = int(WORSE * (count - 1))
            weight = 1.0 / (1.0 + (size / (3.0 * np.partition(size, worse)[worse] + 1e-9)) ** 4)
            if slope is not None and passing is not None:
                change = (slope @ coefficients) / noise
                tells = np.bincount(passing, share * weight * np.sum(change**2, axis=1))[passing]
                weight = weight / (1.0 + tells * SPOKE_SD_DEG**2)
    return Series(coefficients, noise, directions, stiffness, width, spread, used)


def independent_share(components: FloatArray) -> float:
    """How much each of the components (n, k) of one picture counts: they aren't independent."""
    return min(1.0, INDEPENDENT / float(components.shape[1]))


def _directions(
    normal: FloatArray, width: FloatArray, noise_share: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Directions (p, p) in which normal matrix and prior are both diagonal, and their sums (p, k) in each."""
    own, vectors = np.linalg.eigh(normal * np.outer(width, width))
    return width[:, None] * vectors, np.maximum(own, 0.0)[:, None] + noise_share**2


def _width(
    coefficients: FloatArray,
    directions: FloatArray,
    stiffness: FloatArray,
    noise: FloatArray,
    spread: FloatArray,
) -> FloatArray:
    """Width (p,) of the prior of each order, from what the coefficients came to and how unsure they are."""
    unsure = (directions**2) @ (1.0 / stiffness) * noise**2
    size = np.mean((coefficients**2 + unsure) / spread**2, axis=1)
    half = (len(size) - 1) // 2
    both = 0.5 * (size[1 : half + 1] + size[half + 1 :])
    return np.asarray(np.sqrt(np.concatenate([[max(size[0], 1.0)], both, both])))


def foretold(
    components: FloatArray,
    angle_deg: FloatArray,
    period_deg: float,
    finest_deg: float = FINEST_DEG,
    *,
    robust: bool = False,
) -> tuple[FloatArray, FloatArray]:
    """How far each frame's look (n,) misses what the looks at other times foretell, and misses the mean look, squared.

    The run is cut into stretches of time, and each is left out in turn when the mean look is learnt
    (cross-validation: Stone, J. R. Statist. Soc. B 36 (1974) 111; from memory). Single frames would not do: one
    of a wheel that stands still is foretold by its neighbours wherever it stands.

    robust: frames that don't fit, such as the valve's, foretell less. Then a course that is wrong gains too, for what speaks
    against it is heard less: between courses it must not decide.
    """
    if not components.shape[1]:
        return np.zeros(len(components)), np.zeros(len(components))
    basis, _ = waves(angle_deg, period_deg, finest_deg)
    series = learn_series(basis, components)
    weight = series.weight if robust else np.ones(len(basis))
    seen = basis * weight[:, None]
    normal, toward = seen.T @ basis, seen.T @ components
    missed = np.empty_like(components)
    for left_out in np.array_split(np.arange(len(basis)), STRETCHES):
        own, part = basis[left_out], seen[left_out].T
        directions, stiffness = _directions(normal - part @ own, series.width, series.noise / series.spread)
        coefficients = directions @ ((directions.T @ (toward - part @ components[left_out])) / stiffness)
        missed[left_out] = components[left_out] - own @ coefficients
    return np.sum(missed**2, axis=1), np.sum((components - components.mean(axis=0)) ** 2, axis=1)


def share_foretold(missed: FloatArray, whole: FloatArray, left_out: float) -> float:
    """Share of the variance that was foretold, 1 all to 0 none, by what `foretold` returns.

    left_out: share of the frames that fit worst, which don't count: a hand, a knock.
    """
    kept = int((1.0 - left_out) * len(missed))
    return 1.0 - float(np.sort(missed)[:kept].sum() / max(np.sort(whole)[:kept].sum(), 1e-12))
