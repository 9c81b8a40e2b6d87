"""`rimgauge scale` from a coin, a bank card, the rim's own width, and what a person tells of the camera's place."""

import json
import math
import shutil
from dataclasses import replace

import cv2
import numpy as np
import pytest
from drawn_things import ALONG, HIGH, WIDE, picture_of, squares
from numpy.testing import assert_allclose

from rimgauge.capture.card import card_px
from rimgauge.capture.coin import find_coin, fit_circle, fit_ellipse
from rimgauge.cli import run
from rimgauge.cli.scale_words import _camera_words
from rimgauge.errors import ScaleMissing
from rimgauge.job import read_view
from rimgauge.records import BudgetLine, View
from rimgauge.scene import SceneSpec
from rimgauge.scene.camera import place_camera
from rimgauge.signal.budget import (
    DEPTH_LINE,
    OUTLINE_DEPTH_MM,
    PLACE_LINE,
    UNKNOWN_DISTANCE_MM,
    depth_share,
)
from rimgauge.signal.scale import edge_place, scale_from_points
from rimgauge.signal.standing import camera_advice, told_camera
from tests.said import stopped
from tests.seen import lateral_view


def coin(radius_px, slant_deg=0.0, toward_deg=0.0, finger=False):
    """Draw a coin of two metals with a raised border before a dark wall, a finger over some of it."""

    def shade(x, y):
        along, across = np.cos(np.radians(toward_deg)), np.sin(np.radians(toward_deg))
        u = along * (x - 311.4) + across * (y - 187.8)
        v = (along * (y - 187.8) - across * (x - 311.4)) / np.cos(np.radians(slant_deg))
        r = np.hypot(u, v) / radius_px
        face = np.where(r < 0.7, 190.0, 150.0) + 12.0 * np.sin(u / 3.0) * np.cos(v / 4.0) * (r < 0.5)
        grey = np.where(r < 1.0, np.where(r > 0.98, 165.0, face), 60.0)
        return np.where(finger & (np.abs(x - 330.0) < 22.0) & (y < 170.0), 120.0, grey)

    return picture_of(shade)


def test_a_circle_fits_as_published():
    # Gander, Golub and Strebel, BIT 34 (1994): geometric fit of six points (from memory), to the last digit.
    centre, radius = fit_circle(np.array([(1.0, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)]))
    assert_allclose([*centre, radius], [4.7398, 2.9835, 4.7142], rtol=0, atol=0.5e-4)


def test_an_ellipse_fits_as_opencvs_does():
    # cv2.fitEllipseAMS minimises an algebraic distance: for little noise all round it agrees to a few hundredths.
    rng, around = np.random.default_rng(5), np.linspace(0.0, 2.0 * np.pi, 360, endpoint=False)
    points = np.column_stack([311.4 + 90.0 * np.cos(around), 187.8 + 84.0 * np.sin(around)])
    points = points @ np.array([[0.96, 0.28], [-0.28, 0.96]]) + rng.normal(0.0, 0.1, points.shape)
    shape, rough_px, kept = fit_ellipse(points)
    middle, diameters, _ = cv2.fitEllipseAMS(points.astype(np.float32))
    flat = math.hypot(shape[3], shape[4])
    ours = [2.0 * shape[2] / math.sqrt(1.0 + flat), 2.0 * shape[2] / math.sqrt(1.0 - flat)]
    assert_allclose(shape[:2], middle, rtol=0, atol=0.05)
    assert_allclose(ours, sorted(diameters), rtol=0, atol=0.1)
    assert_allclose(rough_px, 0.1, rtol=0.2, atol=0)
    assert kept > 340


@pytest.mark.parametrize("radius_px", [45.0, 120.3])
@pytest.mark.parametrize("finger", [False, True])
def test_a_drawn_coin_gives_its_diameter(radius_px, finger):
    found = find_coin(coin(radius_px, finger=finger), ALONG, "coin.jpg")
    assert_allclose(found.across.px, 2.0 * radius_px, rtol=0, atol=0.3)
    assert_allclose(found.middle, [311.4, 187.8], rtol=0, atol=0.2)


