"""A job outlives kills, a limit on files, a second process, media that can't be written, odd names and odd clocks."""

import dataclasses
import datetime
import json
import os
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from rimgauge.cli import run
from rimgauge.cli.measure_kept import Kept, Target
from rimgauge.errors import BadFile, BadInput
from rimgauge.job import (
    Job,
    create_job,
    frames_path,
    hold,
    keep_pass,
    keep_plan,
    keep_view,
    kept_picture,
    manifest,
    open_job,
    passes,
    plans,
    read_manifest,
    read_pass,
    read_plan,
    update_manifest,
    verify_job,
    write_pass,
    write_plan,
)
from tests.said import stopped
from tests.small_disk import mounted

POSIX = pytest.mark.skipif(os.name != "posix", reason="needs signals and fork")
PICTURE = b"\xff\xd8" + bytes(range(256)) * 40
FRAMES = 3

WRITER = textwrap.dedent("""
    import os, shutil, signal, sys
    from pathlib import Path
    from rimgauge.job import keep_pass, keep_plan, open_job, read_pass, read_plan

    PICTURE = b"\\xff\\xd8" + bytes(range(256)) * 40

    def write(folder, given):
        job = open_job(folder)
        runout, plan = read_pass(given / "pass.json"), read_plan(given / "plan.json")
        keep_pass(job, runout, picture=PICTURE, frames=sorted((given / "frames").iterdir()))
        keep_plan(job, plan)
""")
"""What a process does that is killed: a measurement with picture and frames, and a plan."""


@pytest.fixture
def given(tmp_path: Path, runout, plan) -> Path:
    """Lay out what is to be written, and frames to be kept."""
    folder = tmp_path / "given"
    (folder / "frames").mkdir(parents=True)
    for number in range(FRAMES):
        (folder / "frames" / f"{number:06d}.jpg").write_bytes(PICTURE + bytes([number]))
    write_pass(folder / "pass.json", runout)
    write_plan(folder / "plan.json", plan)
    return folder


def check_whole(folder: Path) -> None:
    """Reopen a job after a kill: every file is whole, nothing recorded is missing, and work goes on."""
    job = open_job(folder)
    for path in passes(job):
        runout = read_pass(path)
        assert kept_picture(path, runout) == PICTURE
        assert len(list(frames_path(path).iterdir())) == FRAMES
    for path in plans(job):
        read_plan(path)
    assert {trouble.kind for trouble in verify_job(folder)} <= {"extra"}
    update_manifest(job)
    assert verify_job(folder) == ()
    assert not [path.name for path in folder.iterdir() if path.is_dir() and path.name.startswith(".")]


