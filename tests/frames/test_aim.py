"""Aim on rendered frames: pointer tip, rim edge and way against the view the scene was drawn with."""

import itertools
import json
import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner

from rimgauge.capture.aim import AIM_FRAMES, Hints, _pointed_out, aim
from rimgauge.capture.aim_look import zoomed
from rimgauge.capture.sources import Frame, open_source
from rimgauge.capture.tracker import Tracker
from rimgauge.cli.aim import command
from rimgauge.errors import BadInput, NotTrustworthy, PointerNotSeen, RimNotSeen
from rimgauge.job import read_view
from rimgauge.records import FloatArray, View

TIP_PX = 5.0
"""So near the tip found must lie to the one the scene's own view gives."""


def _frames(folder: Path) -> list[Frame]:
    return list(itertools.islice(open_source(str(folder)), AIM_FRAMES))


def _true_tip_px(folder: Path, frames: list[Frame]) -> tuple[float, float]:
    return Tracker.of_frames(read_view(folder / "view.json"), frames[:60]).sight(frames[0])[0].tip_px[0]


def _as_filmed(frames: list[Frame], zoom: float, light: float) -> list[Frame]:
    """The same frames from a camera with more or fewer pixels, in dimmer light."""
    return [
        replace(
            frame,
            image=cv2.resize(
                cv2.convertScaleAbs(frame.image, alpha=light),
                None,
                fx=zoom,
                fy=zoom,
                interpolation=cv2.INTER_AREA if zoom < 1.0 else cv2.INTER_CUBIC,
            ).astype(np.uint8),
        )
        for frame in frames
    ]


def _across_edges_px(folder: Path, drawn: View, tip_px: tuple[float, float]) -> FloatArray:
    """Where the rim's edge is in every frame, along the axis that is measured."""
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["frames"]
    across = 0 if drawn.direction == "lateral" else 1
    sign = -float(np.sign(drawn.positive[across]))
    return np.array([tip_px[across] + sign * frame["gap_px"] for frame in truth])


@pytest.mark.parametrize(
    ("scene", "zoom", "light"),
    [("edge_on_bright", 1.0, 1.0), ("from_above_black", 1.5, 0.4), ("radial_wall", 0.75, 1.0)],
)
def test_aim_finds_what_the_scene_was_drawn_with(shared: Path, scene: str, zoom: float, light: float) -> None:
    folder = shared / "scenes" / scene
    drawn, frames = read_view(folder / "view.json"), _frames(folder)
    tip = _true_tip_px(folder, frames)
    found = aim(_as_filmed(frames, zoom, light), drawn.direction, drawn.edges[0].side, Hints())
    assert math.dist(zoomed(found.tip_px, 1.0 / zoom), tip) < TIP_PX
    assert float(found.view.positive @ drawn.positive) > math.cos(math.radians(4.0))
    assert float(found.view.forward @ drawn.forward) > math.cos(math.radians(4.0))
    assert found.view.mark_box is not None
    assert drawn.mark_box is not None
    across = 0 if drawn.direction == "lateral" else 1
    marks = (np.array(found.view.mark_box) / zoom, np.array(drawn.mark_box))
    middles = [box[across] + box[across + 2] / 2 for box in marks]
    assert abs(middles[0] - middles[1]) < drawn.mark_box[across + 2] / 2
    start, length = np.array(found.view.edges[0].rim_box)[[across, across + 2]] / zoom
    edges = _across_edges_px(folder, drawn, tip)
    assert (edges > start).all()
    assert (edges < start + length).all()


def test_a_person_may_point_a_little_beside_the_tip(shared: Path) -> None:
    folder = shared / "scenes" / "radial_wall"
    drawn, frames = read_view(folder / "view.json"), _frames(folder)
    tip = _true_tip_px(folder, frames)
    found = aim(frames, drawn.direction, drawn.edges[0].side, Hints(pointer_at=(tip[0] + 4, tip[1] + 3)))
    assert math.dist(found.tip_px, tip) < TIP_PX
    _, start, _, length = found.view.edges[0].rim_box
    edges = _across_edges_px(folder, drawn, tip)
    assert (edges > start).all()
    assert (edges < start + length).all()


def _right_is_right(view: View) -> bool:
    """Seen from outside the wheel's right lies to the right of the way the rim runs."""
    (ahead_x, ahead_y), (x, y) = view.forward, view.positive
    return bool(ahead_x * y - ahead_y * x > 0.99)


def test_the_pointers_side_follows_from_the_way_the_rim_runs(shared: Path) -> None:
    # Drawn with the pointer on the right; in a mirror the same wheel runs past a pointer on its left.
    frames = _frames(shared / "scenes" / "edge_on_bright")
    mirrored = [replace(frame, image=np.ascontiguousarray(frame.image[:, ::-1])) for frame in frames]
    for seen, side in ((frames, "right"), (mirrored, "left")):
        view = aim(seen, "lateral", None, Hints()).view
        assert view.edges[0].side == side
        assert _right_is_right(view)
    with pytest.raises(NotTrustworthy, match="turned backward add --runs down"):
        aim(mirrored, "lateral", "right", Hints())
    turned = aim(mirrored, "lateral", "right", Hints(runs="down")).view
    assert turned.edges[0].side == "right"
    assert _right_is_right(turned)


