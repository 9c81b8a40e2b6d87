"""What goes wrong at a bench while frames are taken: bumps, a bent pointer, a hand, changing light, a busy room."""

from __future__ import annotations

import cv2
import numpy as np

from rimgauge.records import FloatArray, record

from .canvas import Picture, blurred
from .spec import SceneSpec

BUMP_AT, POINTER_AT, HAND_AT = 0.5, 0.55, 0.4
"""Parts of the run after which the camera is knocked, the pointer is bent and the hand comes."""
_KNOCK = np.array((0.8, -0.6))
_STEP_S = 1.1
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
    light = light * np.where(np.floor(time_s / _STEP_S) % 2 == 1, 1.0 + spec.exposure_step, 1.0)
    return [
        Happening(
            camera_px=_KNOCK * (spec.bump_px if index >= BUMP_AT * count else 0.0),
            pointer_px=(spec.pointer_bent_px if index >= POINTER_AT * count else 0.0)
            + spec.pointer_creep_px * index / max(count - 1, 1),
            hand=_hand(index - first_hand, spec.hand_frames),
            light=float(light[index]),
            background_px=sway[index],
        )
        for index in range(count)
    ]


def _hand(since: int, frames: int) -> float | None:
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
