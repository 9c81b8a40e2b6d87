"""The job folder: started, found, added to, and every change in it named."""

import dataclasses
import json
import random
import subprocess
import sys

import pytest

from rimgauge.errors import BadFile, BadInput
from rimgauge.job import (
    check_as_recorded,
    create_job,
    find_job,
    hold,
    keep_pass,
    keep_plan,
    kept_picture,
    latest,
    next_path,
    open_job,
    passes,
    plans,
    read_build,
    read_manifest,
    read_pass,
    update_manifest,
    verify_job,
    view_path,
    write_pass,
    write_view,
)
from rimgauge.job.recorded import begin
from rimgauge.job.start import wheel_text
from rimgauge.wheel import READY_MADE


@pytest.fixture
def job(tmp_path):
    return create_job(tmp_path / "ein Rad, schön 🚲", spokes=32, crossings=3)


def named(troubles):
    return {(trouble.kind, trouble.file) for trouble in troubles}


# --- starting and finding ---


@pytest.mark.parametrize("name", ["plain", 'a "quoted" \\ name', "räd 👨‍🔧", "# no comment", "{spokes}"])
def test_a_new_job_reads_back(tmp_path, name):
    job = create_job(tmp_path / "wheel", spokes=28, name=name, kind="light alloy", crossings=0)
    build = read_build(job.wheel)
    assert build["name"] == name
    assert (build["spokes"], build["kind"], build["crossings"]) == (28, "light alloy", 0)
    assert verify_job(job.folder) == ()


def test_what_is_not_known_is_left_out_of_the_wheel_file(tmp_path):
    build = read_build(create_job(tmp_path / "wheel", spokes=36).wheel)
    assert {name: value for name, value in build.items() if value != {}} == {"name": "wheel", "spokes": 36}


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"spokes": 0}, "a wheel has 4 to 60 spokes, not 0"),
        ({"spokes": 61}, "a wheel has 4 to 60 spokes, not 61"),
        ({"spokes": 32, "crossings": 8}, "crossings must be 7 or less with 32 spokes"),
        ({"spokes": 32, "name": "a\nb"}, "letters that can't be printed"),
    ],
)
def test_a_job_that_can_not_be_leaves_nothing_behind(tmp_path, values, words):
    with pytest.raises(BadInput, match=words):
        create_job(tmp_path / "wheel", **values)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("name", ["CON", "nul.wheel", "lpt1", "wheel.", "what?", "a:b"])
def test_a_name_that_some_system_could_not_hold(tmp_path, name):
    with pytest.raises(BadInput, match="can't be the name of a folder on every system"):
        create_job(tmp_path / name, spokes=32)


def test_a_folder_that_holds_something_is_refused(tmp_path, job):
    with pytest.raises(BadInput, match="is there already and not empty"):
        create_job(job.folder, spokes=32, crossings=3)
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(BadFile, match="is there already"):
        create_job(tmp_path / "file", spokes=32)


def test_a_start_that_was_interrupted_is_finished_by_the_same_call(job):
    (job.folder / "manifest.json").unlink()
    again = create_job(job.folder, spokes=32, crossings=3)
    assert verify_job(again.folder) == ()


def test_a_mistyped_number_of_spokes_is_mended_by_typing_it_again(job):
    create_job(job.folder, spokes=36, crossings=3, kind="light alloy")
    assert read_build(job.wheel)["spokes"] == 36
    assert verify_job(job.folder) == ()
    filled_in = job.wheel.read_text(encoding="utf-8").replace("# limit_n", "limit_n")
    job.wheel.write_text(filled_in, encoding="utf-8")
    with pytest.raises(BadInput, match=r"not empty; choose another name; to change the wheel .* wheel\.toml"):
        create_job(job.folder, spokes=32)
    assert job.wheel.read_text(encoding="utf-8") == filled_in
    create_job(job.folder.parent / "other", spokes=35)
    (job.folder.parent / "other" / "view.json").write_text("{}", encoding="utf-8")
    with pytest.raises(BadInput, match="not empty"):
        create_job(job.folder.parent / "other", spokes=36)


