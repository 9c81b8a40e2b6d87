"""How far the rim slid along its own path between two frames: its specks, holes and decals moved with it.

Every shift is given a likelihood ratio rather than one shift chosen: a rim with evenly spaced holes looks the
same after one of them, and only the rest of the evidence can tell.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.ndimage import gaussian_filter1d

from rimgauge.records import FloatArray, IntArray, Slide

LARGEST_SHARE = 0.8
"""Of the strip's length: beyond it too little of the rim is seen in both frames."""
SHADING_BINS, GRAIN_BINS = 6.0, 0.7
"""What is broader is light and shade that stands still; what is finer is noise."""
BACKGROUND_STRIPS = 2000
BLOCK = 512
CLOSEST = 0.995
"""Correlation beyond which a likeness says no more."""


def find_slide(strips: NDArray[np.uint8], px_per_bin: float) -> Slide:
    """Compare each strip (n, bins, 3) along the rim's path with the one before.

    The ratio is that of two Gaussian signals with the correlation seen over the stretch common to both frames
    against two independent ones: −½ m ln(1 − ρ²), m the number of independent bins (mutual information of
    Gaussian variables: Gelfand and Yaglom 1957; from memory).
    """
    bins = strips.shape[1]
    lags = np.arange(-int(LARGEST_SHARE * bins), int(LARGEST_SHARE * bins) + 1)
    every = max(1, len(strips) // BACKGROUND_STRIPS)
    usual = np.median(_level(strips[::every]), axis=0)
    length = _correlation_length(_flat(strips[::every], usual))
    nats = np.zeros((len(strips), len(lags)), dtype=np.float16)
    for start in range(0, len(strips) - 1, BLOCK):
        flat = _flat(strips[start : start + BLOCK + 1], usual)
        nats[start + 1 : start + len(flat)] = _likeness(flat[:-1], flat[1:], lags, length)
    nats.flags.writeable = False
    return Slide(shift_px=np.asarray(lags * px_per_bin), nats=nats)


def _level(strips: NDArray[np.uint8]) -> FloatArray:
    """Strips with the brightness changes of the whole picture removed."""
    return np.asarray(strips / np.maximum(strips.mean(axis=(1, 2), keepdims=True), 1.0))


def _flat(strips: NDArray[np.uint8], usual: FloatArray) -> FloatArray:
    moving = _level(strips) - usual
    moving -= gaussian_filter1d(moving, SHADING_BINS, axis=1)
    return np.asarray(gaussian_filter1d(moving, GRAIN_BINS, axis=1))


def _correlation_length(flat: FloatArray) -> float:
    """Bins that one independent piece of the pattern takes: sum of the autocorrelation out to where it fades."""
    bins = flat.shape[1]
    power = np.sum(np.abs(fft.rfft(flat, fft.next_fast_len(2 * bins), axis=1)) ** 2, axis=(0, 2))
    likeness = fft.irfft(power, fft.next_fast_len(2 * bins))[:bins]
    likeness /= max(float(likeness[0]), 1e-12)
    faded = int(np.argmax(likeness < 0.1)) or bins
    return 1.0 + 2.0 * float(np.sum(likeness[1:faded]))


def _likeness(before: FloatArray, after: FloatArray, lags: IntArray, length: float) -> FloatArray:
    """Log likelihood ratio (n, lags) of each shift between strips (n, bins, 3), 0 where they are unlike."""
    bins = before.shape[1]
    size = fft.next_fast_len(2 * bins)
    spectrum = np.conj(fft.rfft(before, size, axis=1)) * fft.rfft(after, size, axis=1)
    common = fft.irfft(np.sum(spectrum, axis=2), size, axis=1)[:, lags]
    low, high = np.maximum(-lags, 0), bins - np.maximum(lags, 0)
    energy = [
        np.concatenate([np.zeros((len(strips), 1)), np.cumsum(np.sum(strips**2, axis=2), axis=1)], axis=1)
        for strips in (before, after)
    ]
    held = (energy[0][:, high] - energy[0][:, low]) * (energy[1][:, high + lags] - energy[1][:, low + lags])
    likeness = np.clip(common / np.sqrt(np.maximum(held, 1e-12)), 0.0, CLOSEST)
    return np.asarray(-0.5 * (bins - np.abs(lags)) / length * np.log1p(-(likeness**2)))
