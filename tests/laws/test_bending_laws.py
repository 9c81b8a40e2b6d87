"""What a lens does to lengths in the picture: held to OpenCV's own projection through a bent lens."""

import dataclasses

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from rimgauge.capture.card import card_px
from rimgauge.capture.lens import along_px, straightened
from rimgauge.records import Edge, EdgeTrack, Lens
from rimgauge.signal.bending import USUAL_BEND, edge_place, length_share, lens_share
from rimgauge.signal.scale import scale_from_points
from tests.seen import lateral_view

FOCAL_PX, MM_PER_PX = 1.2 * 640, 0.1
MATRIX = np.array([[FOCAL_PX, 0.0, 319.5], [0.0, FOCAL_PX, 179.5], [0.0, 0.0, 1.0]])
ALONG = np.array([1.0, 0.0])


def view_at(x, lens=None):
    """View whose rim's edge is expected at x pixels across the picture."""
    edge = Edge(side="right", pointer_box=(x + 20, 150, 40, 50), rim_box=(x - 27, 140, 36, 80))
    return lateral_view(positive=ALONG, forward=np.array([0.0, -1.0]), edges=(edge,), lens=lens)


def bent(k1):
    return Lens(camera_matrix=MATRIX, distortion=np.array([k1, 0.0, 0.0, 0.0, 0.0]), rms_px=0.2)


def seen(x_mm, k1, y_mm=0.0):
    """Picture places (n, 2) of points so far from the axis on a flat wall, by OpenCV's projection."""
    flat = np.column_stack([x_mm, np.full_like(x_mm, y_mm), np.full_like(x_mm, FOCAL_PX * MM_PER_PX)])
    points, _ = cv2.projectPoints(flat, np.zeros(3), np.zeros(3), MATRIX, np.array([k1, 0.0, 0.0, 0.0, 0.0]))
    return points.reshape(-1, 2)


@pytest.mark.parametrize("x", [60, 200, 560])
@pytest.mark.parametrize("k1", [-0.3, 0.15])
def test_an_edge_off_its_expected_place_reads_wrong_by_what_the_line_says(x, k1):
    view = view_at(x)
    place, unsure_px = edge_place(view, view.edges[0])
    # Lengths of 2 mm at the place that the scale holds for, and where one standard uncertainty off it.
    here_mm = (place[0] - 319.5) * MM_PER_PX
    there_mm = here_mm + unsure_px * MM_PER_PX
    lengths = [np.diff(seen(np.array([at - 1.0, at + 1.0]), k1)[:, 0])[0] for at in (here_mm, there_mm)]
    expected = lens_share(view, view.edges[0]) * abs(k1) / USUAL_BEND
    # First order in k₁·|x|², which is 0.05 at most here.
    assert_allclose(abs(lengths[1] / lengths[0] - 1.0), expected, rtol=0.15, atol=2e-5)


@pytest.mark.parametrize("k1", [-0.3, 0.15])
def test_a_length_across_the_picture_reads_wrong_by_what_the_line_says(k1):
    view = view_at(330)
    start, end = seen(np.array([-22.0, 25.0]), k1)
    here = np.diff(
        seen(np.array([-0.5, 0.5]) + (edge_place(view, view.edges[0])[0][0] - 319.5) * MM_PER_PX, k1)[:, 0]
    )
    error = (end[0] - start[0]) / 47.0 / here[0] - 1.0
    assert_allclose(abs(error), length_share(view, start, end) * abs(k1) / USUAL_BEND, rtol=0.2, atol=1e-4)
    assert np.sign(error) == np.sign(k1)


@pytest.mark.parametrize("k1", [-0.3, 0.15])
def test_a_lens_that_is_known_gives_true_lengths_and_leaves_nothing_in_the_budget(k1):
    view = view_at(480, bent(k1))
    (place, _), (start, end) = edge_place(view, view.edges[0]), seen(np.array([-22.0, 25.0]), k1, 4.0)
    assert lens_share(view, view.edges[0]) == length_share(view, start, end) == 0.0
    rim_mm = np.linspace(12.0, 20.0, 9)
    rim, tip = seen(rim_mm, k1, 2.0), seen(np.full(9, 24.0), k1, 2.0)
    track = EdgeTrack(
        side="right",
        gap_px=tip[:, 0] - rim[:, 0],
        standard_error_px=np.full(9, 0.05),
        quality=np.ones(9),
        tip_px=tip,
        rim_px=rim,
    )
    straight = straightened(track, view, place)
    stretch = np.diff(along_px(view, np.stack([start, end]), place))[0] / (end[0] - start[0])
    found = scale_from_points(47.0, start, end, view, stretch=stretch)
    assert_allclose(straight.gap_px * found.scale.mm_per_px, 24.0 - rim_mm, rtol=0.002, atol=0)
    # Without the lens the same places are wrong by far more.
    unknown = dataclasses.replace(view, lens=None)
    plain = scale_from_points(47.0, start, end, unknown)
    assert np.abs(track.gap_px * plain.scale.mm_per_px / (24.0 - rim_mm) - 1.0).max() > 0.01
    assert straightened(track, unknown, place) is track


@pytest.mark.parametrize("k1", [-0.3, 0.0, 0.15])
def test_the_edges_of_a_card_tell_how_much_the_lens_bends(k1):
    # A plain card 44 mm wide before a dark wall, seen through the lens: each pixel looks along its undistorted ray.
    x, y = np.meshgrid(np.arange(640.0), np.arange(360.0))
    rays = cv2.undistortPoints(
        np.column_stack([x.ravel(), y.ravel()]).reshape(-1, 1, 2), MATRIX, np.array([k1, 0.0, 0.0, 0.0, 0.0])
    ).reshape(360, 640, 2)
    wall = (rays * FOCAL_PX + np.array([319.5, 179.5])).astype(np.float32)
    u, v = wall[..., 0] - 315.0, wall[..., 1] - 30.0
    radius = 440.0 * 3.18 / 53.98
    out = np.hypot(np.maximum(np.abs(u) - 220.0 + radius, 0.0), np.maximum(radius - v, 0.0))
    grey = 60.0 + 110.0 * np.clip(radius + 0.5 - out, 0.0, 1.0)
    grey = cv2.GaussianBlur(grey, (0, 0), 1.0) + np.random.default_rng(2).normal(0.0, 1.5, grey.shape)
    picture = np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[:, :, None], 3, axis=2)
    found, middle = card_px(picture, ALONG, np.array([320.0, 180.0]), "card.jpg")
    seen, error = (each * FOCAL_PX**2 for each in found.bend)
    # Edges wholly inside the picture leave hundredths; the distortion's higher order takes up the rest.
    assert_allclose(seen, k1, rtol=0.15, atol=0.02)
    assert error < 0.03
    view, half = view_at(330), 0.5 * found.px * ALONG
    share = length_share(view, middle - half, middle + half, found.bend)
    if k1 == 0.0:
        assert share < 0.25 * length_share(view, middle - half, middle + half)
    else:
        assert share == pytest.approx(
            abs(k1) / USUAL_BEND * length_share(view, middle - half, middle + half), rel=0.2
        )
