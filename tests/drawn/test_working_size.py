"""Large soft pictures are read at the size at which they are sharp, and what is told of them is of the whole ones."""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from rimgauge.capture import Frame, at_full_size, at_working_size, open_source
from rimgauge.capture.aim import Hints, aim
from rimgauge.capture.lens import along_px
from rimgauge.capture.tracker import Tracker, track
from rimgauge.capture.working_size import full_places, reduced, reduced_picture, times_softer
from rimgauge.job import read_view
from rimgauge.records import Box, CameraPlace, Edge, Lens, Scale, View, WheelInView
from rimgauge.watching import watch
from tests.benchmarks.large import enlarged, softened
from tests.seen import lateral_view

BOX = (100, 100, 300, 200)


def bar(blur_px: float, lines: int = 1440) -> np.ndarray:
    """A dark bar that ends in BOX before a pale wall."""
    picture = np.full((lines, lines * 16 // 9, 3), 190, dtype=np.uint8)
    picture[150:250, :250] = 40
    return picture if not blur_px else np.asarray(cv2.GaussianBlur(picture, (0, 0), blur_px), dtype=np.uint8)


def films(*pictures: np.ndarray) -> list[Frame]:
    return [Frame(k, k / 30.0, picture) for k, picture in enumerate(pictures)]


def boxed(*boxes: Box, lines: int = 1440) -> View:
    """A view in which these are a pointer's box and a rim's, the last one for all that follow."""
    return lateral_view(
        image_size=(lines * 16 // 9, lines),
        edges=(Edge(side="right", pointer_box=boxes[0], rim_box=boxes[-1]),),
    )


@pytest.mark.parametrize(
    ("blur_px", "lines", "times"),
    [
        (1.0, 1440, 1),
        (1.5, 1440, 1),
        (2.3, 1440, 2),
        (3.3, 1440, 3),
        (9.0, 1440, 4),
        (9.0, 1079, 2),  # at least 360 lines are left
        (9.0, 719, 1),
    ],
)
def test_soft_pictures_are_reduced_until_they_are_sharp_or_of_usual_size(
    blur_px: float, lines: int, times: int
) -> None:
    assert times_softer(films(*[bar(blur_px, lines)] * 5), boxed(BOX, lines=lines)) == times


@pytest.mark.parametrize(("blur_px", "times"), [(2.3, 1), (3.5, 2), (5.0, 3)])
def test_where_they_are_measured_they_stay_a_little_softer(blur_px: float, times: int) -> None:
    assert at_working_size(films(*[bar(blur_px)] * 5), boxed(BOX))[2] == times


def test_the_sharpest_box_counts_and_what_passes_does_not() -> None:
    soft, sharp = bar(6.0), bar(1.0)
    both = soft.copy()
    both[600:] = sharp[:-600]
    below = (100, 700, 300, 200)
    assert times_softer(films(*[both] * 5), boxed(BOX)) == 4
    assert times_softer(films(*[both] * 5), boxed(BOX, below)) == 1
    assert times_softer(films(soft, soft, sharp, soft, sharp), boxed(BOX)) == 4
    assert times_softer(films(sharp, soft, sharp, sharp, soft), boxed(BOX)) == 1


@pytest.mark.parametrize("dark", [False, True])
def test_pictures_that_a_hand_or_the_dark_fills_are_waited_out(dark: bool) -> None:
    """A plain box has no blur; taken for a sharp one it had the whole film read at full size."""
    plain = np.full_like(bar(6.0), 30 if dark else 140)
    noisy = np.clip(plain + np.random.default_rng(2).normal(0.0, 6.0, plain.shape), 0, 255).astype(np.uint8)
    film = films(*[noisy] * 12, *[bar(6.0)] * 5, bar(1.0), bar(1.0))
    view = boxed(BOX)
    every, _, times = at_working_size(film, view)
    assert times == 4
    assert len(list(every)) == len(film)
    assert at_working_size(films(*[noisy] * 50), view)[2] == 1


def test_what_a_view_says_of_reduced_pictures_is_the_same_in_millimetres() -> None:
    camera = CameraPlace(
        distance_mm=180.0,
        distance_standard_uncertainty_mm=5.0,
        crosstalk=0.1,
        crosstalk_standard_uncertainty=0.02,
        focal_px=3000.0,
    )
    scale = Scale(mm_per_px=0.03, standard_uncertainty_mm_per_px=0.0003, method="given", camera=camera)
    matrix = np.array([[3000.0, 0.0, 1279.5], [0.0, 3000.0, 719.5], [0.0, 0.0, 1.0]])
    lens = Lens(camera_matrix=matrix, distortion=np.array([-0.2, 0.05, 0.001, 0.0]), rms_px=0.4)
    edge = Edge(side="right", pointer_box=(331, 153, 45, 53), rim_box=(299, 140, 36, 81))
    view = lateral_view(
        image_size=(2561, 1441), edges=(edge,), scale=scale, lens=lens, mark_box=(3, 5, 2558, 1436)
    )
    small = reduced(view, 3)
    assert small.image_size == (853, 480)
    assert small.scale is not None
    assert small.scale.mm_per_px == pytest.approx(0.09)
    assert small.scale.camera is not None
    assert small.scale.camera.focal_px == 1000.0
    # Columns 331 to 375 lie in 110 to 125 of the small picture, rows 153 to 205 in 51 to 68.
    assert small.edges[0].pointer_box == (110, 51, 16, 18)
    assert small.mark_box == (1, 1, 852, 479)
    rng = np.random.default_rng(4)
    places, at = rng.uniform(0, 400, (20, 2)), np.array([200.0, 150.0])
    np.testing.assert_allclose(
        3 * along_px(small, places, at),
        along_px(view, full_places(places, 3), full_places(at[None], 3)[0]),
        rtol=1e-6,
    )


def test_a_picture_is_reduced_by_means_and_a_frame_of_another_size_is_left_to_the_tracker() -> None:
    picture = np.random.default_rng(1).integers(0, 256, (7, 11, 3)).astype(np.uint8)
    means = picture[:6, :9].reshape(2, 3, 3, 3, 3).mean(axis=(1, 3))
    assert np.abs(reduced_picture(picture, 3) - means).max() <= 0.5
    view = lateral_view(image_size=(640, 360))
    frames = [Frame(k, k / 30.0, bar(9.0)) for k in range(7)]
    every, same, times = at_working_size(frames, view)
    assert (list(every), same, times) == (frames, view, 1)


@pytest.fixture
def edge_on(shared: Path) -> Path:
    return shared / "scenes" / "edge_on_bright"


def test_a_soft_telephone_film_is_followed_as_exactly_as_the_picture_it_was_made_of(edge_on: Path) -> None:
    """Four times as large; read at full size the edge was learnt as two steps, and gaps were 1.55 px rms off."""
    view = enlarged(read_view(edge_on / "view.json"), 4)
    frames, small, times = at_working_size(itertools.islice(softened(edge_on, 4), 60), view)
    assert times == 2
    seen = at_full_size(track(frames, small), times).sides[0]
    truth = json.loads((edge_on / "truth.json").read_text(encoding="utf-8"))
    off_px = seen.gap_px - 4.0 * np.array([frame["gap_px"] for frame in truth["frames"][:60]])
    told = np.isfinite(off_px)
    assert told.mean() > 0.9
    assert float(np.std(off_px[told])) < 4.0 * 0.1
    assert abs(float(np.mean(off_px[told]))) < 4.0 * 1.0
    assert seen.tip_px[told].mean(axis=0) == pytest.approx(
        4.0 * np.array(truth["pointer"]["tip_px"]), abs=8.0
    )
    assert float(np.nanmedian(seen.blur_px)) > 3.0


def test_a_rims_bends_are_no_reason_to_read_a_large_picture_beside_its_box(edge_on: Path) -> None:
    """At one and a half times the size they come to 0.31 px, and a spoke passes the rows beside the box."""
    view = reduced(enlarged(read_view(edge_on / "view.json"), 3), 2)
    frames = [
        replace(frame, image=reduced_picture(frame.image, 2))
        for frame in itertools.islice(softened(edge_on, 3), 60)
    ]
    place = Tracker.of_frames(view, frames).places[0]
    assert place.box_rows[0] == 0


def test_what_is_shown_of_a_large_soft_stream_is_read_as_it_is_measured(edge_on: Path) -> None:
    """Read at full size the gap was 4.6 mm off all through."""
    view = enlarged(read_view(edge_on / "view.json"), 4)
    assert view.scale is not None
    wheel = WheelInView(spoke_angles_deg=np.arange(0.0, 360.0, 11.25), flanges=("left", "right") * 16)
    shown = list(watch(itertools.islice(softened(edge_on, 4), 66), view, wheel))
    truth = json.loads((edge_on / "truth.json").read_text(encoding="utf-8"))
    right_mm = 4.0 * np.array([frame["gap_px"] for frame in truth["frames"][:66]]) * view.scale.mm_per_px
    off_mm = np.array([moment.gap_mm[0] for moment in shown]) - right_mm
    told = np.isfinite(off_mm)
    assert told.mean() > 0.9
    assert abs(float(np.mean(off_mm[told]))) < 0.1
    assert float(np.std(off_mm[told])) < 0.02
    last = shown[-1]
    assert last.image.shape == (1440, 2560, 3)
    assert last.tip_px[0] == pytest.approx(4.0 * np.array(truth["pointer"]["tip_px"]), abs=8.0)


def blurred(folder: Path, count: int) -> Iterator[Frame]:
    return itertools.islice(softened(folder, 2, 5.0), count)


def test_aim_finds_in_a_large_soft_picture_what_it_finds_in_the_small_sharp_one(shared: Path) -> None:
    folder = shared / "scenes" / "radial_wall"
    with open_source(str(folder / "frames")) as source:
        small = aim(list(itertools.islice(source, 40)), "radial", "outer", Hints())
    large = aim(list(blurred(folder, 40)), "radial", "outer", Hints())
    assert large.view.image_size == (1280, 720)
    assert large.image.shape == (720, 1280, 3)
    assert large.tip_px == pytest.approx(full_places(np.array([small.tip_px]), 2)[0], abs=4.0)
    x, y, width, height = large.view.edges[0].rim_box
    assert x <= large.rim_px[0] < x + width
    assert y <= large.rim_px[1] < y + height
