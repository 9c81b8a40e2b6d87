"""A coin held slantwise is refused whole: nothing round that is struck on it is taken for the coin."""

import cv2
import numpy as np
import pytest

from rimgauge.capture.coin import find_coin
from rimgauge.errors import ScaleMissing

FINE = 4


def drawn_coin(flat, wall):
    """A coin of 214 pixels with a yellow middle, seen so flat, and a ring in it that happens to look round."""
    picture = np.full((FINE * 360, FINE * 640, 3), wall, np.uint8)
    middle = (FINE * 320, FINE * 180)
    for radius, colour in ((107, (190, 198, 200)), (77, (80, 170, 205))):
        cv2.ellipse(
            picture, middle, (round(FINE * radius * flat), FINE * radius), 0.0, 0.0, 360.0, colour, -1
        )
    cv2.circle(picture, middle, FINE * 26, (50, 110, 150), FINE * 8)
    return cv2.GaussianBlur(cv2.resize(picture, (640, 360), interpolation=cv2.INTER_AREA), (0, 0), 1.0)


@pytest.mark.parametrize("wall", [90, 170])
def test_one_that_faces_the_camera_gives_its_diameter(wall):
    found = find_coin(drawn_coin(1.0, wall), np.array([1.0, 0.0]), "coin.png")
    assert abs(found.across.px - 214.5) < 1.0


def test_one_whose_border_hardly_stands_out_is_not_measured_by_what_is_struck_on_it():
    with pytest.raises(ScaleMissing, match="isn't clear"):
        find_coin(drawn_coin(1.0, 180), np.array([1.0, 0.0]), "coin.png")


@pytest.mark.parametrize("flat", [0.6, 0.7])
@pytest.mark.parametrize("wall", [90, 180])
def test_one_held_slantwise_is_refused(flat, wall):
    with pytest.raises(ScaleMissing):
        find_coin(drawn_coin(flat, wall), np.array([1.0, 0.0]), "coin.png")
