"""A picture of a printed checkerboard held where the rim's edge is, for the scale."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from .camera import Camera
from .spec import SceneSpec

SQUARE_MM = 5.0

_FINE = 4
_DARK, _PALE = 46.0, 226.0
_HELD_DEG = 1.6
"""Nobody holds a sheet quite straight."""


def draw_board(spec: SceneSpec, camera: Camera) -> NDArray[np.uint8]:
    """Photograph a checkerboard of 5 mm squares in the plane of the rim's edge, (height, width, 3) BGR.

    The sheet fills the picture; it lies in the plane of the measuring and the forward direction.
    """
    rng = np.random.default_rng([spec.seed, 3])
    width, height = spec.image_size
    offsets = (np.arange(_FINE) + 0.5) / _FINE - 0.5
    x, y = np.meshgrid(
        (np.arange(width)[:, None] + offsets).ravel(), (np.arange(height)[:, None] + offsets).ravel()
    )
    place = camera.on_board(np.stack((x, y), axis=-1))
    turn = np.radians(_HELD_DEG)
    across = (np.cos(turn) * place[..., 0] + np.sin(turn) * place[..., 1] + 1.3) / SQUARE_MM
    along = (np.cos(turn) * place[..., 1] - np.sin(turn) * place[..., 0] - 0.7) / SQUARE_MM
    dark = ((np.floor(across) + np.floor(along)) % 2 == 0).astype(np.float32)
    dark = dark.reshape(height, _FINE, width, _FINE).mean(axis=(1, 3))
    picture = cv2.GaussianBlur(
        (_PALE + (_DARK - _PALE) * dark)[..., None].repeat(3, axis=2), (0, 0), spec.blur_px
    )
    picture = picture + spec.noise * rng.standard_normal(picture.shape)
    return np.asarray(np.clip(picture + 0.5, 0, 255), dtype=np.uint8)
