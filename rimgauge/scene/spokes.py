"""Spokes and nipples as the camera sees them behind the rim: smeared by motion, not exact to the pixel."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.records import FloatArray

from .camera import Camera
from .canvas import Canvas, Picture
from .spec import SceneSpec

_SPOKE_MM = 2.0
_NIPPLE_MM = 3.8
_NIPPLE_LENGTH_MM = 12.0
_FLANGE_RADIUS_MM = 22.0
_FLANGE_OFFSET_MM = 31.0
_SUBSTEPS = 6
_PLACES, _TURNS = 60, 8
"""Places that are told along a spoke, and angles of the wheel within a pattern of four."""
_BITS = 4
"""Fraction bits of the corners handed to OpenCV."""
_HUB = ((-40.0, 40.0, 9.0, 138.0), (-32.5, -29.5, 26.0, 112.0), (29.5, 32.5, 26.0, 112.0))
"""Shell and flanges: from and to along the axle, radius [mm], grey."""
_GREYS = {"body": 70.0, "shine": 205.0, "nipple": 88.0}


class Spokes:
    """All spokes of a wheel; `draw` lays them over a background, averaged over the exposure."""

    def __init__(self, spec: SceneSpec, camera: Camera, canvas: Canvas) -> None:
        self._camera = camera
        self._canvas = canvas
        self._angles = spec.spoke_angles_deg
        self._root_mm = spec.radius_mm - spec.rim_depth_mm
        self._hub_mm = -spec.radius_mm
        self._sides = np.where(np.array(spec.flanges) == "right", 1.0, -1.0)
        lean = np.where(np.arange(spec.spokes) // 2 % 2 == 0, 1.0, -1.0)
        self._swing_deg = lean * spec.crossings * 720.0 / spec.spokes

    def with_hub(self, background: Picture) -> Picture:
        """Draw the hub, which looks the same however it is turned: a shell between two flanges."""
        picture = background.copy()
        for start, end, radius, grey in _HUB:
            ends = np.array([(start, 0.0, self._hub_mm), (end, 0.0, self._hub_mm)])
            for corners in self._bars(ends[:1], ends[1:], 2 * radius):
                cv2.fillConvexPoly(picture, corners, (grey, grey, grey), cv2.LINE_8, _BITS)
        return picture

    def draw(self, background: Picture, wheel_angle_deg: float, blur_deg: float) -> Picture:
        """Lay the spokes over a background (rows, columns, 3) in grey levels."""
        shares = {name: np.zeros(background.shape[:2], dtype=np.float32) for name in _GREYS}
        for step in range(_SUBSTEPS):
            turn = wheel_angle_deg + blur_deg * ((step + 0.5) / _SUBSTEPS - 0.5)
            for name, corners in self._shapes(turn).items():
                mask = np.zeros(background.shape[:2], dtype=np.uint8)
                for corner in corners:
                    cv2.fillConvexPoly(mask, corner, 255, cv2.LINE_AA, _BITS)
                cv2.accumulate(mask, shares[name])
        left = np.ones(background.shape[:2], dtype=np.float32)
        added = np.zeros_like(left)
        for name, grey in _GREYS.items():
            clear = 1 - shares[name] / np.float32(255.0 * _SUBSTEPS)
            left *= clear
            added = added * clear + np.float32(grey) * (1 - clear)
        return np.asarray(background * left[..., None] + added[..., None])

    def places_px(self) -> FloatArray:
        """Places (n, 2) along the spokes in the picture, of a wheel that turned on through a few of them."""
        share = np.linspace(0, 1, _PLACES)[:, None, None]
        places = []
        for turn in np.arange(_TURNS) * 1440.0 / (len(self._angles) * _TURNS):
            past = np.radians(turn - self._angles)
            rim, hub = (each[np.cos(past) > 0] for each in self._ends(past))
            places.append(self._camera.project(rim + share * (hub - rim)).reshape(-1, 2))
        return np.concatenate(places)

    def _ends(self, past: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Ends (n, 3) of each spoke at rim and hub, `past` the pointer by so many radians."""
        rim = self._at(0.8 * self._sides, self._root_mm, past)
        hub = self._at(_FLANGE_OFFSET_MM * self._sides, _FLANGE_RADIUS_MM, past + np.radians(self._swing_deg))
        return rim, hub

    def _shapes(self, wheel_angle_deg: float) -> dict[str, NDArray[np.int32]]:
        """Corners (n, 4, 2) in OpenCV's fixed point of the spokes' bodies, shines and nipples."""
        past = np.radians(wheel_angle_deg - self._angles)
        rim, hub = self._ends(past)
        along = (hub - rim) / np.linalg.norm(hub - rim, axis=1, keepdims=True)
        nipple = rim + _NIPPLE_LENGTH_MM * along
        near = np.cos(past) > -0.3
        return {
            "body": self._bars(rim[near], hub[near], _SPOKE_MM),
            "shine": self._bars(rim[near], hub[near], 0.3 * _SPOKE_MM),
            "nipple": self._bars(rim[near], nipple[near], _NIPPLE_MM),
        }

    def _at(self, x: FloatArray, radius: float, past: FloatArray) -> FloatArray:
        return np.stack((x, radius * np.sin(past), radius * np.cos(past) + self._hub_mm), axis=-1)

    def _bars(self, start: FloatArray, end: FloatArray, width_mm: float) -> NDArray[np.int32]:
        ends = [self._canvas.place(self._camera.project(point)) for point in (start, end)]
        widths = [self._camera.focal_px * width_mm / self._camera.depth_mm(point) for point in (start, end)]
        along = (ends[1] - ends[0]) / np.maximum(
            np.linalg.norm(ends[1] - ends[0], axis=1, keepdims=True), 1e-6
        )
        across = np.stack((-along[:, 1], along[:, 0]), axis=-1)
        sides = [0.5 * width[:, None] * across for width in widths]
        corners = np.stack(
            (ends[0] - sides[0], ends[0] + sides[0], ends[1] + sides[1], ends[1] - sides[1]), axis=1
        )
        return np.asarray(np.round(np.clip(corners, -8000, 8000) * 2**_BITS), dtype=np.int32)
