"""The lens: focal length and distortion from pictures of a flat board, by OpenCV's calibration.

Zhang, IEEE Trans. Pattern Anal. Mach. Intell. 22 (2000) 1330 (from memory); the work is done by
cv2.calibrateCamera. Points are undistorted with the result, never pictures.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.errors import BadInput, ScaleMissing
from rimgauge.records import FloatArray, Lens

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