@pytest.mark.parametrize("toward_deg", [0.0, 35.0, 90.0])
def test_a_coin_held_slantwise_is_shortened_as_lengths_beside_it_are(toward_deg):
    slant_deg, radius_px = 18.0, 100.0
    found = find_coin(coin(radius_px, slant_deg, toward_deg), ALONG, "coin.jpg")
    c, s = math.cos(math.radians(toward_deg)), math.sin(math.radians(toward_deg))
    true_px = 2.0 * radius_px / math.hypot(c, s / math.cos(math.radians(slant_deg)))
    assert_allclose(found.across.px, true_px, rtol=0, atol=0.3)


@pytest.mark.parametrize("slant_deg", [0.0, 40.0])
def test_no_coin_and_one_too_slantwise_are_refused(slant_deg):
    flat = np.full((HIGH, WIDE, 3), 120, np.uint8)
    with pytest.raises(ScaleMissing):
        find_coin(coin(100.0, slant_deg) if slant_deg else flat, ALONG, "coin.jpg")


def test_a_coin_whose_border_is_half_unseen_is_not_measured_by_the_ring_inside_it():
    def shade(x, y):
        r = np.hypot(x - 320.0, y - 180.0) / 100.0
        return np.where(r < 0.7, 120.0, np.where(r < 1.0, 225.0, np.where(x - y > 140.0, 30.0, 225.0)))

    with pytest.raises(ScaleMissing):
        find_coin(picture_of(shade), ALONG, "coin.jpg")


@pytest.mark.parametrize("other_px", [90.0, 60.0, 25.0])
def test_two_coins_are_refused(other_px):
    def shade(x, y):
        one, other = np.hypot(x - 200.0, y - 180.0) / 90.0, np.hypot(x - 470.0, y - 190.0) / other_px
        return np.where(np.minimum(one, other) < 1.0, 170.0, 60.0)

    with pytest.raises(ScaleMissing, match="more than one round thing"):
        find_coin(picture_of(shade), ALONG, "coin.jpg")


def test_a_coin_before_a_board_of_squares_gives_its_diameter():
    def shade(x, y):
        r = np.hypot(x - 311.4, y - 187.8) / 100.0
        return np.where(r < 1.0, np.where(r < 0.7, 150.0, 120.0), squares(x, y, 37.0))

    found = find_coin(picture_of(shade), ALONG, "coin.jpg").across
    assert abs(found.px - 200.0) < 2.0 * found.standard_error_px
    assert_allclose(found.px, 200.0, rtol=0.005, atol=0)


def scaled(scene, tmp_path, capsys, *words):
    """Run scale on a copy of the scene's view; return what it says and the view."""
    view_file = tmp_path / "view.json"
    if not view_file.exists():
        shutil.copy(scene / "view.json", view_file)
    capsys.readouterr()
    run(["scale", "--view", str(view_file), *(str(word) for word in words), "--json"])
    return json.loads(capsys.readouterr().out), read_view(view_file)


@pytest.mark.parametrize("name", ["edge_on_bright", "from_above_black"])
def test_a_card_is_found_in_the_picture(shared, tmp_path, capsys, name):
    scene = shared / "scenes" / name
    # A board first: it tells how the camera is tilted, which a card on a tilted plane needs.
    scaled(scene, tmp_path, capsys, "--checkerboard", scene / "scale.jpg", "--square-mm", 5)
    answer, _ = scaled(scene, tmp_path, capsys, "--card", scene / "scale_card.jpg")
    true_mm = json.loads((scene / "truth.json").read_text())["mm_per_px_at_rim_edge"]
    assert answer["method"] == "card"
    assert_allclose(answer["mm_per_px"], true_mm, rtol=0.005, atol=0)
    assert abs(answer["mm_per_px"] - true_mm) < 2.0 * answer["standard_uncertainty_mm_per_px"]
    assert answer["agrees"] is True


