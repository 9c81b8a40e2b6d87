"""The lens: focal length and distortion from pictures of a flat board, by OpenCV's calibration.

Zhang, IEEE Trans. Pattern Anal. Mach. Intell. 22 (2000) 1330 (from memory); the work is done by
cv2.calibrateCamera. Points are undistorted with the result, never pictures.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.errors import BadInput, ScaleMissing
from rimgauge.records import EdgeTrack, FloatArray, Lens, View

LEAST_PICTURES = 5
WINDOW_PX = 5
"""Half a side of the window in which a corner is sought to a fraction of a pixel."""
LEAST_SIDE_PX = 32
"""A picture with a shorter side shows no board, and OpenCV's search for one doesn't take it."""
MARKER_SHARE = 0.75
"""Side of a marker beside that of a square, on the boards that OpenCV makes."""


@dataclass(frozen=True, slots=True, eq=False)
class Sighted:
    """Corners of a board in one picture: board (n, 3) [squares], picture (n, 2) x, y [px]."""

    board: FloatArray
    picture: FloatArray


def sight_checkerboard(picture: NDArray[np.uint8], corners: tuple[int, int]) -> Sighted | None:
    """Find a checkerboard of so many inner corners across and down; None where it isn't wholly seen."""
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
    if min(grey.shape) < LEAST_SIDE_PX:
        return None
    seen, found = cv2.findChessboardCorners(grey, corners)
    if not seen:
        return None
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 30, 0.001)
    fine = cv2.cornerSubPix(grey, found, (WINDOW_PX, WINDOW_PX), (-1, -1), stop)
    across, down = np.meshgrid(np.arange(corners[0]), np.arange(corners[1]))
    board = np.column_stack([across.ravel(), down.ravel(), np.zeros(across.size)])
    return Sighted(board.astype(np.float64), fine.reshape(-1, 2).astype(np.float64))


def sight_charuco(picture: NDArray[np.uint8], squares: tuple[int, int], dictionary: str) -> Sighted | None:
    """Find what is seen of a board of so many squares with markers between; None where it is too little.

    Raises
    ------
    BadInput
        OpenCV knows no dictionary of markers of that name.
    """
    number = getattr(cv2.aruco, f"DICT_{dictionary}", None)
    if number is None:
        raise BadInput(f"--markers {dictionary} is no set of markers that OpenCV knows; the usual is 4X4_50")
    board = cv2.aruco.CharucoBoard(squares, 1.0, MARKER_SHARE, cv2.aruco.getPredefinedDictionary(number))
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
    corners, numbers, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(grey)
    if numbers is None or len(numbers) < 8:
        return None
    places = np.asarray(board.getChessboardCorners(), dtype=np.float64)[np.asarray(numbers).ravel()]
    return Sighted(places, np.asarray(corners, dtype=np.float64).reshape(-1, 2))


def calibrate(sighted: list[Sighted], image_size: tuple[int, int]) -> Lens:
    """Fit the pinhole camera and five terms of distortion to all pictures together.

    Raises
    ------
    ScaleMissing
        The board was found in too few pictures.
    """
    if len(sighted) < LEAST_PICTURES:
        raise ScaleMissing(
            f"the whole board was found in {len(sighted)} pictures; at least {LEAST_PICTURES} are needed, "
            "sharp, from different sides, the board reaching into the corners; check --squares"
        )
    boards = [each.board.astype(np.float32) for each in sighted]
    pictures = [each.picture.astype(np.float32) for each in sighted]
    start, none = np.eye(3), np.zeros(5)
    rms, matrix, distortion, *_ = cv2.calibrateCamera(boards, pictures, image_size, start, none)
    return Lens(
        camera_matrix=np.asarray(matrix, dtype=np.float64),
        distortion=np.asarray(distortion, dtype=np.float64).ravel(),
        rms_px=float(rms),
    )


def along_px(view: View, points: FloatArray, place: FloatArray) -> FloatArray:
    """How far (n,) points (n, 2) lie from a place (2,) along the measuring direction, all seen as at that place [px].

    Without a lens that is their distance in the picture; with one, lengths elsewhere are as long as they would be
    seen at the place itself, whose scale then holds for them too.
    """
    if view.lens is None:
        return np.asarray((points - place) @ view.positive)
    beside = place + 0.5 * np.array([[-1.0], [1.0]]) * view.positive
    sent = np.concatenate([points, place[None], beside]).reshape(-1, 1, 2)
    matrix = view.lens.camera_matrix
    straight = cv2.undistortPoints(sent, matrix, view.lens.distortion, P=matrix).reshape(-1, 2)
    along = straight @ view.positive
    return np.asarray((along[:-3] - along[-3]) / (along[-1] - along[-2]), dtype=np.float64)


def lens_stretch(view: View, rim: FloatArray, tip: FloatArray, place: FloatArray) -> FloatArray:
    """By how much (n,) gaps from tips (n, 2) to the rim (n, 2) would be longer at a place (2,); 1 without a known lens."""
    if view.lens is None:
        return np.ones(len(rim))
    seen = (rim - tip) @ view.positive
    straight = along_px(view, rim, place) - along_px(view, tip, place)
    return np.asarray(straight / np.where(seen == 0.0, np.nan, seen))


def straightened(side: EdgeTrack, view: View, place: FloatArray) -> EdgeTrack:
    """Gaps as they would be seen all at the place (2,) for which the scale holds; unchanged without a known lens."""
    known = np.isfinite(side.rim_px).all(axis=1) & np.isfinite(side.tip_px).all(axis=1)
    if view.lens is None or not known.any():
        return side
    share = np.full(len(side.gap_px), np.nan)
    share[known] = lens_stretch(view, side.rim_px[known], side.tip_px[known], place)
    share = np.where(np.isfinite(share), share, np.nanmedian(share))
    return replace(side, gap_px=side.gap_px * share, standard_error_px=side.standard_error_px * share)
