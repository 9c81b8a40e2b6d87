"""The synthetic camera tells the truth about what it draws."""

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from rimgauge.errors import BadInput
from rimgauge.scene import (
    Scene,
    SceneSpec,
    apparent_mm,
    draw_board,
    random_curve,
    runout_curve,
    scene_truth,
    scene_view,
    with_total,
)

EDGE_PX = 0.05
"""How well a plain edge measure must agree with the stated gap on frames without noise."""


def _spec(**changes):
    rng = np.random.default_rng(11)
    values = {
        "lateral_mm": random_curve(rng, 1.4),
        "radial_mm": random_curve(rng, 0.6),
        "frames": 12,
        "noise": 0.0,
    }
    return SceneSpec(**(values | changes))


def _along(image, start, direction, reach):
    """Green channel along a line, every tenth of a pixel, averaged over seven lines side by side."""
    place = np.arange(-reach, reach, 0.1)
    side = np.array((-direction[1], direction[0]))
    lines = [start + place[:, None] * direction + shift * side for shift in (-1, -0.5, 0, 0.5, 1)]
    maps = np.array(lines, dtype=np.float32)
    return place, cv2.remap(image[..., 1], maps[..., 0], maps[..., 1], cv2.INTER_CUBIC).mean(axis=0)


def _steepest(image, start, direction):
    """Centroid of the steepest stretch along a line: an edge finder of the plainest kind."""
    place, grey = _along(image, start, direction, 5.0)
    slope = np.abs(np.gradient(grey))
    near = np.abs(place - place[slope.argmax()]) < 2.0
    return float((place[near] * slope[near]).sum() / slope[near].sum())


@pytest.mark.parametrize(
    "changes",
    [
        {"background": "dark"},
        {"background": "dark", "roll_deg": 181.5},
        {"background": "dark", "side": "left"},
        {"finish": "black"},
        {"background": "dark", "direction": "radial"},
        {"background": "dark", "direction": "radial", "roll_deg": 179.0, "distance_mm": 120.0},
        {"background": "dark", "roll_deg": 90.0},
        {"background": "dark", "tilt_deg": -12.0},
    ],
)
def test_rim_edge_is_drawn_where_the_gap_says(changes):
    """Measured on plain paint; a spoke behind the edge spoils the plain measure, hence the median."""
    shade = "pale" if "background" in changes else "dark"
    scene = Scene(_spec(pointer_shade=shade, texture=0.0, **changes))
    angles = np.arange(7.0, 360.0, 30.0)
    gaps = scene.outline.gap_px(scene.tip_px, angles)
    errors = [
        _steepest(scene.photograph(angle), scene.tip_px - gap * _outward(scene), _outward(scene))
        for angle, gap in zip(angles, gaps, strict=True)
    ]
    assert_allclose(np.median(np.abs(errors)), 0.0, rtol=0, atol=EDGE_PX)
    assert np.ptp(gaps) > 3.0  # the edge did move meanwhile


def _outward(scene):
    return scene.camera.positive * scene.spec.outward


def test_pointer_tip_is_drawn_where_it_is_said_to_be():
    scene = Scene(_spec(pointer="strip"))
    place = _steepest(scene.photograph(30.0), scene.tip_px, scene.camera.positive)
    assert_allclose(place, 0.0, rtol=0, atol=EDGE_PX)


@pytest.mark.parametrize("direction", ["lateral", "radial"])
def test_gap_shrinks_by_the_runout(direction):
    """Along the axle and the radius alike, with the scale at the rim's edge; the rest is perspective."""
    still = "radial_mm" if direction == "lateral" else "lateral_mm"
    scene = Scene(_spec(direction=direction, **{still: np.zeros(720)}))
    assert_allclose(
        apparent_mm(scene), scene.spec.runout_mm, rtol=0, atol=0.02 * np.ptp(scene.spec.runout_mm)
    )


def test_left_pointer_reads_the_same_sign():
    scene = Scene(_spec(side="left"))
    assert_allclose(apparent_mm(scene), scene.spec.lateral_mm, rtol=0, atol=0.03)