@pytest.mark.parametrize("name", ["scale.jpg", "gap_before.jpg", "frames/000000.jpg"])
def test_what_is_no_card_is_not_taken_for_one(shared, name):
    scene = shared / "scenes" / "edge_on_bright"
    with pytest.raises(ScaleMissing):
        card_px(cv2.imread(str(scene / name)), ALONG, np.array([320.0, 180.0]), name)


def test_a_board_held_up_as_a_card_is_noticed(shared, tmp_path, capsys):
    scene = shared / "scenes" / "edge_on_bright"
    shutil.copy(scene / "view.json", tmp_path / "view.json")
    assert (
        "shows a checkerboard"
        in stopped(
            ["scale", "--view", str(tmp_path / "view.json"), "--card", str(scene / "scale.jpg")], capsys
        )[1]
    )


def test_a_coin_in_the_picture_gives_the_scale(shared, tmp_path, capsys):
    picture = tmp_path / "coin.jpg"
    # 2 euro: 25.75 mm (seen), drawn at the scene's 0.121 mm a pixel.
    cv2.imwrite(str(picture), coin(25.75 / 0.121 / 2.0), [cv2.IMWRITE_JPEG_QUALITY, 95])
    answer, _ = scaled(
        shared / "scenes" / "edge_on_bright", tmp_path, capsys, "--coin", picture, "--coin-is", "2-euro"
    )
    assert abs(answer["mm_per_px"] - 0.121) < 2.0 * answer["standard_uncertainty_mm_per_px"]
    assert_allclose(answer["mm_per_px"], 0.121, rtol=0.004, atol=0)
    assert answer["agrees"] is True
    other, _ = scaled(
        shared / "scenes" / "edge_on_bright", tmp_path, capsys, "--coin", picture, "--coin-mm", 23.25
    )
    assert_allclose(other["mm_per_px"] / answer["mm_per_px"], 23.25 / 25.75, rtol=1e-9, atol=0)
    assert other["agrees"] is False


def test_the_width_of_the_rim_gives_the_scale(shared, tmp_path, capsys):
    scene = shared / "scenes" / "edge_on_bright"
    # The rendered rim is 23 mm wide (truth.json), where it is widest: 4 % farther from the camera than its edge.
    words = ["--rim-mm", 23.0, "--from", "323,60", "--to", "137,63.6", "--picture", scene / "gap_before.jpg"]
    answer, _ = scaled(scene, tmp_path, capsys, *words)
    assert_allclose(answer["mm_per_px"], 0.121, rtol=0.05, atol=0)
    assert abs(answer["mm_per_px"] - 0.121) < 2.0 * answer["standard_uncertainty_mm_per_px"]
    assert answer["method"] == "rim"


def test_what_is_told_of_the_camera_makes_the_runout_surer(shared, tmp_path, capsys):
    scene = shared / "scenes" / "edge_on_bright"
    pictures = [scene / "gap_before.jpg", scene / "gap_after.jpg"]
    _, before = scaled(scene, tmp_path, capsys, "--shim-mm", 0.5, *pictures)
    assert before.scale.camera is None
    _, after = scaled(
        scene, tmp_path, capsys, "--shim-mm", 0.5, *pictures, "--distance-mm", 400, "--tilt-deg", 0
    )
    assert after.scale.camera.distance_mm == 400.0
    near, _ = told_camera(before, 150.0, None)
    assert after.scale.camera.crosstalk_standard_uncertainty < 0.3 * near.crosstalk_standard_uncertainty