def test_a_job_is_found_from_inside_it(job, tmp_path):
    inside = job.folder / "frames" / "lateral"
    inside.mkdir(parents=True)
    assert find_job(inside).folder == job.folder.resolve()
    assert find_job(tmp_path) is None
    assert open_job(job.folder).wheel == job.wheel
    with pytest.raises(BadFile, match=r"is no job: there is no wheel\.toml"):
        open_job(tmp_path)
    with pytest.raises(BadFile, match="there is no such folder"):
        open_job(tmp_path / "none")


# --- results ---


def test_results_are_numbered(job, runout, plan):
    for _ in range(11):
        last = keep_pass(job, runout)
    assert last.name == "pass-11.json"
    assert [path.name for path in passes(job)][:2] == ["pass-01.json", "pass-02.json"]
    assert keep_plan(job, plan).name == "plan-01.json"
    assert [path.name for path in plans(job)] == ["plan-01.json"]
    assert next_path(job, "readings").name == "readings-01.csv"


def test_numbers_go_on_past_ninety_nine(job):
    for number in (99, 100, 7):
        (job.folder / f"pass-{number:02d}.json").write_text("{}", encoding="utf-8")
    assert [path.name for path in passes(job)] == ["pass-07.json", "pass-99.json", "pass-100.json"]
    assert next_path(job, "pass").name == "pass-101.json"


def test_the_number_of_a_deleted_result_is_not_given_again(job, runout):
    keep_pass(job, runout).unlink()
    assert keep_pass(job, runout).name == "pass-02.json"
    assert named(verify_job(job.folder)) == {("missing", "pass-01.json")}


def test_the_latest_of_each_direction(job, runout):
    radial = dataclasses.replace(runout, direction="radial")
    keep_pass(job, runout)
    second = keep_pass(job, runout)
    third = keep_pass(job, radial)
    assert latest(job, "lateral") == second
    assert latest(job, "radial") == third
    third.unlink()
    assert latest(job, "radial") is None


def test_each_direction_has_its_view(job, view):
    assert view_path(job, "lateral").name == "view-lateral.json"
    write_view(job.folder / "view.json", view)
    assert view_path(job, "lateral").name == "view.json"
    assert view_path(job, "radial").name == "view-radial.json"
    write_view(job.folder / "view-lateral.json", view)
    assert view_path(job, "lateral").name == "view-lateral.json"


# --- evidence ---


def test_every_flipped_bit_is_found_and_named(job, runout, plan, view):
    write_view(job.folder / "view.json", view)
    keep_pass(job, runout)
    keep_plan(job, plan)
    (job.folder / "frames").mkdir()
    (job.folder / "frames" / "000001.jpg").write_bytes(bytes(range(256)))
    update_manifest(job, [job.folder / "frames"])
    assert verify_job(job.folder) == ()
    chance = random.Random(20260131)
    files = [
        path for path in sorted(job.folder.rglob("*")) if path.is_file() and not path.name.startswith(".")
    ]
    assert len(files) == 6
    for path in files:
        data = path.read_bytes()
        for place in {0, len(data) - 1, *(chance.randrange(len(data)) for _ in range(12))}:
            spoilt = bytearray(data)
            spoilt[place] ^= 1 << chance.randrange(8)
            path.write_bytes(spoilt)
            (trouble,) = verify_job(job.folder)
            assert trouble.file == path.relative_to(job.folder).as_posix()
            assert trouble.file in trouble.words
        path.write_bytes(data)
    assert verify_job(job.folder) == ()


