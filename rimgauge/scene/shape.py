"""Runout curves over one revolution: sums of harmonics and bumps, drawn from chance or stated."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rimgauge.records import FloatArray, shortest_deg

from .spec import CURVE_POINTS

_FINE = 10
"""Points of the fine table for each point of a curve."""


def runout_curve(
    harmonics: Sequence[tuple[int, float, float]] = (), bumps: Sequence[tuple[float, float, float]] = ()
) -> FloatArray:
    """Add harmonics and bumps up to a runout curve without mean.

    Parameters
    ----------
    harmonics : of order, amplitude [mm] and phase [deg]; each adds amplitude · cos(order · angle − phase).
    bumps : of centre [deg], width [deg] and height [mm]; each adds a bell curve; width is where it has fallen to half its height, from flank to flank.

    Returns
    -------
    ndarray (720,)
        Runout every half degree [mm].

    """
    angle: FloatArray = np.arange(CURVE_POINTS) * np.float64(360.0 / CURVE_POINTS)
    curve = np.zeros(CURVE_POINTS)
    for order, amplitude, phase in harmonics:
        curve += amplitude * np.cos(np.radians(order * angle - phase))
    for centre, width, height in bumps:
        away = shortest_deg(angle - centre)
        curve += height * np.exp(-4 * np.log(2) * (away / width) ** 2)
    return np.asarray(curve - curve.mean())


def random_curve(rng: np.random.Generator, total_mm: float) -> FloatArray:
    """Draw a runout curve (720,) with the given total runout [mm]: a slow wave and three local bumps."""
    orders = np.arange(1, 8)
    amplitudes = rng.uniform(0.4, 1.0, orders.size) / orders
    harmonics = list(zip(orders.tolist(), amplitudes, rng.uniform(0, 360, orders.size), strict=True))
    bumps = [
        (rng.uniform(0, 360), rng.uniform(14, 50), rng.choice((-1.0, 1.0)) * rng.uniform(0.5, 1.6))
        for _ in range(3)
    ]
    return with_total(runout_curve(harmonics, bumps), total_mm)


def with_total(curve_mm: FloatArray, total_mm: float) -> FloatArray:
    """Scale a curve (not a flat one) so that max − min is the given total [mm]."""
    return np.asarray(curve_mm * (total_mm / np.ptp(curve_mm)))


def fine_table(curve_mm: FloatArray) -> FloatArray:
    """Resample a periodic curve ten times finer by its Fourier series, its first point repeated."""
    spectrum = np.fft.rfft(curve_mm)
    table = np.fft.irfft(spectrum, curve_mm.size * _FINE) * _FINE
    return np.append(table, table[0])


def look_up(table: FloatArray, angle_deg: FloatArray) -> FloatArray:
    """Read a fine table at any angles [deg], linearly between its points."""
    place = (np.asarray(angle_deg) % 360.0) * ((table.size - 1) / 360.0)
    index = np.minimum(place.astype(np.int64), table.size - 2)
    part = place - index
    return np.asarray(table[index] * (1 - part) + table[index + 1] * part)