def test_a_distance_that_nobody_measured_is_not_told_as_one(shared, tmp_path, capsys):
    view_file = tmp_path / "view.json"
    shutil.copy(shared / "scenes" / "edge_on_bright" / "view.json", view_file)
    line = ["scale", "--view", str(view_file), "--from", "100,180", "--to", "500,180", "--length-mm", "48"]
    run([*line, "--tilt-deg", "0"])
    said = " ".join(capsys.readouterr().out.split())
    assert "how far the camera is from the rim isn't known" in said
    view = read_view(view_file)
    camera = replace(view.scale.camera, distance_mm=145.0, distance_standard_uncertainty_mm=55.0)
    hardly = _camera_words(view, camera)
    assert "145 mm" not in hardly
    assert "isn't known well enough to tell. Measure the distance" in hardly
    sure = replace(camera, distance_standard_uncertainty_mm=7.0)
    assert "145 mm ± 14 mm away" in _camera_words(view, sure)
    run([*line, "--tilt-deg", "0"])
    assert "the new one is the same, which both allow" in " ".join(capsys.readouterr().out.split())
    assert "give --distance-mm" in said
    view = read_view(view_file)
    scale = view.scale
    # Being told how square the camera stands makes its distance no surer.
    square_camera = replace(scale.camera, crosstalk=0.0, crosstalk_standard_uncertainty=0.0)
    assert_allclose(depth_share(square_camera), OUTLINE_DEPTH_MM / UNKNOWN_DISTANCE_MM, rtol=0.03, atol=0)
    assert depth_share(scale.camera) < depth_share(None), "that it stands square is known"
    depth_alone = (BudgetLine(source=DEPTH_LINE, standard_uncertainty_mm=1.0),)
    square = BudgetLine(source=PLACE_LINE, standard_uncertainty_mm=0.0)
    (note,) = camera_advice(view, (*depth_alone, square), corrected=False)
    assert "--distance-mm" in note
    assert "move the camera" not in note


def test_what_is_told_of_the_camera_leaves_the_rest_as_a_board_showed_it(shared, tmp_path, capsys):
    scene = shared / "scenes" / "from_above_black"
    _, view = scaled(scene, tmp_path, capsys, "--checkerboard", scene / "scale.jpg", "--square-mm", 5)
    known = view.scale.camera
    assert abs(known.crosstalk) > 0.1
    assert told_camera(view, None, None) == (known, ())
    # The scene's camera stands 170 mm away, 30° to the wheel's right (truth.json).
    (ruled, no_doubt), (tilted, none) = told_camera(view, 172.0, None), told_camera(view, None, 29.0)
    assert (ruled.distance_mm, ruled.distance_standard_uncertainty_mm) == (172.0, 8.6)
    assert ruled.crosstalk == known.crosstalk
    assert_allclose(tilted.crosstalk, -math.tan(math.radians(29.0)), rtol=1e-9, atol=0)
    assert tilted.distance_mm == known.distance_mm
    assert tilted.distance_standard_uncertainty_mm == known.distance_standard_uncertainty_mm
    assert no_doubt == none == ()


def test_what_is_told_against_the_board_is_reported(shared, tmp_path, capsys):
    scene = shared / "scenes" / "from_above_black"
    board = ("--checkerboard", scene / "scale.jpg", "--square-mm", 5)
    answer, view = scaled(scene, tmp_path, capsys, *board)
    assert answer["doubts"] == []
    known = view.scale.camera
    both, view_of_both = scaled(scene, tmp_path, capsys, *board, "--distance-mm", 300)
    assert "contradicts the board" in both["doubts"][0]
    # Neither is taken for true: the interval holds both.
    wide = view_of_both.scale.camera
    assert abs(wide.distance_mm - 300.0) < 2.0 * wide.distance_standard_uncertainty_mm
    assert wide.crosstalk_standard_uncertainty >= known.crosstalk_standard_uncertainty
    place, doubts = told_camera(view, 300.0, None)
    assert "contradicts the 169 mm" in doubts[0]
    # A camera that was moved no longer looks as squarely as the board showed.
    assert place.crosstalk == 0.0
    assert place.crosstalk_standard_uncertainty > 4.0 * known.crosstalk_standard_uncertainty
    _, wrong_way = told_camera(view, None, -30.0)
    assert "from the wheel's right" in wrong_way[0]
    run(
        [
            "scale",
            "--view",
            str(tmp_path / "view.json"),
            *(str(word) for word in board),
            "--distance-mm",
            "300",
        ]
    )
    said = capsys.readouterr().out
    assert "contradicts the board" in " ".join(said.split())
    assert "Next:" not in said
    assert max(len(line) for line in said.splitlines() if str(tmp_path) not in line) <= 80


