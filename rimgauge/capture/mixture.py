"""Which mixture of a camera's three colours shows a still thing best.

A yellow cable tie before a grey wall may be just as bright as the wall: its brightness alone tells its place badly,
and what passes behind it then draws it along. Its colour still tells it apart.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh

from rimgauge.records import FloatArray

BRIGHTNESS = np.array([0.114, 0.587, 0.299], dtype=np.float32)
"""Shares of blue, green and red in what is called brightness: ITU-R BT.601, as in OpenCV's conversion."""
FAINT_PX = 0.05
"""Brightness that tells a thing's place in one frame to less than this is left alone: cameras and films keep colours
at half of the pixels, so that a colour's edge is rounder than its noise lets expect."""
MUCH_BETTER = 2.0
"""A mixture must halve the variance of the place."""
COLOUR_NOISE = 1.0
"""Grey levels by which a colour may be off though it never flickers: films and JPEG round colours coarsely."""
LEAST_FRAMES, MOST_FRAMES = 8, 30
"""Fewer frames tell no noise, more hardly more than these."""
MOST_APART = 4.0
"""Slopes of two halves of the frames differ by their mean, or by twice what noise makes of most pixels, where nothing moves."""
SHOWS = 0.5
"""Frames with less of the usual brightness are left out: many cameras begin with a black one."""


def best_mixture(pictures: NDArray[np.uint8], axis: int) -> FloatArray | None:
    """Find the mixture whose slopes along one axis stand out most from the noise.

    Parameters
    ----------
    pictures : (n, rows, columns, 3), one box of n frames, blue, green, red.
    axis : along which the thing's place is asked for; 0 for rows, 1 for columns.

    Returns
    -------
    Shares of the three colours and a constant (1, 4), as `cv2.transform` takes them; the mixture has the noise and the
    usual level of the brightness. None where brightness does, or hardly worse.

    The variance of a place told by pictures with slopes g and noise N of the colours is 1/(wᵀ·Σggᵀ·w / wᵀNw) for the
    mixture w, which is least for the first generalised eigenvector (derived).
    """
    seen = _evenly_lit(pictures[:: -(-len(pictures) // MOST_FRAMES)])
    if len(seen) < LEAST_FRAMES:
        return None
    grey = (seen @ BRIGHTNESS)[..., None]
    by_brightness = float(_slopes(grey, axis)[0, 0] / (_noise(grey)[0, 0] + COLOUR_NOISE**2))
    if by_brightness > FAINT_PX**-2:
        return None
    noise = _noise(seen) + COLOUR_NOISE**2 * np.eye(3, dtype=np.float32)
    information, mixtures = eigh(_slopes(seen, axis), noise)
    if information[-1] < MUCH_BETTER * max(by_brightness, 0.0):
        return None
    best = mixtures[:, -1] * np.sqrt(BRIGHTNESS @ noise @ BRIGHTNESS)
    # A vector's sign is free: the largest share counts up, on every machine.
    best *= np.sign(best[np.argmax(np.abs(best))])
    return np.append(best, (BRIGHTNESS - best) @ np.median(seen, axis=(0, 1, 2)))[None]


def mixed(picture: NDArray[np.uint8], mixture: FloatArray | None) -> NDArray[np.float32]:
    """Levels (rows, columns) of a BGR picture: its brightness, or another mixture of its colours."""
    if mixture is None:
        return cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY).astype(np.float32)
    return np.asarray(cv2.transform(picture.astype(np.float32), mixture), dtype=np.float32)


def _evenly_lit(pictures: NDArray[np.uint8]) -> NDArray[np.float32]:
    """The pictures that show something, made equally bright."""
    light = np.median(pictures @ BRIGHTNESS, axis=(1, 2))
    shows = light > SHOWS * np.median(light)
    gain = np.median(light) / light[shows]
    return np.asarray(pictures[shows] * gain[:, None, None, None].astype(np.float32))


def _noise(seen: NDArray[np.float32]) -> NDArray[np.float32]:
    """Covariance (c, c) of the c channels' noise, by the quieter half of the pixels: in the others something moves."""
    off = seen - np.median(seen, axis=0)
    unrest = np.median(np.abs(off).sum(axis=-1), axis=0)
    quiet = off[:, unrest <= np.median(unrest)].reshape(-1, off.shape[-1])
    return np.asarray(quiet.T @ quiet / len(quiet))


def _slopes(seen: NDArray[np.float32], axis: int) -> NDArray[np.float32]:
    """Σ ggᵀ (c, c) over the slopes g of the mean picture [grey levels²/px²]."""
    # The slopes of two halves of the frames share no noise: their product is free of it.
    halves = [np.gradient(np.median(seen[half::2], axis=0), axis=axis) for half in (0, 1)]
    one, other = (half.reshape(-1, seen.shape[-1]) for half in halves)
    # Where one half shows what the other doesn't, something passes.
    apart, size = np.sum((one - other) ** 2, axis=1), np.sum((0.5 * (one + other)) ** 2, axis=1)
    still = apart <= np.maximum(size, MOST_APART * np.median(apart))
    one, other = one[still], other[still]
    return np.asarray(0.5 * (one.T @ other + other.T @ one), dtype=np.float32)