def test_tilted_camera_lets_the_radial_runout_in():
    """Tilted by t, the radial runout appears multiplied by tan t (geometry of a parallel projection)."""
    scene = Scene(_spec(tilt_deg=-20.0, distance_mm=1500.0, lateral_mm=np.zeros(720)))
    leaked = np.tan(np.radians(20.0)) * scene.spec.radial_mm
    assert_allclose(np.abs(np.polyfit(leaked, apparent_mm(scene), 1)[0]), 1.0, rtol=0.01, atol=0)


@pytest.mark.parametrize("changes", [{}, {"roll_deg": 180.0}, {"direction": "radial"}, {"roll_deg": 90.0}])
def test_mark_passes_the_pointer_at_angle_0_and_moves_forward(changes):
    scene = Scene(_spec(mark_bgr=(0, 0, 255), **changes))
    centres = []
    for angle in (-2.0, 0.0, 2.0):
        picture = scene.photograph(angle)
        red = (picture[..., 2] - picture[..., 1] > 90).astype(np.float32)
        y, x = np.nonzero(red)
        centres.append((np.array((x.mean(), y.mean())) - scene.tip_px) @ scene.camera.forward)
    step = np.radians(2.0) * scene.spec.radius_mm / scene.spec.mm_per_px
    assert_allclose(centres, [-step, 0.0, step], rtol=0, atol=0.06 * step)


def test_stated_boxes_hold_what_they_are_for():
    for changes in ({}, {"roll_deg": 180.0}, {"side": "left"}, {"direction": "radial"}, {"roll_deg": 90.0}):
        scene = Scene(_spec(**changes))
        view = scene_view(scene)
        outward = _outward(scene)
        edge = view.edges[0]
        assert _inside(edge.pointer_box, scene.tip_px)
        for gap in (scene.gap_px.min(), scene.gap_px.max()):
            assert _inside(edge.rim_box, scene.tip_px - gap * outward)
        assert not _inside(edge.rim_box, scene.tip_px)
        for box in (edge.pointer_box, edge.rim_box, view.mark_box, view.spoke_box):
            assert box[0] >= 0
            assert box[1] >= 0
            assert box[0] + box[2] <= 640
            assert box[1] + box[3] <= 360
            assert min(box[2:]) > 3


def _inside(box, point):
    return box[0] <= point[0] < box[0] + box[2] and box[1] <= point[1] < box[1] + box[3]


def test_spokes_are_counted_in_their_box():
    """One spoke of the lattice darkens the spoke box of the radial view each spacing."""
    scene = Scene(_spec(direction="radial", spokes=24, first_spoke_deg=5.0))
    x, y, w, h = scene_view(scene).spoke_box
    box = [scene.photograph(angle)[y : y + h, x : x + w, 1].mean(axis=0) for angle in (5.0, 20.0, 35.0)]
    empty = scene.photograph(12.5)[y : y + h, x : x + w, 1].mean(axis=0)
    middle = round(float(scene.tip_px[0])) - x
    for profile in box:
        change = np.abs(profile - empty)
        assert change[middle - 12 : middle + 12].max() > 15


def test_board_squares_give_the_stated_scale():
    """OpenCV's own corner finder measures the board of the scale picture."""
    scene = Scene(_spec(roll_deg=0.0, noise=1.0))
    grey = cv2.cvtColor(draw_board(scene.spec, scene.camera), cv2.COLOR_BGR2GRAY)
    flags = cv2.CALIB_CB_LARGER | cv2.CALIB_CB_EXHAUSTIVE
    found, corners, size = cv2.findChessboardCornersSBWithMeta(grey, (9, 5), flags)
    assert found
    grid = corners.reshape(*size.shape, 2)
    square_px = np.linalg.norm(np.diff(grid, axis=1), axis=2).mean()
    assert_allclose(5.0 / square_px, scene.camera.mm_per_px, rtol=1e-3, atol=0)


def test_same_seed_same_frames_and_another_seed_others():
    first, again, other = (list(Scene(_spec(noise=2.0, frames=3, seed=seed)).frames()) for seed in (4, 4, 5))
    for one, two in zip(first, again, strict=True):
        assert_array_equal(one.image, two.image)
        assert one.gap_px == two.gap_px
    assert (first[0].image != other[0].image).any()


