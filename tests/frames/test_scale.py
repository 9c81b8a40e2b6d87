"""`rimgauge scale` on drawn boards and pointers of known size, on rendered scenes, and on bad input."""

import json
import shutil

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from rimgauge.capture.shim import pointer_moved_px
from rimgauge.capture.targets import find_corners, square_at
from rimgauge.cli import run
from rimgauge.errors import BadInput, PointerNotSeen, ScaleMissing
from rimgauge.job import read_view, write_view
from rimgauge.records import Edge, Scale, View
from rimgauge.signal.scale import combine, disagree, scale_from_points

SCENES = ["edge_on_bright", "from_above_black", "radial_wall"]
BOARD_SQUARE_MM = 5.0
REACH_BOARD = 0.003
REACH_CARD = 0.005
"""The drawn card's edges are straight, so its stated points are exact; what is left is the card's depth."""


@pytest.fixture
def view():
    """A lateral view whose pointer comes from the right."""
    return View(
        direction="lateral",
        image_size=(640, 360),
        positive=np.array([1.0, 0.0]),
        forward=np.array([0.0, 1.0]),
        edges=(Edge(side="right", pointer_box=(331, 153, 45, 53), rim_box=(299, 140, 36, 81)),),
    )


@pytest.fixture
def view_file(view, tmp_path):
    write_view(tmp_path / "view.json", view)
    return tmp_path / "view.json"


def drawn(shade, size=(640, 360), fine=3):
    """Photograph shade(x, y) with a little blur and noise, each pixel the mean of fine × fine points."""
    offsets = (np.arange(fine) + 0.5) / fine - 0.5
    x, y = np.meshgrid(
        (np.arange(size[0])[:, None] + offsets).ravel(), (np.arange(size[1])[:, None] + offsets).ravel()
    )
    grey = shade(x, y).reshape(size[1], fine, size[0], fine).mean(axis=(1, 3))
    grey = cv2.GaussianBlur(grey, (0, 0), 1.0) + np.random.default_rng(7).normal(0.0, 1.5, grey.shape)
    return np.repeat(np.clip(grey + 0.5, 0, 255).astype(np.uint8)[:, :, None], 3, axis=2)


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


def strip_share(x, y, tip_x):
    """Share of a pixel that a rounded strip from the right covers: by its distance from the strip's outline."""
    return np.clip(18.5 - np.hypot(np.minimum(x - tip_x - 18.0, 0.0), y - 180.0), 0.0, 1.0)


def pointer(tip_x, *, behind=170.0, ink=40.0):
    """Draw a rounded strip from the right whose tip stands at tip_x, and a rim at the left."""

    def shade(x, y):
        share = strip_share(x, y, tip_x)
        return share * ink + (1.0 - share) * np.where(x < 325.0, 230.0, behind)

    return drawn(shade, fine=1)


def stopped(words, capsys):
    """Run a command that must stop; return its exit code and its one sentence."""
    with pytest.raises(SystemExit) as leave:
        run([str(word) for word in words])
    said = capsys.readouterr().err
    assert len(said.strip().splitlines()) == 1
    return leave.value.code, said


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


@pytest.mark.parametrize("moved_px", [2.3, 4.1, 8.75])
def test_a_shim_moves_the_pointer_by_what_was_drawn(view, moved_px):
    found = pointer_moved_px(pointer(338.2), pointer(338.2 + moved_px), view, view.edges[0])
    assert_allclose(found.px, moved_px, rtol=0, atol=0.05)
    assert abs(found.px - moved_px) < 3.0 * found.standard_error_px


def take(folder, tips, noise):
    """Lay down frames of a pointer at rest, or not, in a noisy camera."""
    folder.mkdir()
    rng = np.random.default_rng(round(10.0 * tips[0]))
    for k, tip in enumerate(tips):
        drawn_frame = pointer(tip) + rng.normal(0.0, noise, (360, 640, 3))
        cv2.imwrite(str(folder / f"{k:03d}.png"), np.clip(drawn_frame, 0, 255).astype(np.uint8))
    return folder


def test_short_takes_see_a_shim_finer_than_pictures(view_file, capsys):
    one, two = (
        take(view_file.parent / name, [tip] * 8, noise=12.0) for name, tip in (("one", 338.2), ("two", 343.1))
    )
    uncertainty = []
    for before, after in ((one, two), (one / "000.png", two / "000.png")):
        run(["scale", "--view", str(view_file), "--shim-mm", "0.5", str(before), str(after), "--json"])
        answer = json.loads(capsys.readouterr().out)
        assert abs(answer["mm_per_px"] - 0.5 / 4.9) < 2.0 * answer["standard_uncertainty_mm_per_px"]
        uncertainty.append(answer["budget"][0]["standard_uncertainty_mm_per_px"])
    assert uncertainty[0] < 0.8 * uncertainty[1]


def test_a_take_in_which_the_pointer_moved_is_refused(view_file, capsys):
    moved = take(view_file.parent / "moved", [338.2] * 3 + [340.0] * 3, noise=1.0)
    still = take(view_file.parent / "still", [343.1] * 4, noise=1.0)
    code, said = stopped(["scale", "--view", view_file, "--shim-mm", "0.5", moved, still], capsys)
    assert code == 2
    assert "moved during this take" in said
    assert read_view(view_file).scale is None