def test_a_still_picture_says_what_is_missing() -> None:
    grey = np.full((120, 160, 3), 128, np.uint8)
    with pytest.raises(PointerNotSeen, match="light"):
        aim([Frame(k, k / 30, grey) for k in range(20)], "lateral", "right", Hints())


@pytest.mark.parametrize("place", [(10.0, 10.0), (200.0, 200.0)])
def test_who_points_beside_the_rim_is_not_asked_to_point(place: tuple[float, float]) -> None:
    sample = Path(__file__).resolve().parents[2] / "sample_frames" / "lateral_before" / "frames"
    with pytest.raises(
        (RimNotSeen, NotTrustworthy), match=r"near --rim-at|--rim-at (doesn't|is on|is not on)"
    ):
        aim(_frames(sample)[:60], "lateral", None, Hints(rim_at=place))


def test_a_refusal_of_what_was_pointed_at_keeps_its_reason() -> None:
    told = r"^a hub as dark as the rim \(or the place given with --rim-at is not on the rim's very edge\)$"
    with pytest.raises(NotTrustworthy, match=told), _pointed_out(Hints(rim_at=(10.0, 10.0))):
        raise NotTrustworthy("a hub as dark as the rim")


def test_a_hint_outside_the_picture_is_refused() -> None:
    grey = np.full((120, 160, 3), 128, np.uint8)
    with pytest.raises(BadInput, match="pointer-at 500,20"):
        aim([Frame(k, k / 30, grey) for k in range(20)], "lateral", "right", Hints(pointer_at=(500, 20)))


def test_command_writes_view_and_picture(shared: Path, tmp_path: Path) -> None:
    folder, view, picture = shared / "scenes" / "radial_wall", tmp_path / "view.json", tmp_path / "aim.png"
    arguments = [str(folder), "--direction", "radial", "--runs", "left"]
    result = CliRunner().invoke(command, [*arguments, "--out", str(view), "--picture", str(picture)])
    assert result.exit_code == 0, result.output
    assert read_view(view).edges[0].side == "outer"
    drawn = cv2.imread(str(picture))
    assert drawn is not None
    assert drawn.shape[1] == 1280


def test_command_without_a_picture_says_how_to_get_one(shared: Path, tmp_path: Path) -> None:
    arguments = [str(shared / "scenes" / "radial_wall"), "--direction", "radial", "--runs", "left"]
    said = CliRunner().invoke(command, [*arguments, "--out", str(tmp_path / "view.json")]).output
    assert "aim again with --picture aim.png" in " ".join(said.split())
    assert "Look at" not in said


def test_a_person_who_points_at_the_inner_of_two_edges_gets_that_one() -> None:
    frames = _frames(Path(__file__).resolve().parents[2] / "sample_frames" / "lateral_before")
    outer = aim(frames, "lateral", "right", Hints())
    # The lip is a dozen pixels wide, and its inner edge is as clear as the outer one.
    inner = aim(frames, "lateral", "right", Hints(rim_at=(outer.rim_px[0] - 14.0, outer.rim_px[1])))
    assert 8.0 < outer.rim_px[0] - inner.rim_px[0] < 14.0
    assert inner.tip_px == pytest.approx(outer.tip_px, abs=1.0)
    assert inner.view.edges[0].rim_box[0] + inner.view.edges[0].rim_box[2] < sum(
        outer.view.edges[0].rim_box[::2]
    )


def test_spokes_that_bunch_beside_a_wheel_nearly_true_are_none_of_its_edges() -> None:
    folder = Path(__file__).resolve().parents[2] / "sample_frames" / "lateral_after"
    found = aim(_frames(folder)[::3], "lateral", None, Hints(runs="up"))
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    assert math.dist(found.tip_px, truth["tip_px"]) < 3.0
    gaps_px = [frame["gap_px"] for frame in truth["frames"]]
    assert min(gaps_px) - 1.0 < math.dist(found.rim_px, found.tip_px) < max(gaps_px) + 1.0


@pytest.mark.parametrize(("shown", "there"), [({10, 11, 12, 80, 81, 82}, True), (set(range(20, 80)), False)])
def test_a_mark_on_the_tyre_beyond_the_rim_is_found_and_what_always_passes_there_is_none(
    shared: Path, shown: set[int], there: bool
) -> None:
    folder, place_px = shared / "scenes" / "from_above_black", (30, 90)
    grey = [
        replace(frame, image=frame.image.mean(axis=2, keepdims=True).astype(np.uint8).repeat(3, axis=2))
        for frame in _frames(folder)
    ]
    for k in shown:
        top = 30 + 100 * (k % 3)
        grey[k].image[top : top + 60, slice(*place_px)] = (10, 100, 220)
    drawn = read_view(folder / "view.json")
    found = aim(grey, drawn.direction, drawn.edges[0].side, Hints())
    assert found.view.mark_box is not None
    x, _, width, _ = found.view.mark_box
    assert (x <= place_px[0] + 4 and place_px[1] - 4 <= x + width) == there
    assert any("No coloured mark" in note for note in found.notes) != there