def test_noise_has_the_stated_size_at_mid_grey():
    scene = Scene(_spec(noise=3.0))
    flat = np.full((360, 640, 3), 128.0, dtype=np.float32)
    noise = scene.expose(flat)[..., 1].astype(float) - 128.0
    assert_allclose(noise.std(), 3.0, rtol=0.12, atol=0)


def test_shake_moves_the_picture_and_leaves_the_gap():
    scene = Scene(_spec(background="dark", pointer_shade="pale", texture=0.0))
    outward = scene.camera.positive
    shake = np.array((1.3, -0.7))
    still, shaken = scene.photograph(50.0), scene.photograph(50.0, shake_px=shake)
    gap = scene.outline.gap_px(scene.tip_px, np.array([50.0]))[0]
    place = _steepest(shaken, scene.tip_px + shake - gap * outward, outward)
    assert_allclose(place, _steepest(still, scene.tip_px - gap * outward, outward), rtol=0, atol=EDGE_PX)


def test_hand_stops_and_rocks_back():
    steady, stops, rocks = (
        Scene(_spec(turning=turning, frames=240)).spin for turning in ("steady", "stops", "rocks")
    )
    assert_allclose(steady.speed_deg_s, steady.speed_deg_s[0], rtol=1e-9, atol=0)
    assert np.abs(stops.speed_deg_s).min() < 5.0
    assert rocks.speed_deg_s.min() < -20.0
    assert np.diff(rocks.angle_deg).min() < 0
    assert (np.diff(rocks.time_s) > 0).all()


def test_dropped_frames_leave_a_gap_in_time():
    spin = Scene(_spec(frames=100, dropped_frames=10)).spin
    assert spin.time_s.size == 100
    assert np.diff(spin.time_s).max() > 1.5 / 30


def test_truth_numbers_spokes_in_the_order_in_which_they_pass():
    scene = Scene(_spec(spokes=28, first_spoke_deg=6.0))
    truth = scene_truth(scene, list(scene.frames()))
    angles = [spoke["angle_deg"] for spoke in truth["spokes"]]
    assert [spoke["number"] for spoke in truth["spokes"]] == list(range(1, 29))
    assert_allclose(angles, 6.0 + 360 / 28 * np.arange(28), rtol=0, atol=1e-3)
    assert_allclose(truth["spokes"][0]["runout_mm"], scene.spec.lateral_mm[12], rtol=0, atol=1e-4)
    assert_allclose(truth["total_runout_mm"], 1.4, rtol=0, atol=1e-4)


def test_curves_have_no_mean_and_the_total_asked_for():
    curve = with_total(runout_curve([(3, 0.2, 30.0)], [(90.0, 20.0, 0.5)]), 0.8)
    assert_allclose(curve.mean(), 0.0, rtol=0, atol=1e-12)
    assert_allclose(np.ptp(curve), 0.8, rtol=1e-12, atol=0)


def test_bump_is_half_as_high_half_its_width_away():
    curve = runout_curve(bumps=[(180.0, 40.0, 1.0)])
    assert_allclose(curve[360] - curve[320], 0.5, rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"spokes": 0}, "spokes is 0"),
        ({"spokes": 31}, "even number"),
        ({"mm_per_px": float("nan")}, "mm_per_px is nan"),
        ({"blur_px": -1.0}, "blur_px"),
        ({"jpeg_quality": 0}, "jpeg_quality"),
        ({"finish": "mirror"}, "finish 'mirror'"),
        ({"gap_mm": 0.3}, "come within"),
        ({"lateral_mm": np.zeros(10)}, "720 finite numbers"),
        ({"lateral_mm": np.full(720, np.nan)}, "720 finite numbers"),
        ({"image_size": (0, 0)}, "image size"),
    ],
)
def test_senseless_scene_is_refused_in_one_sentence(changes, words):
    with pytest.raises(BadInput, match=words):
        _spec(**changes)


def test_camera_that_sees_the_rim_cover_the_pointer_is_refused():
    """Leaning over the measured side, the rim's wall reaches out beyond its edge."""
    with pytest.raises(BadInput, match="cover the pointer"):
        Scene(_spec(tilt_deg=20.0))
