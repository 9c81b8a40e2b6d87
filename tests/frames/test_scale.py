"""`rimgauge scale` on drawn boards and pointers of known size, on rendered scenes, and on bad input."""

import json
import shutil

import cv2
import numpy as np
import pytest
from drawn_things import drawn
from numpy.testing import assert_allclose

from rimgauge.capture.targets import find_corners, square_at
from rimgauge.cli import run
from rimgauge.errors import BadInput, ScaleMissing
from rimgauge.job import read_view
from rimgauge.records import Scale
from rimgauge.signal.scale import combine, disagree, scale_from_points
from tests.said import stopped

SCENES = ["edge_on_bright", "from_above_black", "radial_wall"]
BOARD_SQUARE_MM = 5.0
REACH_BOARD = 0.003
REACH_CARD = 0.005
"""The drawn card's edges are straight, so its stated points are exact; what is left is the card's depth."""


def board(square_px, turn_deg=3.0, bulge=0.0):
    """Draw a board that fills the picture; bulge bends its lines as a lens does."""
    turn = np.radians(turn_deg)

    def shade(x, y):
        x, y = x - 320.0, y - 180.0
        stretch = 1.0 + bulge * (x**2 + y**2) / 320.0**2
        along = stretch * (np.cos(turn) * x + np.sin(turn) * y) / square_px + 0.3
        across = stretch * (np.cos(turn) * y - np.sin(turn) * x) / square_px + 0.6
        return 135.0 + 85.0 * wave(along) * wave(across)

    def wave(place):
        # Steps are ramps as wide as the points lie apart, so that edges stand exactly where they should.
        return np.clip((np.abs(place % 2.0 - 1.0) - 0.5) * square_px * 2 * 3, -1.0, 1.0)

    return drawn(shade)


@pytest.mark.parametrize("square_px", [16.0, 41.3, 70.0])
@pytest.mark.parametrize("turn_deg", [0.0, 3.0, 40.0])
def test_a_drawn_board_gives_its_square(square_px, turn_deg):
    found = square_at(
        find_corners(board(square_px, turn_deg), "x"), np.array([310.0, 170.0]), np.array([1.0, 0.0])
    )
    assert_allclose(found.px, square_px, rtol=2e-4, atol=0)
    assert abs(found.px - square_px) < 4.0 * found.standard_error_px


def test_a_lens_that_bends_lines_is_followed_at_the_place_asked_for():
    bulge, place = 0.05, np.array([420.0, 180.0])
    found = square_at(find_corners(board(30.0, 0.0, bulge), "x"), place, np.array([1.0, 0.0]))
    # d/dx of x·(1 + k·x²/320²), x from the centre of the drawing
    true_px = 30.0 / (1.0 + 3.0 * bulge * 100.0**2 / 320.0**2)
    assert_allclose(found.px, true_px, rtol=1e-3, atol=0)


def test_a_pale_blurred_noisy_board_is_still_found():
    pale = cv2.GaussianBlur(board(60.0).astype(np.float64) * 0.3 + 120.0, (0, 0), 4.0)
    pale += np.random.default_rng(5).normal(0.0, 6.0, (360, 640, 1))
    corners = find_corners(np.clip(pale, 0, 255).astype(np.uint8), "x")
    found = square_at(corners, np.array([310.0, 170.0]), np.array([1.0, 0.0]))
    assert_allclose(found.px, 60.0, rtol=3e-3, atol=0)


@pytest.mark.parametrize("picture", ["flat", "noise", "stripes"])
def test_no_board_is_taken_for_one(picture):
    noise = np.random.default_rng(3).integers(0, 255, (360, 640, 3)).astype(np.uint8)
    stripes = drawn(lambda x, y: np.where(np.floor(x / 20.0) % 2 == 0, 50.0, 220.0))
    image = {"flat": np.full((360, 640, 3), 120, np.uint8), "noise": noise, "stripes": stripes}[picture]
    with pytest.raises(ScaleMissing, match="no checkerboard"):
        find_corners(image, "sheet.jpg")


def test_independent_lines_add_as_squares():
    from rimgauge.signal.scale import ScaleLine  # noqa: PLC0415

    lines = (ScaleLine(source="a", relative=0.003), ScaleLine(source="b", relative=0.004))
    scale = combine(10.0, 100.0, "length", lines).scale
    assert_allclose(
        [scale.mm_per_px, scale.standard_uncertainty_mm_per_px], [0.1, 0.0005], rtol=1e-12, atol=0
    )


def test_scales_disagree_only_beyond_their_expanded_uncertainty():
    def scale(value):
        return Scale(mm_per_px=value, standard_uncertainty_mm_per_px=0.0003, method="x")

    limit = 2.0 * np.hypot(0.0003, 0.0003)
    assert not disagree(scale(0.12), scale(0.12 + 0.99 * limit))
    assert disagree(scale(0.12), scale(0.12 + 1.01 * limit))


