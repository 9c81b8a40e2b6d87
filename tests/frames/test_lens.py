"""`rimgauge lens` on photographs with a published result, on drawn boards of known lens, and on bad input."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from rimgauge.cli import run
from rimgauge.job import read_view, write_lens, write_view
from rimgauge.records import Lens
from tests.said import stopped
from tests.seen import lateral_view

PUBLISHED_RMS_PX = 0.1963
PUBLISHED_FOCAL_PX = (532.81, 532.93)
PUBLISHED_CENTRE_PX = (342.50, 233.89)
PUBLISHED_DISTORTION = (-0.2813, 0.0291, 0.00121, -0.00014, 0.1549)
"""OpenCV's own calibration test for its sample photographs left01 to left14 (read in the folder's README)."""
REFINEMENT_PX = 0.2
"""How far another window of corner refinement moves focal length and centre (measured: 0.02 and 0.1 px)."""
REFINEMENT_RMS_PX = 0.001
"""The published value stops refining corners at a step of 0.1 px; here they settle, which fits 0.0009 px better."""
DRAWN_FOCAL = 0.01


@pytest.fixture
def photographs(shared):
    found = sorted((shared / "photos" / "checkerboard").glob("*.jpg"))
    if len(found) != 13:
        pytest.skip("the thirteen photographs of a checkerboard are not in the shared folder")
    return [str(path) for path in found]


def test_thirteen_photographs_give_the_published_lens(photographs, tmp_path, capsys):
    run(["lens", *photographs, "--squares", "9x6", "--out", str(tmp_path / "lens.json"), "--json"])
    answer = json.loads(capsys.readouterr().out)
    matrix = np.array(answer["camera_matrix"])
    assert answer["used"] == 13
    assert_allclose(answer["rms_px"], PUBLISHED_RMS_PX, rtol=0, atol=REFINEMENT_RMS_PX)
    assert_allclose(matrix[[0, 1], [0, 1]], PUBLISHED_FOCAL_PX, rtol=0, atol=REFINEMENT_PX)
    assert_allclose(matrix[[0, 1], [2, 2]], PUBLISHED_CENTRE_PX, rtol=0, atol=REFINEMENT_PX)
    # k2 and k3 stand for one another; the others are well told.
    assert_allclose(
        np.array(answer["distortion"])[[0, 2, 3]],
        np.array(PUBLISHED_DISTORTION)[[0, 2, 3]],
        rtol=0,
        atol=0.002,
    )
    kept = json.loads((tmp_path / "lens.json").read_text())
    assert kept["image_size"] == [640, 480]
    assert kept["camera_matrix"] == answer["camera_matrix"]


def marker_pictures(folder, count=9, focal_px=800.0):
    """Draw a flat board with markers as a lens of that focal length sees it from several sides."""
    board = cv2.aruco.CharucoBoard(
        (7, 5), 1.0, 0.75, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    )
    flat = board.generateImage((1400, 1000), marginSize=0)
    rng = np.random.default_rng(4)
    matrix = np.array([[focal_px, 0, 319.5], [0, focal_px, 239.5], [0, 0, 1.0]])
    files = []
    for number in range(count):
        turn, _ = cv2.Rodrigues(np.append(rng.uniform(-0.5, 0.5, 2), rng.uniform(-0.3, 0.3)))
        middle = np.array([rng.uniform(-0.6, 0.6), rng.uniform(-0.4, 0.4), rng.uniform(11.0, 14.0)])
        corner = middle - turn @ np.array([3.5, 2.5, 0.0])
        # Pixel centres of the drawing are at whole numbers, its first edge half a pixel before.
        to_board = np.array([[1 / 200, 0, 0.5 / 200], [0, 1 / 200, 0.5 / 200], [0, 0, 1.0]])
        homography = matrix @ np.column_stack([turn[:, 0], turn[:, 1], corner]) @ to_board
        picture = cv2.warpPerspective(flat, homography, (640, 480), flags=cv2.INTER_AREA, borderValue=190)
        picture = cv2.GaussianBlur(picture, (0, 0), 0.8) + rng.normal(0.0, 1.5, picture.shape)
        files.append(str(folder / f"board{number}.png"))
        cv2.imwrite(files[-1], np.clip(picture, 0, 255).astype(np.uint8))
    return files


def test_a_drawn_board_with_markers_gives_its_focal_length_and_is_kept_in_the_view(tmp_path, capsys):
    write_view(tmp_path / "view.json", lateral_view(image_size=(640, 480)))
    run(["lens", *marker_pictures(tmp_path), "--charuco", "7x5", "--view", str(tmp_path / "view.json")])
    assert "px (rms)" in capsys.readouterr().out
    lens = read_view(tmp_path / "view.json").lens
    assert_allclose(lens.camera_matrix[[0, 1], [0, 1]], 800.0, rtol=DRAWN_FOCAL, atol=0)


def test_a_lens_found_before_is_kept_in_another_view(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    matrix = np.array([[800.0, 0, 319.5], [0, 800.0, 239.5], [0, 0, 1.0]])
    write_lens(Path("lens.json"), Lens(camera_matrix=matrix, distortion=np.zeros(5), rms_px=0.2), (640, 480))
    write_view(Path("other.json"), lateral_view(image_size=(640, 480)))
    write_view(Path("small.json"), lateral_view(image_size=(640, 360)))
    run(["lens", "lens.json", "--view", "other.json"])
    assert_allclose(read_view(Path("other.json")).lens.camera_matrix, matrix, rtol=0, atol=0)
    assert "is for 640 × 360" in stopped(["lens", "lens.json", "--view", "small.json"], capsys)[1]
    assert "give --view alone" in stopped(["lens", "lens.json", "--out", "again.json"], capsys)[1]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--squares", "9x6"], "name the pictures"),
        (["grey.png"], "--squares 9x6"),
        (["grey.png", "--squares", "nine"], "two whole numbers"),
        (["grey.png", "--squares", "9x6"], "found in 0 pictures"),
        (["grey.png", "--charuco", "7x5", "--markers", "none"], "set of markers"),
        (["grey.png", "small.png", "--squares", "9x6"], "one camera"),
        (["none.png", "--squares", "9x6"], "none.png"),
    ],
)
def test_bad_input_gets_one_sentence_and_writes_nothing(tmp_path, monkeypatch, capsys, words, told):
    monkeypatch.chdir(tmp_path)
    cv2.imwrite("grey.png", np.full((480, 640, 3), 128, np.uint8))
    cv2.imwrite("small.png", np.full((240, 320, 3), 128, np.uint8))
    with pytest.raises(SystemExit) as leave:
        run(["lens", *words, "--out", "lens.json"])
    said = capsys.readouterr().err
    assert leave.value.code in (1, 2)
    assert told in said
    assert len(said.strip().splitlines()) == 1
    assert not (tmp_path / "lens.json").exists()
