"""Numbered tags beside the spokes: drawn, aimed at, read through smear, and turned into the wheel's angle."""

import json
import math
import tracemalloc
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from rimgauge.capture import ReadAhead, TagFinder, open_source, track
from rimgauge.cli import run
from rimgauge.cli.scene import write_scene
from rimgauge.errors import FrameTrouble, NotTrustworthy
from rimgauge.job import read_view
from rimgauge.records import TagSightings
from rimgauge.scene import Scene, SceneSpec, random_curve
from rimgauge.scene.texture import tag_angles_deg, tagged_spokes
from rimgauge.signal import Layout, LivePlace, Tagged, tag_likelihood
from rimgauge.signal.smooth_curve import SmoothCurve
from rimgauge.signal.tagged import (
    DEPTH_UNSURE,
    SCALE_SD,
    SIGHTING_SD_DEG,
    STUCK_SD_DEG,
    in_words,
    tagged,
    tags_say,
)
from tests.said import stopped
from tests.seen import edge_track, gap_track

ANGLE_DEG = 0.3
"""95 % error aimed at with mark and spokes; tags are to be as good."""
STUCK_DEG = 0.35
"""A tag is drawn up to about 1.5 mm beside its spoke (three standard deviations of 0.5 mm)."""
PLACE_DEG = 0.1
"""Perspective of a bed 4 mm behind the edge, at the picture's border: 2 % of 4°."""


def spec(direction, **changes):
    rng = np.random.default_rng(7)
    lateral_mm, radial_mm = random_curve(rng, 1.0), random_curve(rng, 0.3)
    usual = {"spokes": 28, "crossings": 2, "tags": 1, "turns_per_s": 0.25, "frames": 220, "seed": 7}
    return SceneSpec(lateral_mm=lateral_mm, radial_mm=radial_mm, direction=direction, **(usual | changes))