def test_a_length_across_the_measuring_direction_is_refused(view):
    with pytest.raises(BadInput, match="off the direction"):
        scale_from_points(50.0, np.array([10.0, 10.0]), np.array([10.0, 300.0]), view)


def board_words(scene, view_file, square_mm):
    """What is typed to take the scale of a view from the board in a rendered scene."""
    board = ["--checkerboard", str(scene / "scale.jpg"), "--square-mm", square_mm]
    return ["scale", "--view", str(view_file), *board]


@pytest.mark.parametrize("name", SCENES)
def test_a_board_in_a_rendered_scene_gives_the_scale(shared, tmp_path, capsys, name):
    scene = shared / "scenes" / name
    view_file = tmp_path / "view.json"
    shutil.copy(scene / "view.json", view_file)
    run([*board_words(scene, view_file, "5"), "--json"])
    answer = json.loads(capsys.readouterr().out)
    truth = json.loads((scene / "truth.json").read_text())["stills"]["scale.jpg"]
    true_mm = BOARD_SQUARE_MM / truth["square_px_along_measuring_axis_at_edge_point"]
    assert_allclose(answer["mm_per_px"], true_mm, rtol=REACH_BOARD, atol=0)
    assert abs(answer["mm_per_px"] - true_mm) < 2.0 * answer["standard_uncertainty_mm_per_px"]
    assert answer["agrees"] is True
    kept = read_view(view_file).scale
    assert (kept.mm_per_px, kept.method) == (answer["mm_per_px"], "checkerboard")


def test_two_points_of_a_card_give_the_scale(shared, tmp_path, capsys):
    scene = shared / "scenes" / "edge_on_bright"
    shutil.copy(scene / "view.json", tmp_path / "view.json")
    card = json.loads((scene / "truth.json").read_text())["stills"]["scale_card.jpg"]
    (x0, y0), (x1, y1) = card["left_edge_px_at_two_points"]
    share = (240.0 - y0) / (y1 - y0)
    left = np.array([x0 + share * (x1 - x0), 240.0])
    along = np.array([x1 - x0, y1 - y0]) / np.hypot(x1 - x0, y1 - y0)
    across = np.array([-along[1], along[0]])
    width_px = across @ (np.array(card["right_edge_px_at_two_points"][0]) - left)
    right = left + width_px * across
    points = ["--from", f"{left[0]},{left[1]}", "--to", f"{right[0]},{right[1]}"]
    # ISO/IEC 7810:2019, ID-1: 53.98 mm
    run(["scale", "--view", str(tmp_path / "view.json"), "--length-mm", "53.98", *points, "--json"])
    answer = json.loads(capsys.readouterr().out)
    assert_allclose(answer["mm_per_px"], 0.121, rtol=REACH_CARD, atol=0)
    assert abs(answer["mm_per_px"] - 0.121) < 2.0 * answer["standard_uncertainty_mm_per_px"]


@pytest.mark.parametrize("square_mm", ["0.2", "127"])
def test_a_picture_far_too_narrow_or_wide_leaves_the_view_as_it_was(shared, tmp_path, capsys, square_mm):
    """5 mm typed in inches, and as inches turned into millimetres once too often."""
    scene = shared / "scenes" / SCENES[0]
    view_file = tmp_path / "view.json"
    shutil.copy(scene / "view.json", view_file)
    before = view_file.read_bytes()
    _, said = stopped(board_words(scene, view_file, square_mm), capsys)
    assert "view.json is left as it was" in said
    assert "check the millimetres that you typed (an inch is 25.4 mm)" in said
    assert view_file.read_bytes() == before


@pytest.mark.parametrize("height", [120.0, 260.0])
@pytest.mark.parametrize("name", SCENES[:2])
def test_the_edges_of_a_card_are_found_where_they_are_pointed_at(shared, tmp_path, capsys, name, height):
    scene = shared / "scenes" / name
    truth = json.loads((scene / "truth.json").read_text())
    view_file = tmp_path / "view.json"
    shutil.copy(scene / "view.json", view_file)
    # The camera's place comes from the board first: a card on a tilted plane needs it.
    run(["scale", "--view", str(view_file), "--checkerboard", str(scene / "scale.jpg"), "--square-mm", "5"])
    ends = []
    for side, off_px in (("left", 3.0), ("right", -4.0)):
        (x0, y0), (x1, y1) = truth["stills"]["scale_card.jpg"][f"{side}_edge_px_at_two_points"]
        ends.append(f"{x0 + (height - y0) / (y1 - y0) * (x1 - x0) + off_px},{height}")
    capsys.readouterr()
    # ISO/IEC 7810:2019, ID-1: 53.98 mm
    words = [
        "--length-mm",
        "53.98",
        "--from",
        ends[0],
        "--to",
        ends[1],
        "--picture",
        str(scene / "scale_card.jpg"),
    ]
    run(["scale", "--view", str(view_file), *words, "--json"])
    answer = json.loads(capsys.readouterr().out)
    assert_allclose(answer["mm_per_px"], truth["mm_per_px_at_rim_edge"], rtol=REACH_CARD, atol=0)
    assert (
        abs(answer["mm_per_px"] - truth["mm_per_px_at_rim_edge"])
        < 2.0 * answer["standard_uncertainty_mm_per_px"]
    )
    assert answer["agrees"] is True
    assert read_view(view_file).scale.camera is not None


