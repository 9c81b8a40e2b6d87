"""What the camera's place does: worked out from a board, and taken off with the other direction's runout."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from rimgauge.capture.camera_place import camera_place
from rimgauge.capture.sources import read_picture
from rimgauge.capture.targets import find_corners
from rimgauge.errors import BadInput
from rimgauge.job import read_pass, read_view, write_pass
from rimgauge.pipeline import other_side
from rimgauge.records import CameraPlace, Runout, View
from tests.benchmarks.rendered import measured, true_side
from tests.job.conftest import make_runout

SCENES = {"edge_on_bright": 0.012, "from_above_black": -0.590, "radial_wall": 0.014}
"""What 1 mm of the other direction adds to the reading: fitted to the curves in each truth.json."""
CROSSTALK = 0.02
DISTANCE = 0.02
TILTED_TOTAL_MM = 0.02


def place(shared: Path, name: str, distance_mm: float | None = None) -> CameraPlace:
    folder = shared / "scenes" / name
    corners = find_corners(read_picture(folder / "scale.jpg"), "scale.jpg")
    return camera_place(corners, 5.0, read_view(folder / "view.json"), distance_mm)


def truth(shared: Path, name: str) -> dict:
    return json.loads((shared / "scenes" / name / "truth.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize(("name", "true"), SCENES.items())
def test_a_board_tells_what_the_other_direction_adds(shared: Path, name: str, true: float) -> None:
    found = place(shared, name)
    assert_allclose(found.crosstalk, true, rtol=0, atol=CROSSTALK)
    assert abs(found.crosstalk - true) < 2.0 * found.crosstalk_standard_uncertainty


@pytest.mark.parametrize("name", SCENES)
def test_the_true_distance_lies_in_the_stated_interval(shared: Path, name: str) -> None:
    found, true = place(shared, name), truth(shared, name)["camera"]["distance_mm"]
    assert abs(found.distance_mm - true) < 2.0 * found.distance_standard_uncertainty_mm


def test_a_slanted_board_tells_distance_and_focal_length_by_itself(shared: Path) -> None:
    found, true = place(shared, "from_above_black"), truth(shared, "from_above_black")["camera"]
    assert_allclose(found.distance_mm, true["distance_mm"], rtol=DISTANCE, atol=0)
    assert_allclose(found.focal_px, true["f_px"], rtol=DISTANCE, atol=0)


def test_a_ruler_makes_the_distance_sure_where_the_board_faces_the_camera(shared: Path) -> None:
    alone, ruled = place(shared, "edge_on_bright"), place(shared, "edge_on_bright", 170.0)
    assert ruled.distance_standard_uncertainty_mm < 0.3 * alone.distance_standard_uncertainty_mm
    assert_allclose(ruled.distance_mm, 170.0, rtol=0.05, atol=0)


def radial_pass(shared: Path, name: str) -> Runout:
    """What a dial gauge would read of the scene's radial runout, as a measurement."""
    side = true_side(truth(shared, name), "radial")
    return replace(make_runout((side,), "radial"), total_runout=side.total_runout)


def corrected(shared: Path, name: str, view: View, other: Runout) -> Runout:
    return measured(shared / "scenes" / name, view, other_side(other, view.direction))


def test_a_tilted_view_is_corrected_with_a_radial_measurement(shared: Path, tmp_path: Path) -> None:
    name = "from_above_black"
    view = read_view(shared / "scenes" / name / "view.json")
    view = replace(view, scale=replace(view.scale, camera=place(shared, name)))
    write_pass(tmp_path / "radial.json", radial_pass(shared, name))
    total = corrected(shared, name, view, read_pass(tmp_path / "radial.json")).total_runout
    true_mm = truth(shared, name)["total_lateral_mm"]
    assert_allclose(total.value, true_mm, rtol=0, atol=TILTED_TOTAL_MM)
    assert abs(total.value - true_mm) <= total.expanded_uncertainty


def test_a_correction_without_the_cameras_place_is_refused(shared: Path) -> None:
    name = "from_above_black"
    view = read_view(shared / "scenes" / name / "view.json")
    with pytest.raises(BadInput, match="how the camera stands"):
        corrected(shared, name, view, radial_pass(shared, name))


def test_a_measurement_of_the_same_direction_corrects_nothing(shared: Path) -> None:
    name = "from_above_black"
    view = read_view(shared / "scenes" / name / "view.json")
    other = replace(radial_pass(shared, name), direction="lateral")
    with pytest.raises(BadInput, match="lateral too"):
        corrected(shared, name, view, other)
