"""How far the rim slid along its own path between two frames: its specks, holes and decals moved with it.

Every shift is given a likelihood ratio rather than one shift chosen: a rim with evenly spaced holes looks the
same after one of them, and only the rest of the evidence can tell.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.ndimage import gaussian_filter1d

from rimgauge.records import FloatArray, IntArray, RimLooks, Slide

LARGEST_SHARE = 0.8
"""Of the strip's length: beyond it too little of the rim is seen in both frames."""
SHADING_BINS, GRAIN_BINS = 6.0, 0.7
"""What is broader is light and shade that stands still; what is finer is noise."""
BORDER_BINS = 2
"""Left out at each end: a shake of the camera brings in there what was beyond the picture."""
LOOK_BINS = 2
"""Bins that make one of a look, which is softened by as much: what is finer is gone where a wheel is fast."""
BACKGROUND_STRIPS = 2000
BLOCK = 512
CLOSEST = 0.995
"""Correlation beyond which a likeness says no more."""
Strips = NDArray[np.float32]


def find_slide(strips: NDArray[np.uint8], px_per_bin: float) -> Slide:
    """Compare each strip (n, bins, 3) along the rim's path with the one before.

    The ratio is that of two Gaussian signals with the correlation seen over the stretch common to both frames
    against two independent ones: −½ m ln(1 − ρ²), m the number of independent bins (mutual information of
    Gaussian variables: Gelfand and Yaglom 1957; from memory).
    """
    strips = strips[:, BORDER_BINS:-BORDER_BINS]
    bins = strips.shape[1]
    lags = np.arange(-int(LARGEST_SHARE * bins), int(LARGEST_SHARE * bins) + 1)
    sample = _level(strips[:: max(1, len(strips) // BACKGROUND_STRIPS)])
    usual, softened = np.median(sample, axis=0).astype(np.float32), _softening(bins)
    length = _correlation_length(np.asarray((sample - usual) @ softened))
    nats = np.zeros((len(strips), len(lags)), dtype=np.float16)
    for start in range(0, len(strips) - 1, BLOCK):
        flat = np.matmul(_level(strips[start : start + BLOCK + 1]) - usual, softened, dtype=np.float32)
        nats[start + 1 : start + len(flat)] = _likeness(flat, lags, length)
    nats.flags.writeable = False
    return Slide(shift_px=np.asarray(lags * px_per_bin), nats=nats)


def find_looks(strips: NDArray[np.uint8], px_per_bin: float, shake_px: FloatArray) -> RimLooks:
    """What the rim looks like in each strip (n, bins, 3), for whenever the same place comes by again.

    Broad stains are kept: in another turn nothing else looks like them, and they are all that a fast wheel shows. Light and
    shade that stand still are taken off as the median of all strips.
    """
    strips = strips[:, BORDER_BINS:-BORDER_BINS]
    bins = strips.shape[1] // LOOK_BINS
    # To half precision from the start: of a long film they are many.
    looks = np.empty((len(strips), bins), dtype=np.float16)
    for start in range(0, len(strips), BLOCK):
        bright = strips[start : start + BLOCK, : bins * LOOK_BINS].mean(axis=2, dtype=np.float32)
        soft = gaussian_filter1d(np.maximum(bright, 1.0), LOOK_BINS, axis=1)
        looks[start : start + BLOCK] = _beside_usual(soft.reshape(len(soft), bins, LOOK_BINS).mean(axis=2))
    stands = 1.0 + np.median(looks[:: max(1, len(looks) // BACKGROUND_STRIPS)].astype(np.float32), axis=0)
    for start in range(0, len(strips), BLOCK):
        block = looks[start : start + BLOCK]
        block[:] = _beside_usual((1.0 + block.astype(np.float32)) / stands)
    looks.flags.writeable = False
    return RimLooks(brightness=looks, px_per_bin=px_per_bin * LOOK_BINS, shake_px=shake_px)


def _beside_usual(bright: Strips) -> Strips:
    """Brightness (n, b) less its median, as a share of it: a mark that fills half of a strip must not seem another light on it all."""
    return np.asarray(bright / np.median(bright, axis=1, keepdims=True) - 1.0)


def _level(strips: NDArray[np.uint8]) -> Strips:
    """Strips (n, 3, bins) of (n, bins, 3) with the brightness changes of the whole picture removed."""
    bright = np.ascontiguousarray(strips.transpose(0, 2, 1), dtype=np.float32)
    return np.asarray(bright / np.maximum(bright.mean(axis=(1, 2), keepdims=True), 1.0))


def _softening(bins: int) -> NDArray[np.float32]:
    """What a strip is multiplied by (bins, bins) to take off the shading and the noise: two bell curves."""
    whole = np.eye(bins)
    even = whole - gaussian_filter1d(whole, SHADING_BINS, axis=1)
    return np.asarray(gaussian_filter1d(even, GRAIN_BINS, axis=1), dtype=np.float32)


def _correlation_length(flat: Strips) -> float:
    """Bins that one independent piece of the pattern takes: sum of the autocorrelation out to where it fades."""
    bins = flat.shape[2]
    size = fft.next_fast_len(2 * bins, real=True)
    power = np.sum(np.abs(fft.rfft(flat, size)) ** 2, axis=(0, 1))
    likeness = fft.irfft(power, size)[:bins]
    likeness /= max(float(likeness[0]), 1e-12)
    faded = int(np.argmax(likeness < 0.1)) or bins
    return 1.0 + 2.0 * float(np.sum(likeness[1:faded]))


def _likeness(flat: Strips, lags: IntArray, length: float) -> Strips:
    """Log likelihood ratio (n − 1, lags) of each shift of strips (n, 3, bins) against the ones before, 0 where unlike."""
    bins = flat.shape[2]
    size = fft.next_fast_len(2 * bins, real=True)
    spectrum = fft.rfft(flat, size)
    common = fft.irfft(np.sum(np.conj(spectrum[:-1]) * spectrum[1:], axis=1), size)[:, lags]
    low, high = np.maximum(-lags, 0), bins - np.maximum(lags, 0)
    energy = np.pad(np.cumsum(np.sum(flat**2, axis=1), axis=1), ((0, 0), (1, 0)))
    before, after = energy[:-1], energy[1:]
    held = (before[:, high] - before[:, low]) * (after[:, high + lags] - after[:, low + lags])
    likeness = np.clip(common / np.sqrt(np.maximum(held, 1e-12)), 0.0, CLOSEST)
    share = (-0.5 * (bins - np.abs(lags)) / length).astype(np.float32)
    return np.asarray(share * np.log1p(-(likeness**2)))