def test_a_place_without_an_edge_is_refused(view_file, capsys):
    cv2.imwrite(str(view_file.parent / "grey.png"), np.full((360, 640, 3), 120, np.uint8))
    words = ["--length-mm", "50", "--from", "100,180", "--to", "500,180", "--picture"]
    code, said = stopped(["scale", "--view", view_file, *words, view_file.parent / "grey.png"], capsys)
    assert code == 1
    assert "no straight edge" in said


def test_a_scale_of_another_method_that_disagrees_is_named(view_file, capsys):
    line = ["scale", "--view", str(view_file), "--from", "100,180", "--to", "500,180", "--length-mm"]
    run([*line, "44"])
    cv2.imwrite(str(view_file.parent / "board.png"), board(40.0))
    capsys.readouterr()
    run(
        [
            "scale",
            "--view",
            str(view_file),
            "--checkerboard",
            str(view_file.parent / "board.png"),
            "--square-mm",
            "5",
        ]
    )
    said = capsys.readouterr().out
    assert "one of them is wrong" in " ".join(said.split())
    assert max(len(text) for text in said.splitlines() if str(view_file) not in text) <= 80


@pytest.mark.parametrize("value", ["0", "-5", "nan", "inf", "five"])
@pytest.mark.parametrize("way", ["board", "length", "shim"])
def test_a_size_that_is_none_is_refused(view_file, capsys, way, value):
    words = {
        "board": ["--checkerboard", "none.jpg", "--square-mm", value],
        "length": ["--from", "1,1", "--to", "90,1", "--length-mm", value],
        "shim": ["a.jpg", "b.jpg", "--shim-mm", value],
    }[way]
    code, said = stopped(["scale", "--view", view_file, *words], capsys)
    assert code == 2
    assert "-mm must lie between" in said or "-mm: " + value + " is no number" in said


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "give one of"),
        (["--length-mm", "5", "--shim-mm", "0.5"], "give one of"),
        (["--length-mm", "5", "--from", "9,9", "--to", "9,9"], "same place"),
        (["--length-mm", "5", "--from", "9,9", "--to", "900,9"], "outside the picture"),
        (["--length-mm", "5", "--from", "nan,9", "--to", "90,9"], "two numbers"),
        (["--length-mm", "5", "--from", "9;9", "--to", "90,9"], "two numbers"),
        (["--length-mm", "5", "--from", "9,9"], "--to is missing"),
        (["--checkerboard", "none.jpg", "--square-mm", "5"], "no such file"),
        (["--checkerboard", "none.jpg"], "--square-mm is missing"),
        (["--shim-mm", "0.5", "one.jpg"], "two pictures"),
        (["--length-mm", "5", "stray.jpg"], "belong to --shim-mm"),
    ],
)
def test_bad_input_gets_one_sentence_and_leaves_the_view(view_file, capsys, words, told):
    before = view_file.read_bytes()
    code, said = stopped(["scale", "--view", view_file, *words], capsys)
    assert code != 0
    assert told in said
    assert view_file.read_bytes() == before


def test_a_board_of_another_picture_size_is_refused(view_file, capsys):
    picture = view_file.parent / "small.png"
    cv2.imwrite(str(picture), board(40.0)[:200, :300])
    code, said = stopped(
        ["scale", "--view", view_file, "--checkerboard", picture, "--square-mm", "5"], capsys
    )
    assert code == 2
    assert "300 × 200" in said


@pytest.mark.parametrize(
    ("name", "told"),
    [("sheet.MOV", "this is a film"), ("sheet.heic", "save it as a JPEG"), ("sheet.jpg", "damaged")],
)
def test_what_a_phone_made_instead_of_a_picture_is_told_by_its_kind(view_file, capsys, name, told):
    there = view_file.parent / name
    there.write_bytes(b"no picture")
    for given in (
        ["scale", "--view", view_file, "--checkerboard", there, "--square-mm", "5"],
        ["lens", there],
    ):
        words = (
            [*given, "--squares", "9x6", "--out", view_file.parent / "lens.json"]
            if len(given) == 2
            else given
        )
        assert told in stopped(words, capsys)[1]


def test_a_scene_without_its_scale_says_how_to_take_it(tmp_path, capsys, monkeypatch):
    """It named `measure`, which then asked for a scale."""
    monkeypatch.chdir(tmp_path)
    run(["scene", "--out", "drawn", "--frames", "2", "--spokes", "28", "--no-scale"])
    commands = [line.split("rimgauge ")[1].split() for line in capsys.readouterr().out.splitlines()[1:]]
    assert [words[0] for words in commands] == ["scale", "measure"]
    run(commands[0])
    assert "One pixel is 0.120" in capsys.readouterr().out
