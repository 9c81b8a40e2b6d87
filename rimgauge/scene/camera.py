"""A pinhole camera beside the wheel.

Axes of the room: x along the axle to the wheel's right, y the way the rim moves at the pointer when the
wheel rolls forward, z outward; the origin lies in the rim's centre plane at its outer edge, by the pointer.
"""

from __future__ import annotations

import cv2
import numpy as np

from rimgauge.records import FloatArray, record

from .spec import SceneSpec

_STEP_MM = 0.01
_AIM_INSIDE_MM = 4.0
"""Seen from the side, the near edge of the rim hides the far one only from a little inside."""


@record
class Camera:
    """position (3,) [mm]; axes (3, 3): its right, down and looking directions; centre_px: the optical axis.

    measuring (3,): unit vector of positive runout. edge (3,): the rim's nominal edge by the pointer [mm].
    """

    position: FloatArray
    axes: FloatArray
    focal_px: float
    centre_px: tuple[float, float]
    measuring: FloatArray
    edge: FloatArray

    def project(self, points: FloatArray) -> FloatArray:
        """Project points (…, 3) [mm] to pixels (…, 2)."""
        seen = (np.asarray(points) - self.position) @ self.axes.T
        return np.asarray(self.focal_px * seen[..., :2] / seen[..., 2:] + self.centre_px)

    def depth_mm(self, points: FloatArray) -> FloatArray:
        """Distance of points (…, 3) along the looking direction [mm]."""
        return np.asarray((np.asarray(points) - self.position) @ self.axes[2])

    def on_board(self, pixels: FloatArray) -> FloatArray:
        """Meet the plane through the edge that holds the measuring and the forward direction.

        Returns (…, 2): mm along the measuring and the forward direction from the edge.
        """
        seen = np.column_stack((self.measuring, (0.0, 1.0, 0.0), self.edge - self.position))
        x, y = self.centre_px
        lens = np.array(((self.focal_px, 0.0, x), (0.0, self.focal_px, y), (0.0, 0.0, 1.0)))
        back = np.linalg.inv(lens @ self.axes @ seen)
        return np.asarray(cv2.perspectiveTransform(pixels.reshape(-1, 1, 2), back).reshape(pixels.shape))

    @property
    def positive(self) -> FloatArray:
        """Unit vector (2,) in the picture in which the edge moves when runout is positive."""
        move = self.project(self.edge + _STEP_MM * self.measuring) - self.project(
            self.edge - _STEP_MM * self.measuring
        )
        return np.asarray(move / np.linalg.norm(move))

    @property
    def forward(self) -> FloatArray:
        """Unit vector (2,) in the picture in which the rim passes the pointer."""
        step = np.array((0.0, _STEP_MM, 0.0))
        move = self.project(self.edge + step) - self.project(self.edge - step)
        return np.asarray(move / np.linalg.norm(move))

    @property
    def crosstalk(self) -> float:
        """What 1 mm of the other direction, + right or outward, adds to the reading at the edge [mm/mm]."""
        other = np.array((0.0, 0.0, 1.0)) if self.measuring[0] else np.array((1.0, 0.0, 0.0))
        move = self.project(self.edge + _STEP_MM * other) - self.project(self.edge - _STEP_MM * other)
        return float(move @ self.positive) * self.mm_per_px / (2 * _STEP_MM)

    @property
    def mm_per_px(self) -> float:
        """Millimetres a pixel along the measuring direction at the edge."""
        move = self.project(self.edge + _STEP_MM * self.measuring) - self.project(
            self.edge - _STEP_MM * self.measuring
        )
        return float(2 * _STEP_MM / np.linalg.norm(move))


def place_camera(spec: SceneSpec) -> Camera:
    """Put the camera where the spec says, aimed at the rim's edge by the pointer or a little inside it."""
    tilt, roll = np.radians(spec.tilt_deg), np.radians(spec.roll_deg)
    half = spec.rim_width_mm / 2
    if spec.direction == "lateral":
        edge = np.array((spec.outward * half, 0.0, 0.0))
        aim = edge
        looking = np.array((-np.sin(tilt), 0.0, -np.cos(tilt)))
        right = np.array((np.cos(tilt), 0.0, -np.sin(tilt)))
        measuring = np.array((1.0, 0.0, 0.0))
    else:
        edge = np.array((half, 0.0, 0.0))
        aim = edge - np.array((0.0, 0.0, _AIM_INSIDE_MM))
        looking = np.array((-np.cos(tilt), 0.0, -np.sin(tilt)))
        right = np.array((0.0, 1.0, 0.0))
        measuring = np.array((0.0, 0.0, 1.0))
    down = np.cross(looking, right)
    axes = np.array(
        (np.cos(roll) * right + np.sin(roll) * down, np.cos(roll) * down - np.sin(roll) * right, looking)
    )
    width, height = spec.image_size
    return Camera(
        position=aim - spec.distance_mm * looking,
        axes=axes,
        focal_px=spec.distance_mm / (spec.mm_per_px * float(np.cos(tilt))),
        centre_px=((width - 1) / 2, (height - 1) / 2),
        measuring=measuring,
        edge=edge,
    )