def test_every_bit_of_the_manifest_counts(job):
    path = job.folder / "manifest.json"
    data = path.read_bytes()
    for bit in range(len(data) * 8):
        spoilt = bytearray(data)
        spoilt[bit // 8] ^= 1 << bit % 8
        path.write_bytes(spoilt)
        assert {trouble.file for trouble in verify_job(job.folder)} == {"manifest.json"}, bit


def test_missing_and_extra_files_are_named(job, runout):
    keep_pass(job, runout).unlink()
    (job.folder / "pass-02.json").write_text("{}", encoding="utf-8")
    (job.folder / ".hidden").write_text("", encoding="utf-8")
    (job.folder / "Thumbs.db").write_text("", encoding="utf-8")
    assert named(verify_job(job.folder)) == {("missing", "pass-01.json"), ("extra", "pass-02.json")}


def test_a_changed_result_is_not_recorded_as_good_by_the_next_one(job, runout):
    first = keep_pass(job, runout)
    first.write_bytes(first.read_bytes().replace(b"2.7", b"2.8"))
    keep_pass(job, runout)
    assert named(verify_job(job.folder)) == {("changed", "pass-01.json")}
    update_manifest(job, ours=[first])
    assert verify_job(job.folder) == ()


def test_what_a_person_writes_is_recorded_anew(job):
    with job.wheel.open("a", encoding="utf-8") as file:
        file.write("# changed\n")
    assert named(verify_job(job.folder)) == {("changed", "wheel.toml")}
    update_manifest(job)
    assert verify_job(job.folder) == ()


def test_what_a_killed_command_left_is_used_and_what_was_made_by_hand_is_not(job, runout):
    path = job.folder / "pass-01.json"
    write_pass(path, runout)
    with pytest.raises(BadFile, match="added to the job by hand"):
        check_as_recorded([path])
    begin(job.folder, "pass-01")
    check_as_recorded([path])


def test_the_picture_of_the_worst_place_is_only_the_one_that_was_kept(job, runout):
    path = keep_pass(job, runout, picture=b"\xff\xd8 the worst place")
    kept = read_pass(path)
    assert kept_picture(path, kept) == b"\xff\xd8 the worst place"
    path.with_suffix(".jpg").write_bytes(b"\xff\xd8 another place")
    assert kept_picture(path, kept) is None


def test_a_folder_is_recorded_and_not_what_only_begins_with_its_name(job):
    (job.folder / "notes").mkdir()
    for name in ("notes/one.txt", "notes.txt"):
        (job.folder / name).write_text("seen", encoding="utf-8")
    update_manifest(job, [job.folder / "notes"])
    assert named(verify_job(job.folder)) == {("extra", "notes.txt")}


def test_the_fingerprint_follows_the_record_and_not_the_pages_made_from_it(job, runout):
    start = read_manifest(job.folder).fingerprint
    keep_pass(job, runout)
    measured = read_manifest(job.folder).fingerprint
    (job.folder / "report.pdf").write_bytes(b"%PDF")
    update_manifest(job, [job.folder / "report.pdf"])
    assert start != measured
    assert read_manifest(job.folder).fingerprint == measured
    assert verify_job(job.folder) == ()


def test_a_broken_manifest_loses_no_measurement(job, runout):
    (job.folder / "manifest.json").write_text("{", encoding="utf-8")
    with pytest.raises(BadFile, match=r"manifest\.json: is not JSON"):
        keep_pass(job, runout)
    assert read_pass(job.folder / "pass-01.json").revolutions == runout.revolutions


@pytest.mark.parametrize("name", ["../outside", "/etc/hostname", "a/../../b", ""])
def test_a_manifest_that_points_outside_the_job_is_refused(job, name):
    path = job.folder / "manifest.json"
    fields = json.loads(path.read_text(encoding="utf-8"))
    fields["files"][0]["name"] = name
    path.write_text(json.dumps(fields), encoding="utf-8")
    (trouble,) = verify_job(job.folder)
    assert "must be the name of a file inside the job" in trouble.words


def test_verify_needs_a_job(tmp_path):
    with pytest.raises(BadFile, match="there is no such folder"):
        verify_job(tmp_path / "none")
    with pytest.raises(BadFile, match="is no job"):
        verify_job(tmp_path)


def test_two_processes_do_not_write_at_once(job, runout, monkeypatch):
    program = (
        "import sys; from pathlib import Path; from rimgauge.job import hold, open_job\n"
        "with hold(open_job(Path(sys.argv[1]))): print('held', flush=True); sys.stdin.read()"
    )
    command = [sys.executable, "-c", program, str(job.folder)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout.readline().strip() == b"held"
        monkeypatch.setattr("rimgauge.job.keep.PATIENCE_S", 0.0)
        with pytest.raises(BadInput, match="another rimgauge is writing to this job"):
            keep_pass(job, runout)
        other.kill()
    with hold(job):
        pass
    assert keep_pass(job, runout).name == "pass-01.json"


def test_a_new_wheel_file_lists_the_kinds_there_are():
    """A room doesn't import another, so that the list stands there in words."""
    text = wheel_text(spokes=32, name="", kind=None, crossings=None)
    assert all(f'"{kind}"' in text for kind in READY_MADE)
