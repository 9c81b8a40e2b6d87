"""Pictures of a folder come in the order in which they were taken."""

import random

import cv2
import numpy as np
import pytest

from rimgauge.capture import open_source
from rimgauge.capture.sources import FolderSource
from rimgauge.errors import BadFile


@pytest.mark.parametrize("name", ["{}.png", "IMG {}.png", "ride 2 frame {}.png", "{:06d}.png"])
def test_numbers_in_names_count_as_numbers(tmp_path, name):
    """Without leading zeros 10 came before 2, and the wheel seemed to jump to and fro."""
    numbers = [0, 1, 2, 9, 10, 11, 99, 100, 101]
    for number in random.Random(1).sample(numbers, len(numbers)):
        cv2.imwrite(str(tmp_path / name.format(number)), np.full((4, 4, 3), number, np.uint8))
    with open_source(str(tmp_path)) as frames:
        assert [int(frame.image[0, 0, 0]) for frame in frames] == numbers


@pytest.mark.parametrize(
    "names",
    [
        ("06", "09", "0a", "0f", "10"),
        tuple(f"frame_{number:04x}" for number in range(250, 280)),
        (*(f"{number:02x}" for number in range(20)), "sheet"),
        ("0.05", "0.1", "0.15", "0.2", "1.0"),
        ("3f", "3g", "20f"),
        tuple(f"{number}{camera}" for number in range(8, 13) for camera in "ab"),
        tuple(f"{take}_{number}" for take in "AB" for number in range(8, 13)),
        ("9.50", "9.75", "10.5"),
        ("9_10", "10_9"),
    ],
)
def test_numbers_of_base_sixteen_and_seconds_with_decimals_keep_their_order(tmp_path, names):
    assert order_of(tmp_path, [f"{name}.png" for name in names]) == [f"{name}.png" for name in names]


def order_of(folder, names):
    for name in random.Random(1).sample(names, len(names)):
        (folder / name).touch()
    return [path.name for path in FolderSource(folder, 30.0).pictures]


@pytest.mark.parametrize("odd", ["frame_1 copy.jpg", "sheet.png", "frame_30.JPG", "frame_1b.jpg"])
def test_one_odd_name_does_not_change_the_order_of_the_others(tmp_path, odd):
    names = [f"frame_{number}.jpg" for number in range(1, 30)]
    assert [name for name in order_of(tmp_path, [*names, odd]) if name != odd] == names


HEX = [f"frame_{number:04x}.png" for number in range(250, 280)]
BASE_36 = [f"{np.base_repr(number, 36):0>2}.png" for number in range(100)]


@pytest.mark.parametrize(
    ("names", "odd"),
    [
        *(
            (HEX, odd)
            for odd in ("background.png", "thumbnails.png", "frame_zzzz.png", "frame_00fa copy.png")
        ),
        *(([f"{number:04x}.png" for number in range(100)], odd) for odd in ("test.png", "1.png", "0001.jpg")),
        (BASE_36, "zzz.png"),
        (BASE_36, "7.png"),
    ],
)
def test_an_odd_name_among_numbers_whose_letters_count_does_not_change_their_order(tmp_path, names, odd):
    """frame_010a came where frame_0100 belongs, for background.png is as long and begins otherwise."""
    assert [name for name in order_of(tmp_path, [*names, odd]) if name != odd] == names


def write_times(folder, numbers):
    (folder / "times.csv").write_text("frame,time_s\n" + "".join(f"{n},{n / 10}\n" for n in numbers))


@pytest.mark.parametrize("name", ["{}.png", "frame_{}.png", "take 2, {:04d}.png"])
def test_a_picture_gets_the_time_of_the_row_its_name_ends_in(tmp_path, name):
    write_times(tmp_path, range(14))
    numbers = [1, 2, 4, 5, 10, 12]
    order_of(tmp_path, [name.format(number) for number in numbers])
    assert FolderSource(tmp_path, 30.0).times_s == [number / 10 for number in numbers]


@pytest.mark.parametrize("names", [("a", "b", "c"), ("1_cam2", "2_cam2", "3_cam2"), ("08", "09", "0a")])
def test_names_that_tell_no_row_take_one_each_in_order_or_are_refused(tmp_path, names):
    write_times(tmp_path, range(3))
    order_of(tmp_path, [f"{name}.png" for name in names])
    assert FolderSource(tmp_path, 30.0).times_s == [0.0, 0.1, 0.2]
    write_times(tmp_path, range(12))
    with pytest.raises(BadFile, match=r"times.csv: has no time for (a|2_cam2|0a).png"):
        FolderSource(tmp_path, 30.0)


def test_a_picture_without_a_number_among_numbered_ones_takes_no_row(tmp_path):
    order_of(tmp_path, [*(f"{number:04d}.png" for number in range(13)), "aim.png"])
    write_times(tmp_path, range(14))
    with pytest.raises(BadFile, match=r"times.csv: has no time for aim.png"):
        FolderSource(tmp_path, 30.0)


def test_names_that_differ_only_in_how_a_number_is_written_keep_one_order(tmp_path):
    for number, name in enumerate(("007.png", "07.png", "7.png", "7a.png", "a.png", "b007.png")):
        cv2.imwrite(str(tmp_path / name), np.full((4, 4, 3), number, np.uint8))
    with open_source(str(tmp_path)) as frames:
        assert [int(frame.image[0, 0, 0]) for frame in frames] == list(range(6))