@pytest.fixture(scope="module", params=["lateral", "radial"])
def drawn(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("tags") / request.param
    return folder, write_scene(folder, spec(request.param, turning="rocks"))


def test_aim_finds_tags_and_measure_tells_the_angle_by_them(drawn, tmp_path: Path, capsys):
    folder, truth = drawn
    view, out = tmp_path / "view.json", tmp_path / "pass.json"
    run(["aim", str(folder / "frames"), "--direction", truth["direction"], "--out", str(view)])
    assert "by tags" in capsys.readouterr().out
    fields = json.loads(view.read_text(encoding="utf-8"))
    assert fields["tag_box"] is not None
    fields["scale"] = json.loads((folder / "view.json").read_text(encoding="utf-8"))["scale"]
    view.write_text(json.dumps(fields), encoding="utf-8")
    wheel = str(folder / "wheel.toml")
    run(["measure", str(folder / "frames"), "--view", str(view), "--wheel", wheel, "--out", str(out)])
    assert "Angle of the wheel from: tags" in capsys.readouterr().out
    angle_deg = np.array(json.loads(out.read_text(encoding="utf-8"))["frames"]["angle_deg"], dtype=float)
    off = (angle_deg - [frame["wheel_angle_deg"] for frame in truth["frames"]] + 180.0) % 360.0 - 180.0
    assert np.isfinite(off).mean() > 0.9
    assert np.nanpercentile(np.abs(off), 95) <= ANGLE_DEG
    start = ["measure", str(folder / "frames"), "--view", str(view), "--wheel", wheel, "--start-spoke", "5"]
    assert "leave --start-spoke out" in stopped([*start, "--out", str(tmp_path / "start.json")], capsys)[1]


@pytest.mark.parametrize("direction", ["lateral", "radial"])
@pytest.mark.parametrize("smear_mm", [0.0, 1.7, 3.7])
def test_a_tag_is_read_where_it_stands_though_motion_smears_it(direction, smear_mm):
    scene = Scene(spec(direction, tag_mm=9.0))
    finder = TagFinder((0, 0, 640, 360), scene.camera.forward, 640)
    per_deg_px = np.radians(scene.spec.radius_mm) / scene.camera.mm_per_px
    angles_deg, numbers = tag_angles_deg(scene.spec), tagged_spokes(scene.spec)
    # The tag's middle just past the pointer: all of it is in the picture.
    for place in (2, 9, 17):
        picture = scene.photograph(angles_deg[place] + 0.7, np.degrees(smear_mm / scene.spec.radius_mm))
        seen = [tag for tag in finder.find(scene.expose(picture)) if tag[0] == numbers[place]]
        assert len(seen) == 1
        past_px = (seen[0][1].mean(axis=0) - scene.tip_px) @ scene.camera.forward
        assert abs(past_px / per_deg_px - 0.7) < PLACE_DEG


def test_tags_stand_beside_their_spokes():
    scene = spec("lateral", tags=3)
    spokes = tagged_spokes(scene)
    assert spokes.tolist() == [1, 4, 7, 10, 13, 16, 19, 22, 25, 28]
    assert np.abs(tag_angles_deg(scene) - scene.spoke_angles_deg[spokes - 1]).max() < STUCK_DEG


def track_of(frame, number, along_px):
    return gap_track(
        np.arange(60) / 30.0,
        edge_track(np.ones(60), 1.0),
        tags=TagSightings(frame=np.array(frame), number=np.array(number), along_px=np.array(along_px)),
    )


FIVE_VISITS = np.arange(60), np.arange(60) // 12, 10.0 * (np.arange(60) % 12)
LAYOUT = Layout(spoke_angles_deg=np.arange(20) * 18.0 + 9.0, px_per_deg=40.0)


def test_tags_in_falling_order_are_refused_and_in_rising_order_taken():
    frame, visit, along_px = FIVE_VISITS
    assert tagged(track_of(frame, 3 + visit, along_px), LAYOUT).numbers == (3, 4, 5, 6, 7)
    with pytest.raises(NotTrustworthy, match="numbers fall"):
        tagged(track_of(frame, 7 - visit, along_px), LAYOUT)
    # Turned backward, tags stuck right come in falling order and run the other way.
    assert tagged(track_of(frame, 7 - visit, -along_px), LAYOUT) is not None


def test_what_tags_say_is_the_joint_least_squares_and_takes_little_memory():
    """The reference: one system of the curve's coefficients, the scale and each tag's place, solved as a whole."""
    frames, pieces = 12_000, 100
    angle_deg = np.linspace(0.0, 700.0, frames)
    curve = SmoothCurve.over(np.linspace(0.0, 10.0, frames), 10.0 / pieces)
    random = np.random.default_rng(1)
    number = (np.round((angle_deg - 9.0) / 18.0).astype(int) % 20) + 1
    spoke_deg = LAYOUT.spoke_angles_deg[number - 1]
    past_deg = (angle_deg - spoke_deg + 180.0) % 360.0 - 180.0 + random.normal(0.0, 0.05, frames)
    seen = Tagged(frame=np.arange(frames), number=number, spoke_deg=spoke_deg, past_deg=past_deg)
    tracemalloc.start()
    normal, right, _ = tags_say(seen, angle_deg, 1.0, curve)
    peak_bytes = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak_bytes < frames * pieces * 8, "as much as one full matrix of frames by coefficients"
    tags = (number[:, None] == np.arange(1, 21)).astype(float)
    design = np.column_stack([curve.design.toarray(), -past_deg, -tags])
    weight = 1.0 / (SIGHTING_SD_DEG**2 + (DEPTH_UNSURE * past_deg) ** 2)
    known = np.diag([0.0] * curve.design.shape[1] + [1.0 / SCALE_SD**2] + [1.0 / STUCK_SD_DEG**2] * 20)
    target = angle_deg + (spoke_deg + past_deg - angle_deg + 180.0) % 360.0 - 180.0
    whole = np.linalg.solve(design.T * weight @ design + known, design.T @ (weight * target))
    assert_allclose(np.linalg.solve(normal, right), whole[: len(right)], rtol=0, atol=1e-3)


def test_without_a_mark_not_to_see_one_says_nothing():
    """A wheel at rest at 0°, where a mark would be, is as surely there as one at rest elsewhere."""
    surely = []
    for spoke_deg in (0.0, 90.0):
        place = LivePlace(interval_s=1.0 / 30.0, spoke_period_deg=360.0, marked=False)
        one = np.zeros(1, dtype=np.int64)
        at = Tagged(frame=one, number=one + 1, spoke_deg=np.array([spoke_deg]), past_deg=np.zeros(1))
        by_tags = tag_likelihood(at, one, 1)
        told = [
            place.step(k / 30.0, math.nan, np.empty(0), np.empty(0), by_tags if k < 10 else None)
            for k in range(14)
        ]
        surely.append([now.standard_deviation_deg for now in told])
    assert_allclose(surely[0], surely[1], rtol=1e-3, atol=0)


def test_between_tags_the_spokes_look_holds_the_angle_once_it_was_learnt():
    """Tags are read in a tenth of a turn; a spoke that is brighter than the next tells the rest."""
    place = LivePlace(interval_s=1.0 / 30.0, spoke_period_deg=360.0, marked=False)
    one = np.zeros(1, dtype=np.int64)
    off = []
    for k in range(240):
        angle_deg = 4.0 * k % 360.0
        bins = angle_deg + np.arange(40.0)
        profile = 100.0 + 40.0 * np.cos(np.radians(3.0 * bins)) + 30.0 * np.sin(np.radians(7.0 * bins))
        at = Tagged(frame=one, number=one + 1, spoke_deg=np.array([angle_deg]), past_deg=np.zeros(1))
        by_tags = tag_likelihood(at, one, 1) if angle_deg % 80.0 < 8.0 else None
        now = place.step(k / 30.0, math.nan, profile[:, None], np.zeros(1), by_tags)
        known = now.standard_deviation_deg < 4.0
        off.append((now.angle_deg - angle_deg + 180.0) % 360.0 - 180.0 if known else math.nan)
    assert np.isfinite(off[:90]).mean() < 0.5
    assert np.isfinite(off[150:]).mean() > 0.95
    assert np.nanmax(np.abs(off)) < 4.0


def test_a_tag_of_another_wheel_is_named():
    frame, visit, along_px = FIVE_VISITS
    with pytest.raises(NotTrustworthy, match="number 22"):
        tagged(track_of(frame, 18 + visit, along_px), LAYOUT)


@pytest.mark.parametrize("drawn", ["lateral"], indirect=True)
def test_a_misplaced_tag_is_refused_and_named_where_its_neighbours_are_seen_with_it(
    drawn, tmp_path: Path, capsys
):
    folder, truth = drawn
    # Spoke 9 said to be nearly where spoke 10 is: its tag then stands where spoke 9 isn't.
    angles_deg = [spoke["angle_deg"] for spoke in truth["spokes"]]
    step = angles_deg[1] - angles_deg[0]
    angles_deg[8] += 0.95 * step
    wheel = tmp_path / "wheel.toml"
    wheel.write_text(f"spokes = 28\ncrossings = 2\nspoke_angles_deg = {angles_deg}\n", encoding="utf-8")
    view = str(folder / "view.json")
    with pytest.raises(SystemExit) as leave:
        run(["measure", str(folder / "frames"), "--view", view, "--wheel", str(wheel), "--keep", "none"])
    assert leave.value.code not in (0, None)
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "tag 9 stands 0.9 spokes away from spoke 9" in said


def test_numbers_are_named_briefly():
    assert in_words((1, 2, 3, 7, 9, 10)) == "tags 1 to 3, 7, 9, 10"


def test_a_film_of_another_size_ends_with_one_sentence_though_tags_are_looked_for_ahead(tmp_path):
    folder = tmp_path / "scene"
    write_scene(folder, spec("radial", frames=2))
    film = tmp_path / "film.mp4"
    writer = cv2.VideoWriter(str(film), cv2.VideoWriter.fourcc(*"mp4v"), 30.0, (1280, 720))
    for level in range(90):
        writer.write(np.full((720, 1280, 3), level, dtype=np.uint8))
    writer.release()
    for _ in range(3):
        # A thread that still decoded while the film was closed brought the whole process down.
        with open_source(str(film)) as frames, pytest.raises(FrameTrouble, match="1280 × 720"):
            track(ReadAhead(frames), read_view(folder / "view.json"))