def test_pictures_that_show_no_move_are_refused(view):
    with pytest.raises(PointerNotSeen):
        pointer_moved_px(pointer(338.2), pointer(338.2), view, view.edges[0])


def test_pictures_the_wrong_way_round_are_refused(view):
    with pytest.raises(BadInput, match="first"):
        pointer_moved_px(pointer(342.2), pointer(338.2), view, view.edges[0])


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


@pytest.mark.parametrize("name", SCENES)
def test_a_board_in_a_rendered_scene_gives_the_scale(shared, tmp_path, capsys, name):
    scene = shared / "scenes" / name
    view_file = tmp_path / "view.json"
    shutil.copy(scene / "view.json", view_file)
    run(
        [
            "scale",
            "--view",
            str(view_file),
            "--checkerboard",
            str(scene / "scale.jpg"),
            "--square-mm",
            "5",
            "--json",
        ]
    )
    answer = json.loads(capsys.readouterr().out)
    truth = json.loads((scene / "truth.json").read_text())["stills"]["scale.jpg"]
    true_mm = BOARD_SQUARE_MM / truth["square_px_along_measuring_axis_at_edge_point"]
    assert_allclose(answer["mm_per_px"], true_mm, rtol=REACH_BOARD, atol=0)
    assert abs(answer["mm_per_px"] - true_mm) < 2.0 * answer["standard_uncertainty_mm_per_px"]
    assert answer["agrees"] is True
    kept = read_view(view_file).scale
    assert (kept.mm_per_px, kept.method) == (answer["mm_per_px"], "checkerboard")


@pytest.mark.parametrize(("name", "most"), [("radial_wall", 0.022), ("edge_on_bright", 0.11)])
def test_a_shim_in_a_rendered_scene_agrees_within_its_uncertainty(shared, tmp_path, capsys, name, most):
    # Edge on, a dark tip lies before a dark hub and a bright spoke that runs on slantwise under it.
    scene = shared / "scenes" / name
    shutil.copy(scene / "view.json", tmp_path / "view.json")
    pictures = [str(scene / "gap_before.jpg"), str(scene / "gap_after.jpg")]
    run(["scale", "--view", str(tmp_path / "view.json"), "--shim-mm", "0.5", *pictures, "--json"])
    answer = json.loads(capsys.readouterr().out)
    true_mm = json.loads((scene / "view.json").read_text())["scale"]["mm_per_px"]
    assert abs(answer["mm_per_px"] - true_mm) < 2.0 * answer["standard_uncertainty_mm_per_px"]
    assert answer["standard_uncertainty_mm_per_px"] < most * true_mm


@pytest.mark.parametrize("ink", [40.0, 115.0])
def test_what_lies_behind_the_pointer_may_have_stripes(view, ink):
    def shade(tip_x):
        def of(x, y):
            stripe = np.clip(np.abs(x + 1.3 * y - 590.0) / 1.64 - 2.0, 0.0, 1.0)
            behind = np.where(x < 325.0, 230.0, 200.0 - 70.0 * stripe)
            share = strip_share(x, y, tip_x)
            return share * ink + (1.0 - share) * behind

        return drawn(of, fine=1)

    found = pointer_moved_px(shade(338.2), shade(343.5), view, view.edges[0])
    assert abs(found.px - 5.3) < 2.0 * found.standard_error_px
    assert found.standard_error_px < 0.11 * 5.3


@pytest.mark.parametrize(("ink", "moved_px"), [(90.0, 7.3), (205.0, 4.2)])
def test_a_pointer_before_squares_is_never_read_grossly_wrong(view, ink, moved_px):
    # Dark and pale squares, a corner of which lies near the tip: parts of the outline can't be told from them.
    answers = 0
    for x0, y0 in ((350.0, 178.0), (346.0, 190.0)):

        def shade(tip_x, x0=x0, y0=y0):
            def of(x, y):
                dark = ((x > x0) ^ (y > y0)) & (x >= 325.0)
                share = strip_share(x, y, tip_x)
                return share * ink + (1.0 - share) * np.where(dark, 48.0, 224.0)

            return drawn(of, fine=1)

        try:
            found = pointer_moved_px(shade(338.2), shade(338.2 + moved_px), view, view.edges[0])
        except PointerNotSeen:
            continue
        answers += 1
        assert abs(found.px - moved_px) < max(2.5 * found.standard_error_px, 0.1)
        assert abs(found.px - moved_px) < 0.15 * moved_px
    assert answers > 0


def test_a_pointer_no_darker_than_what_lies_behind_it_is_refused(view):
    with pytest.raises(PointerNotSeen):
        pointer_moved_px(pointer(338.2, ink=170.0), pointer(342.2, ink=170.0), view, view.edges[0])


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
    assert "-mm must" in said


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "give one of"),
        (["--length-mm", "5", "--shim-mm", "0.5"], "give one of"),
        (["--length-mm", "5", "--from", "9,9", "--to", "9,9"], "same place"),
        (["--length-mm", "5", "--from", "9,9", "--to", "900,9"], "outside the picture"),
        (["--length-mm", "5", "--from", "nan,9", "--to", "90,9"], "outside the picture"),
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
