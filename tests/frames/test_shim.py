"""The scale by a shim: a pointer that was moved by a known thickness, drawn, rendered, and on bad input."""

import json
import shutil
import warnings

import cv2
import numpy as np
import pytest
from drawn_things import drawn, pointer, strip_share
from numpy.testing import assert_allclose

from rimgauge.capture.shim import pointer_moved_px
from rimgauge.capture.uncovered import _slopes
from rimgauge.cli import run
from rimgauge.errors import BadInput, PointerNotSeen
from rimgauge.job import read_view
from tests.said import stopped


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


def test_a_row_by_itself_has_no_slope_and_nobody_is_warned():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        slopes = _slopes(np.array([0.0, 1.0, 2.0, 500.0]), np.array([10.0, 10.5, 11.0, 90.0]))
    assert_allclose(slopes, [0.5, 0.5, 0.5, np.inf])
