"""The rim's outline in space and in the picture, and the exact gap between it and the pointer's tip."""

from __future__ import annotations

from typing import Literal

import numpy as np

from rimgauge.records import FloatArray, record

from .camera import Camera
from .shape import fine_table, look_up
from .spec import SceneSpec

Part = Literal["wall", "lip", "groove", "bed", "track", "root"]

_SOLVE_STEPS = 5


@record
class Profile:
    """Cross-section of the rim as the camera sees it: k corners in the order of rising measuring direction.

    corners (k, 2): x along the axle from the centre plane, z outward from the outer edge [mm].
    parts (k − 1): what lies between one corner and the next. edge: the corner that the pointer faces.
    """

    corners: FloatArray
    edge: int
    parts: tuple[Part, ...]


def rim_profile(spec: SceneSpec) -> Profile:
    """Give the cross-section: edge-on a bed between two lips, from the side a brake track below a lip."""
    half, depth = spec.rim_width_mm / 2, spec.rim_depth_mm
    if spec.direction == "radial":
        corners = [(2.0, -depth), (half - 0.5, 4.5 - depth), (half, -1.8), (half, 0.0), (-half, 0.0)]
        return Profile(corners=np.array(corners), edge=3, parts=("root", "track", "lip", "lip"))
    right = [(half - 2.6, -4.0), (half - 1.7, 0.0), (half, 0.0), (half - 1.6, -depth)]
    left = [(-x, z) for x, z in reversed(right)]
    return Profile(
        corners=np.array(left + right),
        edge=6 if spec.side == "right" else 1,
        parts=("wall", "lip", "groove", "bed", "groove", "lip", "wall"),
    )


class Outline:
    """The corners of a rim with runout, wherever the wheel stands."""

    def __init__(self, spec: SceneSpec, camera: Camera) -> None:
        self.profile = rim_profile(spec)
        self.camera = camera
        self.radius_mm = spec.radius_mm
        self._lateral = fine_table(spec.lateral_mm)
        self._radial = fine_table(spec.radial_mm)
        self._width = fine_table(spec.width_mm)
        self._outward = spec.outward

    def corner_points(
        self, corner: int, past_deg: FloatArray, wheel_angle_deg: FloatArray | float
    ) -> FloatArray:
        """Place points (…, 3) of one corner, `past_deg` past the pointer, of a wheel at an angle."""
        angle = np.asarray(wheel_angle_deg) - past_deg
        x, z = self.profile.corners[corner]
        radius = self.radius_mm + z + look_up(self._radial, angle)
        aside = look_up(self._lateral, angle)
        if x * self._outward < 0.0:
            aside = aside - self._outward * look_up(self._width, angle)
        past = np.radians(past_deg)
        return np.stack(
            (
                x + aside,
                radius * np.sin(past),
                radius * np.cos(past) - self.radius_mm,
            ),
            axis=-1,
        )

    def gap_px(self, tip: FloatArray, wheel_angle_deg: FloatArray, *, other_side: bool = False) -> FloatArray:
        """Measure (n,) from the tip (2,) to the outline along the measuring direction at the tip [px].

        Each corner is followed to the tip's height by Newton's method; the outermost one is the outline.
        """
        outward = (-self._outward if other_side else self._outward) * self.camera.positive
        across = np.array((-outward[1], outward[0]))
        gaps = []
        for corner in range(len(self.profile.corners)):
            past = np.zeros_like(wheel_angle_deg)
            for _ in range(_SOLVE_STEPS):
                here = (self.camera.project(self.corner_points(corner, past, wheel_angle_deg)) - tip) @ across
                there = (
                    self.camera.project(self.corner_points(corner, past + 0.01, wheel_angle_deg)) - tip
                ) @ across
                past = past - here * 0.01 / (there - here)
            met = self.camera.project(self.corner_points(corner, past, wheel_angle_deg))
            gaps.append((tip - met) @ outward)
        return np.asarray(np.min(gaps, axis=0))
