"""A bright spot with soft edges that wanders over the rim and the pointer of a drawn scene."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from rimgauge.job import read_view

WIDTH_PX, STRENGTH = 14.0, 110.0
"""Standard deviation of the spot, and the grey levels it adds in its middle; what goes over 255 is clipped."""
REACH_PX, ROUND_FRAMES = (45.0, 60.0), (107.0, 145.0)
"""How far it wanders from the rim's box, across and down the picture, and in how many frames once to and fro."""


def add_glare(folder: Path) -> None:
    """Lay the spot over all frames of a scene, in place."""
    x, y, width, height = read_view(folder / "view.json").edges[0].rim_box
    middle = np.array([x + width / 2.0, y + height / 2.0])
    for index, file in enumerate(sorted((folder / "frames").iterdir())):
        picture = cv2.imread(str(file))
        turn = 2.0 * np.pi * index / np.array(ROUND_FRAMES)
        u, v = middle + REACH_PX * np.array([np.sin(turn[0]), np.cos(turn[1])])
        rows, columns = (np.arange(size) for size in picture.shape[:2])
        across, down = (np.exp(-0.5 * ((k - p) / WIDTH_PX) ** 2) for k, p in ((columns, u), (rows, v)))
        lit = np.clip(picture + STRENGTH * np.outer(down, across)[..., None], 0.0, 255.0)
        cv2.imwrite(str(file), np.rint(lit).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 92])
