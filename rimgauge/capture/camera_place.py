"""Where the camera stands to the rim's edge, from the picture of a board held there.

A flat board seen by a pinhole camera is a homography; with the focal length known it gives the board's pose
(Zhang, IEEE Trans. Pattern Anal. Mach. Intell. 22 (2000) 1330; from memory). Where the focal length isn't
known the board's own perspective tells it, well for a slanted board and hardly for one that faces the camera:
every focal length is tried and counts by how well it explains the corners.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from rimgauge.capture.targets import Corners
from rimgauge.errors import ScaleMissing
from rimgauge.records import (
    USUAL_DISTANCE_MM,
    USUAL_FOCAL,
    CameraPlace,
    Edge,
    FloatArray,
    Lens,
    View,
    middle_px,
)

FOCAL_SPREAD = 0.6
"""Of the usual focal length's logarithm: webcams have 0.6 to 1.1 widths, zoomed and telephone cameras up to 3 (common
practice)."""
DISTANCE_SPREAD = 0.5
"""Of the usual distance's logarithm (a judgement)."""
FOCALS = np.geomspace(0.4, 5.0, 31)
HELD_FLAT = math.tan(math.radians(2.0))
"""A board held or clamped by hand stands within about 2° of where it should (a judgement)."""
CORNER_SHARE = 10.0
"""What a lens bends and paper curls is alike for neighbouring corners: so many of them tell as much as one."""


@dataclass(frozen=True, slots=True, eq=False)
class _Seat:
    """One way the camera may stand: how far off, what crosses over, and how badly the corners fit [px]."""

    focal_px: float
    distance_mm: float
    crosstalk: float
    rms_px: float


def camera_place(
    corners: Corners, square_mm: float, view: View, distance_mm: float | None = None
) -> CameraPlace:
    """Work out how far the camera is from the rim's edge and what of the other direction it mixes in.

    Parameters
    ----------
    corners : of the board at the rim's edge.
    square_mm : side of one of its squares [mm].
    view : where the rim's edge is; its lens, if known, gives the focal length.
    distance_mm : from the lens to the rim's edge by a ruler, if measured [mm]; taken as sure within 5 %.
    """
    seats = [
        _seat(corners, square_mm, view, focal_px)
        for focal_px in ([_focal(view.lens)] if view.lens else FOCALS * view.image_size[0])
    ]
    rms = np.array([seat.rms_px for seat in seats])
    noise = max(float(rms.min()), 0.02)
    likely = (
        -0.5 * len(corners.lattice) * 2.0 / CORNER_SHARE * ((rms / noise) ** 2 - (rms.min() / noise) ** 2)
    )
    focal = np.array([seat.focal_px for seat in seats])
    distance = np.array([seat.distance_mm for seat in seats])
    if view.lens is None:
        likely -= 0.5 * (np.log(focal / (USUAL_FOCAL * view.image_size[0])) / FOCAL_SPREAD) ** 2
        likely -= 0.5 * (np.log(distance / USUAL_DISTANCE_MM) / DISTANCE_SPREAD) ** 2
    if distance_mm is not None:
        likely -= 0.5 * (np.log(distance / distance_mm) / 0.05) ** 2
    weights = np.exp(likely - likely.max())
    weights /= weights.sum()
    crosstalk = np.array([seat.crosstalk for seat in seats])
    mean = float(weights @ crosstalk)
    spread = math.sqrt(float(weights @ (crosstalk - mean) ** 2))
    middle = float(np.exp(weights @ np.log(distance)))
    apart = math.sqrt(float(weights @ np.log(distance / middle) ** 2))
    return CameraPlace(
        distance_mm=middle,
        distance_standard_uncertainty_mm=middle * math.hypot(apart, 0.02),
        crosstalk=mean,
        crosstalk_standard_uncertainty=math.hypot(spread, HELD_FLAT * (1.0 + mean**2)),
        focal_px=float(np.exp(weights @ np.log(focal))),
    )


def _focal(lens: Lens) -> float:
    return float(lens.camera_matrix[0, 0] + lens.camera_matrix[1, 1]) / 2.0


def _seat(corners: Corners, square_mm: float, view: View, focal_px: float) -> _Seat:
    """Fit the board's pose for one focal length; a lens that isn't known may bend lines by its first term."""
    board = np.column_stack([corners.lattice * square_mm, np.zeros(len(corners.lattice))]).astype(np.float32)
    picture = corners.picture.astype(np.float32)
    width, height = view.image_size
    matrix = np.array(
        [[focal_px, 0.0, (width - 1) / 2.0], [0.0, focal_px, (height - 1) / 2.0], [0.0, 0.0, 1.0]]
    )
    bent = np.zeros(5) if view.lens is None else view.lens.distortion
    fixed = cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_FOCAL_LENGTH | cv2.CALIB_FIX_PRINCIPAL_POINT
    fixed |= cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K2 | cv2.CALIB_FIX_K3
    if view.lens is not None:
        matrix, fixed = view.lens.camera_matrix, fixed | cv2.CALIB_FIX_K1 | cv2.CALIB_FIX_TANGENT_DIST
    rms, _, bending, turns, shifts = cv2.calibrateCamera(
        [board], [picture], view.image_size, matrix.copy(), bent.copy(), flags=fixed
    )
    rotation = np.asarray(cv2.Rodrigues(turns[0])[0], dtype=np.float64)
    if not np.isfinite(rms):
        raise ScaleMissing("the board's corners don't fit a flat checkerboard; hold it flat and try again")
    lens = np.asarray(bending, dtype=np.float64)
    found = [
        _at_edge(rotation, np.asarray(shifts[0], dtype=np.float64).ravel(), matrix, lens, view, edge)
        for edge in view.edges
    ]
    return _Seat(
        focal_px=focal_px,
        distance_mm=float(np.mean([distance for distance, _ in found])),
        crosstalk=float(np.mean([crosstalk for _, crosstalk in found])),
        rms_px=float(rms),
    )


def _at_edge(
    rotation: FloatArray,
    shift: FloatArray,
    matrix: FloatArray,
    bent: FloatArray,
    view: View,
    edge: Edge,
) -> tuple[float, float]:
    """Distance [mm] and crosstalk at one rim edge of a board that stands so.

    With J the derivative of the picture by the place of a point, m the direction on the board that the picture
    shows along `positive`, n the board's normal: crosstalk = (J n · positive)/(J m · positive) (derived).
    """
    ray = np.append(cv2.undistortPoints(middle_px(edge.rim_box)[None, None], matrix, bent).ravel(), 1.0)
    normal = rotation[:, 2]
    point = ray * (normal @ shift) / (normal @ ray)
    jacobian = matrix[:2, :2] @ (np.eye(2, 3) - np.outer(ray[:2], (0.0, 0.0, 1.0))) / point[2]
    on_board = jacobian @ rotation[:, :2]
    measuring = rotation[:, :2] @ np.linalg.solve(on_board, view.positive)
    measuring /= np.linalg.norm(measuring)
    forward = np.cross(normal, measuring)
    forward *= np.sign(float((jacobian @ forward) @ view.forward))
    # Axes of the wheel: right, forward, outward are right-handed.
    across = np.cross(measuring, forward) if view.direction == "lateral" else np.cross(forward, measuring)
    picture = jacobian @ np.stack([across, measuring], axis=1)
    along = view.positive @ picture
    return float(point[2]), float(along[0] / along[1])
