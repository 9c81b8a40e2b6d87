"""Whatever is wrong with the frames, the view or the wheel: one sentence, no traceback, no file."""

import json
import math
import shutil
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from rimgauge.cli import run
from rimgauge.cli.scene import write_scene
from rimgauge.records import scale_trouble
from rimgauge.scene import SceneSpec, random_curve
from tests.said import stopped

SPOKE_RMS_MM = 0.02
"""As of drawn frames in their own order."""
SAMPLE = Path(__file__).resolve().parents[2] / "sample_frames" / "lateral_before"


@pytest.fixture
def few(tmp_path: Path) -> Path:
    """Forty frames of the sample with its view: under one revolution."""
    folder = tmp_path / "few"
    folder.mkdir()
    for picture in sorted((SAMPLE / "frames").iterdir())[:40]:
        shutil.copy(picture, folder)
    shutil.copy(SAMPLE / "view.json", tmp_path)
    return folder


def refused(
    capsys: pytest.CaptureFixture[str],
    frames: Path,
    view: Path,
    *,
    wheel: tuple[str, str] = ("--spokes", "28"),
) -> str:
    """Measure frames, which must end in a sentence without a traceback and leave no file; give the sentence."""
    out = view.parent / "pass.json"
    with pytest.raises(SystemExit) as leave:
        run(["measure", str(frames), "--view", str(view), *wheel, "--out", str(out)])
    assert leave.value.code not in (0, None)
    assert not out.exists()
    said = capsys.readouterr().err
    assert "Traceback" not in said
    return said


def changed_view(path: Path, **changes: object) -> None:
    fields = json.loads(path.read_text(encoding="utf-8"))
    fields.update(changes)
    path.write_text(json.dumps(fields), encoding="utf-8")


def emptied(few: Path) -> None:
    for picture in few.iterdir():
        picture.unlink()


def with_no_picture(few: Path) -> None:
    (few / "000003.jpg").write_bytes(b"this is not a picture")


def with_a_smaller_picture(few: Path) -> None:
    cv2.imwrite(str(few / "000005.jpg"), cv2.resize(cv2.imread(str(few / "000005.jpg")), (320, 180)))


def at_rest(few: Path) -> None:
    for picture in sorted(few.iterdir())[1:]:
        shutil.copy(few / "000000.jpg", picture)


def as_they_are(few: Path) -> None:
    """Less than one revolution."""


@pytest.mark.parametrize(
    ("spoilt", "named"),
    [
        (shutil.rmtree, "few"),
        (emptied, "no pictures"),
        (with_no_picture, "000003.jpg"),
        (with_a_smaller_picture, "320 × 180"),
        (at_rest, "does not turn"),
        (as_they_are, "turn"),
    ],
)
def test_frames_that_show_no_revolution(
    few: Path, capsys: pytest.CaptureFixture[str], spoilt: Callable[[Path], None], named: str
) -> None:
    spoilt(few)
    assert named in refused(capsys, few, few.parent / "view.json")


SCALE = {"standard_uncertainty_mm_per_px": 0.001, "method": "typed"}


@pytest.mark.parametrize("last_s", ["9007199254740993", "1e300"])
def test_a_time_that_no_film_has(few: Path, capsys: pytest.CaptureFixture[str], last_s: str) -> None:
    rows = [f"{frame},{frame / 30:.6f}" for frame in range(39)] + [f"39,{last_s}"]
    (few / "times.csv").write_text("\n".join(["frame,time_s", *rows]) + "\n", encoding="utf-8")
    said = refused(capsys, few, few.parent / "view.json")
    assert "most follow one another by 0.0333 s" in said
    assert "times.csv" in said


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"mark_box": [600, 10, 90, 341]}, "mark_box"),
        ({"scale": {"mm_per_px": 0.0, **SCALE}}, "view.json"),
        ({"scale": {"mm_per_px": math.nan, **SCALE}}, "view.json"),
    ],
)
def test_a_view_that_can_not_be(
    few: Path, capsys: pytest.CaptureFixture[str], changes: dict[str, object], named: str
) -> None:
    view = few.parent / "view.json"
    changed_view(view, **changes)
    assert named in refused(capsys, few, view)


@pytest.mark.parametrize(
    ("mm_per_px", "says"),
    [
        (0.00016, "would show 0.1 mm, and no camera"),
        (0.0155, "would show 9.9 mm, and no camera"),
        (1.01, "wider than a pointer's tip"),
        (2.4, "would show 1.54 m, where a whole wheel is 0.7 m"),
    ],
)
def test_a_scale_that_no_picture_of_a_rim_has(
    few: Path, capsys: pytest.CaptureFixture[str], mm_per_px: float, says: str
) -> None:
    view = few.parent / "view.json"
    changed_view(view, scale={"mm_per_px": mm_per_px, **SCALE})
    said = refused(capsys, few, view)
    assert f"view.json: scale.mm_per_px can't be {mm_per_px}" in said
    assert says in said
    assert "rimgauge scale" in said


