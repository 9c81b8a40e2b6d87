"""Pictures of a folder come in the order in which they were taken."""

import random

import cv2
import numpy as np
import pytest

from rimgauge.capture import open_source


@pytest.mark.parametrize("name", ["{}.png", "IMG {}.png", "ride 2 frame {}.png", "{:06d}.png"])
def test_numbers_in_names_count_as_numbers(tmp_path, name):
    """Without leading zeros 10 came before 2, and the wheel seemed to jump to and fro."""
    numbers = [0, 1, 2, 9, 10, 11, 99, 100, 101]
    for number in random.Random(1).sample(numbers, len(numbers)):
        cv2.imwrite(str(tmp_path / name.format(number)), np.full((4, 4, 3), number, np.uint8))
    with open_source(str(tmp_path)) as frames:
        assert [int(frame.image[0, 0, 0]) for frame in frames] == numbers


@pytest.mark.parametrize(
    "names", [("06", "09", "0a", "0f", "10"), ("0.05", "0.1", "0.15", "0.2", "1.0"), ("3f", "3g", "20f")]
)
def test_numbers_of_base_sixteen_and_seconds_with_decimals_keep_their_order(tmp_path, names):
    for number, name in enumerate(sorted(names)):
        cv2.imwrite(str(tmp_path / f"{name}.png"), np.full((4, 4, 3), number, np.uint8))
    with open_source(str(tmp_path)) as frames:
        assert [int(frame.image[0, 0, 0]) for frame in frames] == list(range(len(names)))


def test_names_that_differ_only_in_how_a_number_is_written_keep_one_order(tmp_path):
    for number, name in enumerate(("007.png", "07.png", "7.png", "7a.png", "a.png", "b007.png")):
        cv2.imwrite(str(tmp_path / name), np.full((4, 4, 3), number, np.uint8))
    with open_source(str(tmp_path)) as frames:
        assert [int(frame.image[0, 0, 0]) for frame in frames] == list(range(6))