@POSIX
def test_a_kill_before_any_step_on_the_disk_leaves_a_job_that_goes_on(
    given: Path, tmp_path: Path, runout
) -> None:
    """The process is killed before its first, second, third, .. opening, renaming, syncing, until it gets through."""
    program = WRITER + textwrap.dedent("""
        given, place = Path(sys.argv[1]), Path(sys.argv[2])
        fsync = os.fsync

        def die_at(number):
            steps = 0
            def step(event, *_):
                nonlocal steps
                if event in ("open", "os.rename", "os.mkdir", "os.remove", "os.rmdir", "fsync"):
                    steps += 1
                    if steps == number:
                        os.kill(os.getpid(), signal.SIGKILL)
            os.fsync = lambda handle: (step("fsync"), fsync(handle))
            sys.addaudithook(step)

        number = 0
        while True:
            number += 1
            folder = shutil.copytree(place / "start", place / f"killed at {number}")
            child = os.fork()
            if not child:
                die_at(number)
                write(folder, given)
                os._exit(0)
            if os.waitpid(child, 0)[1] == 0:
                break
        print(number)
    """)
    create_job(tmp_path / "start", spokes=32)
    command = [sys.executable, "-c", program, str(given), str(tmp_path)]
    steps = int(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    assert steps > 40
    killed = sorted(tmp_path.glob("killed at *"))
    assert len(killed) == steps
    frames = sorted((given / "frames").iterdir())
    there = set()
    for folder in killed:
        check_whole(folder)
        before = len(passes(open_job(folder)))
        there.add(before)
        keep_pass(open_job(folder), runout, picture=PICTURE, frames=frames)
        check_whole(folder)
        assert len(passes(open_job(folder))) == before + 1
    assert there == {0, 1}


def test_processes_side_by_side_lose_nothing(given: Path, tmp_path: Path) -> None:
    program = WRITER + "for _ in range(3): write(Path(sys.argv[2]), Path(sys.argv[1]))"
    job = create_job(tmp_path / "job", spokes=32)
    command = [sys.executable, "-c", program, str(given), str(job.folder)]
    for writer in [subprocess.Popen(command) for _ in range(3)]:
        assert writer.wait() == 0
    assert len(passes(job)) == len(plans(job)) == 9
    assert verify_job(job.folder) == ()
    check_whole(job.folder)


@POSIX
@pytest.mark.parametrize("room", [0, 100, 6_000, 12_000])
def test_a_limit_on_the_size_of_files_ends_in_one_sentence(given: Path, tmp_path: Path, room: int) -> None:
    program = WRITER + textwrap.dedent("""
        import resource
        from rimgauge.errors import RimgaugeError
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]), resource.RLIM_INFINITY))
        try:
            write(Path(sys.argv[2]), Path(sys.argv[1]))
        except RimgaugeError as trouble:
            print(trouble)
    """)
    job = create_job(tmp_path / "job", spokes=32)
    command = [sys.executable, "-c", program, str(given), str(job.folder), str(room)]
    said = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    assert said.count("\n") == 1
    assert "there is no room for a file of this size; free some space" in said
    assert str(job.folder) in said
    check_whole(job.folder)


@POSIX
def test_media_that_can_only_be_read(tmp_path: Path, runout, capsys) -> None:
    with mounted(tmp_path / "disk", "size=1m") as disk:
        job = create_job(disk / "job", spokes=4)
        keep_pass(job, runout)
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        with pytest.raises(BadFile, match="job: lies on a disk that can only be read; choose another place"):
            keep_pass(job, runout)
        with pytest.raises(BadFile, match="lies on a disk that can only be read"):
            create_job(disk / "other", spokes=32)
        assert verify_job(job.folder) == ()
        run(["jobs", str(disk)])
        assert "1 job. At first 0 within, 1 out, 0 undecided" in capsys.readouterr().out
        run(["report", str(job.folder), "--out", str(tmp_path / "report.html")])
        assert (tmp_path / "report.html").is_file()
        code, said = stopped(["report", str(job.folder)], capsys)
        assert code == 1
        assert "can only be read" in said


def test_a_measurement_is_not_begun_where_it_could_not_be_written(
    tmp_path: Path, capsys, monkeypatch
) -> None:
    monkeypatch.setattr("rimgauge.pipeline.see", lambda *_, **__: pytest.fail("it was begun"))
    sample = Path(__file__).resolve().parents[2] / "sample_frames" / "lateral_before"
    arguments = ["measure", str(sample), "--view", str(sample / "view.json"), "--spokes", "28", "--out"]
    for out, words in (
        (tmp_path / "no" / "pass.json", "there is no folder"),
        (tmp_path, "is a folder, not a file"),
        (tmp_path / "nul.json", "a name that Windows keeps for a device"),
    ):
        assert words in stopped([*arguments, str(out)], capsys)[1]
    assert list(tmp_path.iterdir()) == []


def test_a_result_that_can_not_be_written_is_still_shown(tmp_path: Path, two_sided, capsys) -> None:
    job = create_job(tmp_path / "job", spokes=32)
    target = Target(Kept(), job, Path("frames"))
    (job.folder / "manifest.json").write_text("{", encoding="utf-8")
    with pytest.raises(BadFile):
        target.write(two_sided, PICTURE, [])
    assert "Lateral runout: 0.84 ± 0.03 mm" in capsys.readouterr().err


def test_a_view_stays_as_it_was_where_the_manifest_is_damaged(tmp_path: Path, view) -> None:
    job = create_job(tmp_path / "job", spokes=16)
    path, picture = job.folder / "view-lateral.json", job.folder / "aim-lateral.png"
    keep_view(job, path, view)
    before = path.read_bytes()
    (job.folder / "manifest.json").write_text("{", encoding="utf-8")
    with pytest.raises(BadFile, match=r"manifest\.json"):
        keep_view(job, path, dataclasses.replace(view, scale=None), {picture: PICTURE})
    assert path.read_bytes() == before
    assert not picture.exists()


def test_a_command_waits_a_moment_for_another_one(tmp_path: Path, runout, monkeypatch) -> None:
    job = create_job(tmp_path / "job", spokes=32)
    program = (
        "import sys, time; from pathlib import Path; from rimgauge.job import hold, open_job\n"
        "with hold(open_job(Path(sys.argv[1]))): print('held', flush=True); time.sleep(0.5)"
    )
    with subprocess.Popen([sys.executable, "-c", program, str(job.folder)], stdout=subprocess.PIPE) as other:
        other.stdout.readline()
        assert keep_pass(job, runout).name == "pass-01.json"
    monkeypatch.setattr("rimgauge.job.keep.PATIENCE_S", 0.0)
    with hold(job), pytest.raises(BadInput, match="another rimgauge is writing to this job"):
        update_manifest(job)


def test_a_view_waits_for_the_job_too(tmp_path: Path, view, monkeypatch) -> None:
    job = create_job(tmp_path / "job", spokes=16)
    path, picture = job.folder / "view-lateral.json", job.folder / "aim-lateral.png"
    keep_view(job, path, view, {picture: PICTURE, tmp_path / "elsewhere.png": PICTURE})
    assert not verify_job(job.folder)
    before = path.read_bytes()
    monkeypatch.setattr("rimgauge.job.keep.PATIENCE_S", 0.1)
    with hold(job), pytest.raises(BadInput, match="another rimgauge is writing to this job"):
        keep_view(job, path, dataclasses.replace(view, scale=None))
    assert path.read_bytes() == before


def test_a_half_made_copy_of_frames_is_swept_away(tmp_path: Path, runout) -> None:
    job = create_job(tmp_path / "job", spokes=32)
    left = job.folder / ".rimgauge-0123456789ab.part"
    left.mkdir()
    (left / "000000.jpg").write_bytes(PICTURE)
    keep_pass(job, runout)
    assert not left.exists()


@pytest.mark.parametrize("name", ["Jörg's Rad, hinten 🚲", "ひらがな", "a  b", "-wheel", "#1 100% & more"])
def test_a_job_of_any_name_goes_all_the_way(tmp_path: Path, runout, plan, name: str, monkeypatch) -> None:
    job = create_job(tmp_path / name, spokes=4)
    keep_pass(job, runout, picture=None)
    keep_plan(job, plan)
    monkeypatch.chdir(job.folder)
    run(["report", "--out", "report.html"])
    assert verify_job(Path()) == ()
    assert open_job(tmp_path / name).folder.name == name


@pytest.mark.parametrize("name", ["nul", "COM1.json", "lpt³.csv", "Aux .json", "conin$"])
def test_a_file_is_never_named_like_a_device(tmp_path: Path, runout, name: str) -> None:
    with pytest.raises(BadFile, match="a name that Windows keeps for a device"):
        write_pass(tmp_path / name, runout)
    assert list(tmp_path.iterdir()) == []


def test_a_clock_that_jumps_changes_no_order(tmp_path: Path, runout, monkeypatch) -> None:
    job = create_job(tmp_path / "job", spokes=32)
    started = read_manifest(job.folder).created
    for number, year in enumerate((2031, 1999, 2026), start=1):
        jumped = f"{year}-01-01T00:00:00+00:00"
        monkeypatch.setattr(manifest, "now", lambda jumped=jumped: jumped)
        path = keep_pass(job, dataclasses.replace(runout, created=jumped))
        os.utime(path, (datetime.datetime(year, 1, 1, tzinfo=datetime.UTC).timestamp(),) * 2)
        assert path.name == f"pass-{number:02d}.json"
    assert [read_pass(path).created[:4] for path in passes(job)] == ["2031", "1999", "2026"]
    assert read_manifest(job.folder).created == started
    assert verify_job(Job(folder=job.folder).folder) == ()
    text = (job.folder / "manifest.json").read_text(encoding="utf-8")
    assert [result["created"][:4] for result in json.loads(text)["results"]] == ["2031", "1999", "2026"]
