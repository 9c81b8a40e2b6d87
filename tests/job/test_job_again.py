"""`rimgauge verify` works measurements out again, and finds what was changed even where the sums fit."""

import json
import random
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rimgauge import recheck
from rimgauge.capture import Frame
from rimgauge.cli import run
from rimgauge.errors import BadFile, NotTrustworthy
from rimgauge.job import Job, create_job, keep_pass, read_pass, update_manifest, write_pass
from rimgauge.pipeline import reckon
from rimgauge.recheck import check_pass
from rimgauge.records import Runout, SideRunout, Source, View, WheelInView
from tests.seen import edge_track, gap_track, turning_by_mark

SPOKES = 28


def measured(
    view: View,
    *,
    noise_px: float = 0.02,
    frames: int = 200,
    other: SideRunout | None = None,
    start_spoke: int | None = None,
    way: int = 1,
    common_deg: float = 0.0,
) -> Runout:
    """Two and a bit revolutions of a rim with a bend of 0.3 mm, seen by two pointers; one frame lost."""
    rng = np.random.default_rng(4)
    angle_deg = way * np.linspace(-30.0, 790.0, frames)
    rim_px = 0.3 * np.cos(2 * np.radians(angle_deg)) / view.scale.mm_per_px
    sides = []
    for edge in view.edges:
        toward = 1.0 if edge.side == "left" else -1.0
        gap_px = 30.0 + toward * rim_px + rng.normal(0.0, noise_px, frames)
        gap_px[17] = np.nan
        ones = np.ones(frames)
        sides.append(
            edge_track(
                gap_px,
                noise_px,
                edge.side,
                quality=ones if edge.side == "right" else 0.6 * ones,
                ahead_px=0.0 if edge.side == "right" else 30.0,
            )
        )
    lost = tuple("covered" if k == 17 else "" for k in range(frames))
    seen = gap_track(np.arange(frames) / 30, *sides, lost=lost)
    turning = replace(turning_by_mark(angle_deg, 0.2), common_uncertainty_deg=common_deg)
    return reckon(
        seen,
        turning,
        view,
        WheelInView(
            spoke_angles_deg=(np.arange(SPOKES) + 0.5) * 360 / SPOKES,
            flanges=("right", "left") * (SPOKES // 2),
            start_spoke=start_spoke,
        ),
        tolerance_mm=0.5,
        created="2026-01-31T12:00:00+00:00",
        source=Source(kind="frames", name="front", frames=0, used=0, sha256="0f" * 32, every=3),
        other=other,
    )


@pytest.fixture
def job(tmp_path: Path, view: View) -> Job:
    made = create_job(tmp_path / "wheel", spokes=SPOKES)
    keep_pass(made, measured(view), picture=b"\xff\xd8 as if it were a picture")
    return made


def test_a_record_comes_out_the_same(job: Job, capsys: pytest.CaptureFixture) -> None:
    run(["verify", str(job.folder)])
    said = capsys.readouterr().out
    assert "all 3 files are as recorded" in said
    assert "pass-01.json comes out the same from the values of its 200 frames" in said
    run(["verify", str(job.folder), "--json"])
    answer = json.loads(capsys.readouterr().out)
    assert answer["sound"] is True
    assert [
        (check["same"], check["spokes_uncertainties_compared"]) for check in answer["worked_out_again"]
    ] == [(True, True)]


def test_reading_a_measurement_gives_back_every_number_it_rests_on(job: Job, view: View) -> None:
    again, made = read_pass(job.folder / "pass-01.json"), measured(view)
    np.testing.assert_array_equal(again.frames.gap_mm, made.frames.gap_mm)
    np.testing.assert_array_equal(again.basis.gap_standard_error_mm, made.basis.gap_standard_error_mm)
    np.testing.assert_array_equal(
        again.basis.angle_standard_uncertainty_deg, made.basis.angle_standard_uncertainty_deg
    )
    assert again.basis.ahead_mm.tolist() == [0.0, 30.0 * view.scale.mm_per_px]
    assert again.basis.view.edges[1].side == "left"
    assert again.basis.view.scale.mm_per_px == view.scale.mm_per_px
    assert again.basis.software.startswith("rimgauge ")


@pytest.mark.parametrize("ahead_mm", [-1e308, 1001.0])
def test_an_edge_read_out_of_all_bounds_ahead_is_named(tmp_path: Path, view: View, ahead_mm: float) -> None:
    write_pass(tmp_path / "pass.json", measured(view))
    fields = json.loads((tmp_path / "pass.json").read_text(encoding="utf-8"))
    fields["basis"]["ahead_mm"][1] = ahead_mm
    (tmp_path / "pass.json").write_text(json.dumps(fields), encoding="utf-8")
    with pytest.raises(BadFile, match=r"basis\.ahead_mm\[1\] must be"):
        read_pass(tmp_path / "pass.json")


def test_a_frame_is_as_good_as_the_worse_of_its_two_pointers(view: View) -> None:
    made = measured(view)
    assert set(made.frames.quality.tolist()) == {0.6}
    assert (made.source.frames, made.source.used) == (200, 199)


@pytest.mark.parametrize("way", [1, -1])
def test_a_wheel_that_was_turned_backward_is_said_to_be(view: View, way: int) -> None:
    assert any("turned backward" in note for note in measured(view, way=way).notes) == (way < 0)


def test_what_the_other_direction_adds_is_taken_off_again(tmp_path: Path, view: View) -> None:
    alone = measured(view)
    path = tmp_path / "pass.json"
    write_pass(path, measured(view, other=replace(alone.sides[0], side="outer")))
    assert read_pass(path).total_runout.value != pytest.approx(alone.total_runout.value, rel=0.01)
    assert [check.differences for check in check_pass(path)] == [()]


class _Kept:
    """Pictures kept with a measurement, as `kept_source` gives them, by a clock that has stopped."""

    name = "kept"

    def __init__(self, sha256: str) -> None:
        self._sha256 = sha256

    def __enter__(self) -> "_Kept":
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def __iter__(self):
        return (Frame(index, 0.0, np.zeros((1, 1, 3), np.uint8)) for index in range(200))

    def sha256(self) -> str:
        return self._sha256


def test_pictures_are_measured_again_at_their_times_and_with_what_was_told(
    tmp_path: Path, view: View, monkeypatch: pytest.MonkeyPatch
) -> None:
    made, asked = measured(view, start_spoke=7), []

    def see(frames, view, wheel):
        asked.append(([frame.time_s for frame in frames], view, wheel.start_spoke))
        raise NotTrustworthy("asked enough")

    monkeypatch.setattr(recheck, "see", see)
    kept = {(tmp_path, 3): _Kept(made.source.sha256)}  # of every so many frames as were read
    monkeypatch.setattr(recheck, "kept_source", lambda folder, every: kept[folder, every])
    with pytest.raises(NotTrustworthy):
        recheck.from_pictures(made, tmp_path)
    assert asked == [(made.frames.time_s.tolist(), view, 7)]
    monkeypatch.setattr(recheck, "kept_source", lambda *_: _Kept("ff" * 32))
    with pytest.raises(BadFile, match="not the pictures that were measured"):
        recheck.from_pictures(made, tmp_path)


def _forge(job: Job, change) -> None:
    """Change fields of the measurement and make every sum fit again, as a clever hand could."""
    path = job.folder / "pass-01.json"
    fields = json.loads(path.read_text(encoding="utf-8"))
    change(fields)
    path.write_text(json.dumps(fields), encoding="utf-8")
    update_manifest(job, ours=[path])


def _set(path: str, value: object):
    def change(fields: dict) -> None:
        *way, last = [int(part) if part.isdecimal() else part for part in path.split("/")]
        for part in way:
            fields = fields[part]
        fields[last] = value

    return change


@pytest.mark.parametrize(
    ("path", "value", "named"),
    [
        ("total_runout_mm/value", 0.2, "total_runout_mm.value is recorded as 0.2, but comes out as 0.6"),
        ("verdict/outcome", "within", "verdict.outcome is recorded as within, but comes out as undecided"),
        ("sides/0/spokes/7/runout_mm", 0.0, "sides[0].spokes[7].runout_mm is recorded as 0, but comes out"),
        ("sides/1/zones/0/spokes", [1], "sides[1].zones[0].spokes is recorded as 1 entries"),
        ("frames/gap_mm/0/40", 3.0, "sides[0]."),
        ("frames/angle_deg/40", 0.0, "sides[0]."),
        ("basis/view/scale/standard_uncertainty_mm_per_px", 0.01, "total_runout_mm.expanded_uncertainty"),
    ],
)
def test_a_forged_value_with_sums_that_fit_is_found(
    job: Job, path: str, value: object, named: str, capsys: pytest.CaptureFixture
) -> None:
    _forge(job, _set(path, value))
    with pytest.raises(SystemExit) as leave:
        run(["verify", str(job.folder)])
    assert leave.value.code == 1
    said = capsys.readouterr().out
    assert "does NOT come out the same" in said
    assert named in said


def test_a_forged_total_is_found_however_little_it_is_off(job: Job) -> None:
    path = job.folder / "pass-01.json"
    made = read_pass(path).total_runout
    for off_mm, found in ((5e-6, ["total_runout_mm.value"]), (5e-7, [])):
        _forge(job, _set("total_runout_mm/value", made.value + off_mm))
        assert [each.field for each in check_pass(path)[0].differences] == found


def test_a_measurement_without_its_basis_is_not_called_sound(job: Job, capsys: pytest.CaptureFixture) -> None:
    _forge(job, lambda fields: fields.pop("basis"))
    with pytest.raises(SystemExit):
        run(["verify", str(job.folder)])
    assert "could NOT be worked out again" in capsys.readouterr().out


def _as_older_programs_wrote(fields: dict, lacks: tuple[str, ...]) -> None:
    """Leave out what errs alike, which they neither recorded nor counted at the spokes."""
    for side in fields["sides"]:
        if "repeated_error_mm" in lacks:
            del side["repeated_error_mm"]
        for spoke in side["spokes"]:
            spoke["standard_uncertainty_mm"] *= 0.4
    if "angle_common_uncertainty_deg" in lacks:
        del fields["basis"]["angle_common_uncertainty_deg"]


@pytest.mark.parametrize(
    "lacks",
    [
        ("repeated_error_mm",),
        ("angle_common_uncertainty_deg",),
        ("repeated_error_mm", "angle_common_uncertainty_deg"),
    ],
)
def test_a_measurement_of_an_older_program_comes_out_the_same_and_a_forged_one_does_not(
    job: Job, lacks: tuple[str, ...], capsys: pytest.CaptureFixture
) -> None:
    _forge(job, lambda fields: _as_older_programs_wrote(fields, lacks))
    run(["verify", str(job.folder)])
    said = " ".join(capsys.readouterr().out.split())
    assert "comes out the same from the values of its 200 frames. How unsure its spokes are was not" in said
    run(["verify", str(job.folder), "--json"])
    (check,) = json.loads(capsys.readouterr().out)["worked_out_again"]
    assert (check["same"], check["spokes_uncertainties_compared"]) == (True, False)
    _forge(job, _set("sides/0/spokes/7/runout_mm", 0.0))
    assert [each.field for each in check_pass(job.folder / "pass-01.json")[0].differences] == [
        "sides[0].spokes[7].runout_mm"
    ]


def test_a_measurement_of_before_pixels_counted_comes_out_the_same_and_a_forged_one_does_not(
    tmp_path: Path,
) -> None:
    """Written by the program as it was at ad29519: of what every turn shows alike it had all but 0.02 of a pixel."""
    older = Path(__file__).with_name("pass_of_an_older_program.json")
    (check,) = check_pass(older)
    assert (check.same, check.older) == (True, False)
    for path, value in (
        ("sides/0/repeated_error_mm", 0.0),
        ("sides/0/spokes/7/standard_uncertainty_mm", 0.001),
        ("total_runout_mm/expanded_uncertainty", 0.001),
    ):
        fields = json.loads(older.read_text(encoding="utf-8"))
        _set(path, value)(fields)
        forged = tmp_path / "pass.json"
        forged.write_text(json.dumps(fields), encoding="utf-8")
        differ = [each.field for each in check_pass(forged)[0].differences]
        assert [re.sub(r"\[(\d+)\]", r"/\1", field).replace(".", "/") for field in differ] == [path]


def test_spokes_surer_than_they_come_out_are_found_where_all_is_recorded(job: Job) -> None:
    _forge(job, lambda fields: _as_older_programs_wrote(fields, ()))
    found = check_pass(job.folder / "pass-01.json")[0].differences
    assert {each.field.rsplit(".")[-1] for each in found} == {"standard_uncertainty_mm"}


def test_what_all_angles_are_off_by_together_is_kept_and_counts_at_the_spokes(
    tmp_path: Path, view: View
) -> None:
    path = tmp_path / "pass.json"
    plain, unsure = measured(view), measured(view, common_deg=1.0)
    write_pass(path, unsure)
    assert read_pass(path).basis.angle_common_uncertainty_deg == 1.0
    ratio = unsure.sides[0].spoke_standard_uncertainty_mm / plain.sides[0].spoke_standard_uncertainty_mm
    assert ratio.max() > 1.5
    assert [check.differences for check in check_pass(path)] == [()]


def test_one_flipped_bit_anywhere_is_named_by_the_command(job: Job, capsys: pytest.CaptureFixture) -> None:
    (job.folder / "pass-01-frames").mkdir()
    (job.folder / "pass-01-frames" / "000000.jpg").write_bytes(bytes(range(200)))
    run(["report", str(job.folder), "--picture", str(_picture(job.folder.parent))])
    update_manifest(job, [job.folder / "pass-01-frames"])
    chance = random.Random(20260731)
    files = [path for path in sorted(job.folder.rglob("*")) if path.is_file() and path.name != ".lock"]
    assert len(files) == 6
    for path in files:
        data = path.read_bytes()
        for place in {0, len(data) - 1, *(chance.randrange(len(data)) for _ in range(40))}:
            spoilt = bytearray(data)
            spoilt[place] ^= 1 << chance.randrange(8)
            path.write_bytes(spoilt)
            with pytest.raises(SystemExit) as leave:
                run(["verify", str(job.folder)])
            assert leave.value.code == 1
            assert path.relative_to(job.folder).as_posix() in capsys.readouterr().out, place
        path.write_bytes(data)


def _picture(folder: Path) -> Path:
    import cv2  # noqa: PLC0415

    path = folder / "picture.png"
    cv2.imwrite(str(path), np.full((40, 60, 3), 90, np.uint8))
    return path


def test_noise_of_the_last_digit_is_no_difference(tmp_path: Path, view: View) -> None:
    """Another processor rounds otherwise: a relative change of 1e-13 in every gap must not look like forgery."""
    made = measured(view)
    path = tmp_path / "pass.json"
    write_pass(path, made)
    fields = json.loads(path.read_text(encoding="utf-8"))
    shaken = [[gap and gap * (1 + 1e-13) for gap in row] for row in fields["frames"]["gap_mm"]]
    fields["frames"]["gap_mm"] = shaken
    path.write_text(json.dumps(fields), encoding="utf-8")
    assert [check.differences for check in check_pass(path)] == [()]
