"""`rimgauge target`: what is printed has the size that it says."""

import re

import cv2
import numpy as np
import pytest
from matplotlib.patches import Rectangle
from numpy.testing import assert_allclose

from rimgauge.cli import run
from rimgauge.records import MOST_TAGS
from rimgauge.report.scale_sheet import PAPERS_MM, draw_sheet
from rimgauge.report.tag_sheet import draw_tags
from tests.said import stopped

POINT_MM = 25.4 / 72
PRINTED_MM = 0.01


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
def test_the_page_has_the_size_of_the_paper(tmp_path, capsys, paper, size_mm):
    # ISO 216, A4; letter is 8.5 × 11 inches of 25.4 mm.
    run(["target", "--paper", paper, "--out", str(tmp_path / "sheet.pdf")])
    assert "100 %" in capsys.readouterr().out
    box = re.search(rb"/MediaBox \[ ?([\d. ]+) ?\]", (tmp_path / "sheet.pdf").read_bytes())
    assert_allclose(np.array(box[1].split(), float)[2:] * POINT_MM, size_mm, rtol=0, atol=PRINTED_MM)


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_squares_and_rulers_are_as_long_as_they_say(paper):
    sheet = draw_sheet(paper)
    (page,) = sheet.axes
    per_unit_mm = (
        sheet.get_size_inches()
        * 25.4
        * page.get_position().size
        / [np.ptp(page.get_xlim()), np.ptp(page.get_ylim())]
    )
    assert_allclose(per_unit_mm, 1.0, rtol=1e-9, atol=0)
    squares = [patch for patch in page.patches if isinstance(patch, Rectangle) and patch.get_fill()]
    assert len(squares) == 35
    assert {(square.get_width(), square.get_height()) for square in squares} == {(5.0, 5.0)}
    marks = np.array([[line.get_xdata()[0], line.get_ydata()[0]] for line in page.lines])
    across, upright = marks[:101], marks[101:]
    assert_allclose([np.ptp(across[:, 0]), np.ptp(upright[:, 1])], 100.0, rtol=0, atol=1e-9)
    inside = np.all((marks > 5.0) & (marks < np.array(PAPERS_MM[paper]) - 5.0))
    assert inside, "printers leave a margin white"


def test_a_file_that_cannot_be_written_is_named(tmp_path, capsys):
    assert "sheet.pdf" in stopped(["target", "--out", str(tmp_path / "none" / "sheet.pdf")], capsys)[1]


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_printed_tags_have_their_size_and_are_read_as_their_numbers(tmp_path, paper):
    # Read by the same OpenCV that reads them in a picture, from the sheet drawn at 10 dots a millimetre.
    sheet = draw_tags(paper, MOST_TAGS)
    sheet.savefig(tmp_path / "sheet.png", dpi=254)
    picture = cv2.imread(str(tmp_path / "sheet.png"))
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    corners, numbers, _ = detector.detectMarkers(picture)
    assert sorted(np.ravel(numbers).tolist()) == list(range(1, MOST_TAGS + 1))
    sides = np.linalg.norm(np.diff(np.array(corners)[:, 0], axis=1), axis=2) / 10.0
    assert_allclose(sides, 10.0, rtol=0, atol=0.2)


def test_a_tag_sheet_is_written_and_says_what_to_do(tmp_path, capsys):
    with pytest.raises(SystemExit) as leave:
        run(["target", "--tags", str(MOST_TAGS + 1), "--out", str(tmp_path / "tags.pdf")])
    assert leave.value.code == 2
    assert not (tmp_path / "tags.pdf").exists()
    run(["target", "--tags", "12", "--out", str(tmp_path / "tags.pdf")])
    assert "in line with the spoke" in capsys.readouterr().out
    assert (tmp_path / "tags.pdf").read_bytes().startswith(b"%PDF")