@pytest.mark.parametrize("shown_mm", [60.0, 115.0])
@pytest.mark.parametrize(("begins_mm", "ends_mm"), [(5.0, 30.75), (-30.75, -5.0)])
def test_a_coin_beside_the_edge_before_a_tilted_camera_at_a_known_distance(shown_mm, begins_mm, ends_mm):
    # A pinhole camera 200 mm away, tilted by 15°: its focal length follows from how much of the rim it shows.
    view, tilt, away_mm = lateral_view(), math.radians(15.0), 200.0
    mm_per_px = shown_mm / view.image_size[0]
    focal_px = away_mm / (mm_per_px * math.cos(tilt))
    edge, _ = edge_place(view)

    def seen(on_rim_mm):
        along_px = focal_px * on_rim_mm * math.cos(tilt) / (away_mm - on_rim_mm * math.sin(tilt))
        return edge - along_px * view.positive

    camera, _ = told_camera(view, away_mm, 15.0)
    told = scale_from_points(ends_mm - begins_mm, seen(begins_mm), seen(ends_mm), view, camera=camera).scale
    assert_allclose(told.mm_per_px, mm_per_px, rtol=0.001, atol=0)
    assert_allclose(told.camera.focal_px, focal_px, rtol=0.02, atol=0)


@pytest.mark.parametrize("tilt_deg", [-25.0, 10.0])
@pytest.mark.parametrize("direction", ["lateral", "radial"])
def test_a_tilt_that_is_told_with_its_sign_gives_the_cameras_crosstalk(direction, tilt_deg):
    # The synthetic camera's own projection says what 1 mm of the other direction adds.
    flat = np.zeros(720)
    spec = SceneSpec(direction=direction, lateral_mm=flat, radial_mm=flat, tilt_deg=tilt_deg)
    camera = place_camera(spec)
    view = View(
        direction=direction,
        image_size=spec.image_size,
        positive=camera.positive,
        forward=camera.forward,
        edges=(),
    )
    place, _ = told_camera(view, None, tilt_deg)
    # Perspective at an edge off the optical axis adds under 4 mm/180 mm.
    assert_allclose(place.crosstalk, camera.crosstalk, rtol=0, atol=0.03)
    assert np.sign(place.crosstalk) == np.sign(camera.crosstalk)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--coin", "coin.jpg"], "--coin-is"),
        (["--coin", "coin.jpg", "--coin-is", "2-euro", "--coin-mm", "20"], "--coin-is"),
        (["--card", "none.jpg"], "no such file"),
        (["--rim-mm", "22", "--from", "9,9", "--to", "99,9"], "--picture"),
        (["--card", "a.jpg", "--coin-mm", "20"], "go with --coin"),
        (["--card", "a.jpg", "--square-mm", "5"], "--square-mm goes with --checkerboard"),
        (["--card", "a.jpg", "--from", "9,9"], "--from and --to go with"),
        (["--coin", "a.jpg", "--coin-mm", "20", "--to", "9,9"], "--from and --to go with"),
        (["--card", "a.jpg", "--picture", "b.jpg"], "--picture goes with"),
        (["--checkerboard", "a.jpg", "--square-mm", "5", "--tilt-deg", "3"], "isn't needed"),
    ],
)
def test_bad_input_gets_one_sentence(shared, tmp_path, capsys, words, told):
    shutil.copy(shared / "scenes" / "edge_on_bright" / "view.json", tmp_path / "view.json")
    with pytest.raises(SystemExit) as leave:
        run(["scale", "--view", str(tmp_path / "view.json"), *words])
    said = capsys.readouterr().err
    assert leave.value.code != 0
    assert len(said.strip().splitlines()) == 1
    assert told in said


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
