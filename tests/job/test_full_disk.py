"""On a full disk nothing is half-written, what was there stays, and one sentence says so."""

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from rimgauge.cli.demo import PASSES
from rimgauge.errors import BadFile
from rimgauge.job import (
    check_as_recorded,
    create_job,
    keep_pass,
    kept_picture,
    passes,
    read_pass,
    verify_job,
    write_measured,
    write_pass,
)
from tests.said import stopped
from tests.small_disk import mounted

POSIX = pytest.mark.skipif(os.name != "posix", reason="needs a disk that can be mounted")
PICTURE = b"\xff\xd8" + bytes(range(256)) * 40


@POSIX
@pytest.mark.parametrize("size_kib", [32, 64, 96, 128])
def test_a_full_disk_ends_in_one_sentence(tmp_path: Path, runout, size_kib: int) -> None:
    with mounted(tmp_path / "disk", f"size={size_kib}k") as disk:
        job = create_job(disk / "job", spokes=32)
        kept = 0

        def fill():
            nonlocal kept
            while True:
                keep_pass(job, runout, picture=PICTURE)
                kept += 1

        with pytest.raises(BadFile, match="the disk is full; free some space and run the command again"):
            fill()
        assert len(passes(job)) in (kept, kept + 1)  # the measurement may be there before the disk was full
        for path in passes(job):
            assert read_pass(path).source.used == runout.source.used
        assert {trouble.kind for trouble in verify_job(job.folder)} <= {"extra"}
        assert not list(disk.rglob("*.part"))
        pictures = {path.stem for path in disk.rglob("*.jpg")}
        assert pictures <= {path.stem for path in passes(job)}, "a picture without its measurement was left"


@pytest.mark.parametrize(
    ("code", "words"),
    [(errno.ENOSPC, "the disk is full; free"), (errno.EDQUOT, "your share of the disk is full; free")],
)
def test_a_full_disk_or_share_of_it_is_told_in_plain_words(
    tmp_path: Path, runout, monkeypatch, code: int, words: str
) -> None:
    def fail(_handle):
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr("rimgauge.job.disk.os.fsync", fail)
    with pytest.raises(BadFile, match=words):
        write_pass(tmp_path / "pass.json", runout)
    assert list(tmp_path.iterdir()) == []


@POSIX
def test_where_the_disk_is_full_the_measurement_of_before_stays_with_its_picture(
    tmp_path: Path, runout
) -> None:
    frames = tmp_path / "frame.jpg"
    frames.write_bytes(PICTURE)
    with mounted(tmp_path / "disk", "size=64k") as disk:
        path = disk / "pass.json"
        write_measured(path, runout, picture=PICTURE[:100], frames=[])
        before = {each.name: each.read_bytes() for each in disk.iterdir()}
        room = os.statvfs(disk)
        (disk / "full").write_bytes(bytes(room.f_bavail * room.f_frsize - 2 * len(PICTURE) - 4096))
        with pytest.raises(BadFile, match="the disk is full"):
            write_measured(path, runout, picture=PICTURE, frames=[frames])
        after = {each.name: each.read_bytes() for each in disk.iterdir() if each.name != "full"}
        assert after == before
        assert kept_picture(path, read_pass(path)) == PICTURE[:100]


@POSIX
def test_what_could_not_be_written_is_not_noted_as_begun(tmp_path: Path, runout, monkeypatch) -> None:
    job = create_job(tmp_path / "job", spokes=32)

    def fail(*_):
        raise BadFile("pass-01.json", "the disk is full")

    with monkeypatch.context() as full:
        full.setattr("rimgauge.job.disk.write_together", fail)
        full.setattr("rimgauge.job.recorded.disk.write_text", lambda path, text: path.write_text(text))
        with pytest.raises(BadFile):
            keep_pass(job, runout)
    write_pass(job.folder / "pass-01.json", runout)
    assert [trouble.kind for trouble in verify_job(job.folder)] == ["extra"]
    with pytest.raises(BadFile, match="was added to the job by hand"):
        check_as_recorded([job.folder / "pass-01.json"])


@POSIX
def test_a_demo_on_a_full_disk_ends_in_one_sentence(
    tmp_path: Path, runout, plan, capsys, monkeypatch
) -> None:
    monkeypatch.setattr(
        "rimgauge.cli.demo._measured", lambda *_: [(name, runout, PICTURE) for name in PASSES]
    )
    monkeypatch.setattr("rimgauge.correcting.readings_from_passes", lambda *_, **__: None)
    monkeypatch.setattr("rimgauge.correcting.correct", lambda *_, **__: plan)
    with mounted(tmp_path / "disk", "size=200k") as disk:
        code, said = stopped(["demo", "--out", disk / "demo"], capsys)
        left = {path.name for path in (disk / "demo").iterdir()}
    assert code == 1, said
    assert "the disk is full; free some space" in said
    assert "runout.png" not in left
    assert "plan-01.json" in left, "it was full before the picture, which this is about"


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs the device that is always full")
@pytest.mark.parametrize("words", [["--help"], ["jobs", "."], ["jobs", ".", "--json"]])
def test_words_that_a_full_disk_does_not_take_end_in_one_sentence(words: list[str]) -> None:
    with open("/dev/full", "w", encoding="utf-8") as full:
        done = subprocess.run(
            [sys.executable, "-m", "rimgauge", *words],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 1
    assert done.stderr == (
        "rimgauge: the disk is full, and what was still to be printed is lost; what was to be written may be there: "
        "free some space and look before running the command again\n"
    )
