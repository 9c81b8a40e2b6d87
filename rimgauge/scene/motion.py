"""How a hand turns a wheel, and when the camera looks."""

from __future__ import annotations

import numpy as np

from rimgauge.records import FloatArray, record

from .spec import SceneSpec

_STEP_S = 0.002
_JITTER_S = 0.0006
"""Spread of the camera's own clock from frame to frame, as webcams have it."""


@record
class Spin:
    """Time, unwrapped angle and speed of the wheel in each of n frames, at mid-exposure."""

    time_s: FloatArray
    angle_deg: FloatArray
    speed_deg_s: FloatArray


def turn_by_hand(spec: SceneSpec, rng: np.random.Generator) -> Spin:
    """Turn the wheel as the spec says and note where it stands in every frame.

    Limits
    ------
    The hand's speed is a mean with two slow waves and some wander; a stop lasts about half a second, rocking
    back goes some twenty degrees the other way.
    """
    taken = spec.frames + spec.dropped_frames
    time_s = np.arange(taken) / spec.fps + np.clip(
        rng.normal(0, _JITTER_S, taken), -0.3 / spec.fps, 0.3 / spec.fps
    )
    kept = np.ones(taken, dtype=bool)
    if spec.dropped_frames:
        kept[rng.choice(np.arange(1, taken), spec.dropped_frames, replace=False)] = False
    time_s = time_s[kept] - time_s[0]

    clock = np.arange(0.0, time_s[-1] + 4 * _STEP_S, _STEP_S)
    factor = _hand(spec, clock, rng)
    speed = 360.0 * spec.turns_per_s * factor
    travelled = np.concatenate(([0.0], np.cumsum((speed[1:] + speed[:-1]) * (_STEP_S / 2))))
    start = -rng.uniform(25.0, 60.0)
    return Spin(
        time_s=time_s,
        angle_deg=start + np.interp(time_s, clock, travelled),
        speed_deg_s=np.interp(time_s, clock, speed),
    )


def _hand(spec: SceneSpec, clock: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Speed over the mean speed at each moment of the clock."""
    if spec.turning == "steady":
        return np.ones_like(clock)
    factor = np.ones_like(clock)
    for low, high, size in ((0.25, 0.45, 0.16), (0.6, 1.1, 0.10), (1.5, 2.5, 0.04)):
        factor += size * np.sin(2 * np.pi * rng.uniform(low, high) * clock + rng.uniform(0, 2 * np.pi))
    if spec.turning == "uneven":
        return factor
    end = clock[-1]
    for part in (0.3, 0.68):
        middle = end * (part + rng.uniform(-0.05, 0.05))
        factor *= 1 - np.exp(-(((clock - middle) / 0.28) ** 4))
        if spec.turning == "rocks":
            factor -= 0.6 * np.exp(-(((clock - middle) / 0.25) ** 2))
    return factor
