"""How a hand turns a wheel, and what goes wrong at a bench meanwhile: bumps, a bent pointer, changing light."""

from __future__ import annotations

import cv2
import numpy as np

from rimgauge.records import FloatArray, record

from .canvas import Picture, blurred
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


BUMP_AT, POINTER_AT, HAND_AT = 0.5, 0.55, 0.4
"""Parts of the run after which the camera is knocked, the pointer is bent and the hand comes."""
_KNOCK = np.array((0.8, -0.6))
_EXPOSURE_STEP_S = 1.1
"""How long a camera's automatic exposure stays as it is."""
_SWAY_HZ = (0.31, 0.47)
_HAND_BGR = (112.0, 138.0, 190.0)
_HAND_RADIUS_PX = 60.0
_HAND_PATH_PX = 150.0


@record
class Happening:
    """What is the matter in one frame.

    camera_px (2,): how far the camera's picture has moved. pointer_px: how far the pointer has been bent away from
    the rim. hand: −1 to 1 while a hand passes before pointer and rim, else None. light: factor of the brightness.
    background_px (2,): how far the background has moved.
    """

    camera_px: FloatArray
    pointer_px: float
    hand: float | None
    light: float
    background_px: FloatArray


def happenings(spec: SceneSpec, time_s: FloatArray) -> list[Happening]:
    """Tell for each frame (n,) what the spec lets happen."""
    count = len(time_s)
    first_hand = round(HAND_AT * count)
    sway = spec.background_sway_px * np.sin(2 * np.pi * np.outer(time_s, _SWAY_HZ))
    light = 1.0 - spec.dimming * time_s / max(float(time_s[-1]), 1e-9)
    light = light * np.where(np.floor(time_s / _EXPOSURE_STEP_S) % 2 == 1, 1.0 + spec.exposure_step, 1.0)
    return [
        Happening(
            camera_px=_KNOCK * (spec.bump_px if index >= BUMP_AT * count else 0.0),
            pointer_px=(spec.pointer_bent_px if index >= POINTER_AT * count else 0.0)
            + spec.pointer_creep_px * index / max(count - 1, 1),
            hand=_hand_way(index - first_hand, spec.hand_frames),
            light=float(light[index]),
            background_px=sway[index],
        )
        for index in range(count)
    ]


def _hand_way(since: int, frames: int) -> float | None:
    return 2.0 * (since + 0.5) / frames - 1.0 if 0 <= since < frames else None


def lay_hand(picture: Picture, tip: FloatArray, forward: FloatArray, way: float) -> Picture:
    """Lay a hand over a picture, on its way past the tip along `forward` (both as column, row)."""
    share = np.zeros(picture.shape[:2], dtype=np.float32)
    centre = tip + way * _HAND_PATH_PX * forward
    cv2.circle(share, (round(centre[0]), round(centre[1])), round(_HAND_RADIUS_PX), 1.0, -1)
    share = blurred(share, 4.0)
    return np.asarray(picture + share[..., None] * (np.array(_HAND_BGR, dtype=np.float32) - picture))


def moved(picture: Picture, by: FloatArray) -> Picture:
    """Move what a picture shows by columns and rows, its border repeated."""
    matrix = np.array(((1.0, 0.0, by[0]), (0.0, 1.0, by[1])))
    size = (picture.shape[1], picture.shape[0])
    turned = cv2.warpAffine(picture, matrix, size, flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(turned.reshape(picture.shape), dtype=np.float32)