@pytest.mark.parametrize(
    ("mm_per_px", "image_size"),
    [(0.0157, (360, 640)), (0.0014, (7680, 4320)), (0.99, (320, 240)), (0.195, (4320, 7680))],
)
def test_the_scales_at_the_ends_of_what_can_be_are_taken(
    mm_per_px: float, image_size: tuple[int, int]
) -> None:
    assert scale_trouble(mm_per_px, image_size) is None


@pytest.mark.parametrize("box", [[20, 20, 40, 40], [20, 200, 60, 60], [550, 20, 40, 40], [400, 300, 50, 50]])
def test_no_pointer_where_it_should_be(few: Path, capsys: pytest.CaptureFixture[str], box: list[int]) -> None:
    view = few.parent / "view.json"
    fields = json.loads(view.read_text(encoding="utf-8"))
    fields["edges"][0]["pointer_box"] = box
    changed_view(view, edges=fields["edges"])
    said = refused(capsys, few, view)
    assert "pointer" in said
    assert "box" not in said, "a person knows of no boxes"


@pytest.mark.parametrize(("turns_per_s", "fps", "seed"), [(2.7, 30.0, 9)])
def test_wheel_too_fast_for_the_frames_is_not_taken_for_a_slow_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], turns_per_s: float, fps: float, seed: int
) -> None:
    # By a tenth of a turn a frame; its spokes then look as if they went a fourth of the way.
    rng = np.random.default_rng(seed)
    lateral, radial = random_curve(rng, 1.0), random_curve(rng, 0.3)
    spec = SceneSpec(
        lateral_mm=lateral,
        radial_mm=radial,
        turns_per_s=turns_per_s,
        fps=fps,
        frames=110,
        exposure_s=0.003,
        seed=seed,
    )
    folder = tmp_path / "fast"
    write_scene(folder, spec)
    wheel = ("--wheel", str(folder / "wheel.toml"))
    said = refused(capsys, folder / "frames", folder / "view.json", wheel=wheel)
    assert "too fast" in said or "more slowly" in said


def test_wheel_turned_backward_is_followed_and_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # The sample's frames from the last to the first.
    pictures = sorted((SAMPLE / "frames").iterdir())
    folder = tmp_path / "backward"
    folder.mkdir()
    for number, picture in enumerate(reversed(pictures)):
        shutil.copy(picture, folder / f"{number:06d}.jpg")
    out = tmp_path / "pass.json"
    view = str(SAMPLE / "view.json")
    run(["measure", str(folder), "--view", view, "--spokes", "28", "--out", str(out), "--keep", "none"])
    assert "turned backward" in capsys.readouterr().out
    spokes = json.loads(out.read_text(encoding="utf-8"))["sides"][0]["spokes"]
    truth = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))["spokes"]
    wanted = {spoke["number"]: spoke["apparent_runout_mm"] for spoke in truth}
    off = [spoke["runout_mm"] - wanted[spoke["number"]] for spoke in spokes]
    assert np.sqrt(np.mean(np.square(off))) <= SPOKE_RMS_MM


@pytest.mark.parametrize("spokes", ["0", "7.5"])
def test_spokes_no_wheel_has(spokes: str, few: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "spokes" in refused(capsys, few, few.parent / "view.json", wheel=("--spokes", spokes))


def test_wheel_file_with_an_unknown_key(few: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wheel = few.parent / "wheel.toml"
    wheel.write_text("spokes = 28\ncolour = 'blue'\n", encoding="utf-8")
    assert "colour" in refused(capsys, few, few.parent / "view.json", wheel=("--wheel", str(wheel)))


def test_mark_never_seen_in_its_box(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    view = tmp_path / "view.json"
    shutil.copy(SAMPLE / "view.json", view)
    changed_view(view, mark_box=[20, 10, 60, 341])
    said = refused(capsys, SAMPLE / "frames", view)
    assert "mark" in said
    assert "tape" in said


def test_mark_alone_on_a_wheel_pushed_by_hand(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # A radial view: too little of the rim's side stays in the picture from frame to frame to tell its slide.
    view, radial = tmp_path / "view.json", SAMPLE.parent / "radial_after"
    shutil.copy(radial / "view.json", view)
    changed_view(view, spoke_box=None)
    said = refused(capsys, radial / "frames", view)
    assert "spokes would tell it, but none could be followed: put something plain behind them" in said
    assert "spin freely" in said


@pytest.mark.parametrize("command", ["measure", "show"])
def test_a_view_without_a_scale_is_named_with_what_to_type(
    command: str, few: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    view = few.parent / "view.json"
    changed_view(view, scale=None)
    code, said = stopped([command, few, "--view", view, "--spokes", "28"], capsys)
    assert code == 1
    assert f"{view}: this view has no scale yet" in said
    assert f"rimgauge scale --view {view} --checkerboard sheet.jpg" in said
    assert "a camera's number in place of sheet.jpg" in said
    monkeypatch.chdir(view.parent)
    _, said = stopped([command, few, "--view", view, "--spokes", "28"], capsys)
    assert "view.json: this view has no scale yet" in said, "as short as it can be typed"
    assert "rimgauge scale --view view.json --checkerboard sheet.jpg" in said
