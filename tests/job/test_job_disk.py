"""A file is there whole, or as it was before; every trouble is one sentence."""

import errno
import os
import signal
import subprocess
import sys
import time

import pytest

from rimgauge.errors import BadFile
from rimgauge.job import read_pass, write_pass, write_view

NOT_FOR_ROOT = pytest.mark.skipif(
    os.name == "nt" or (hasattr(os, "geteuid") and os.geteuid() == 0),
    reason="permissions don't bind the administrator",
)


@pytest.mark.parametrize(
    "failing",
    [
        ("replace", errno.EACCES, "check its permissions"),
        ("fsync", errno.ENOSPC, "the disk is full; free some space"),
        ("fsync", errno.EROFS, "can only be read; choose another place"),
        ("replace", errno.EIO, "error"),
    ],
)
def test_a_write_that_fails_leaves_the_old_file(monkeypatch, view, tmp_path, failing):
    step, number, words = failing
    path = tmp_path / "view.json"
    write_view(path, view)
    before = path.read_bytes()

    def fail(*_):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, step, fail)
    with pytest.raises(BadFile, match=words) as caught:
        write_view(path, view)
    assert caught.value.path == str(path)
    assert path.read_bytes() == before
    assert [found.name for found in tmp_path.iterdir()] == ["view.json"]


def test_an_interrupt_leaves_the_old_file(monkeypatch, view, tmp_path):
    path = tmp_path / "view.json"
    path.write_text("old", encoding="utf-8")

    def stop(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "replace", stop)
    with pytest.raises(KeyboardInterrupt):
        write_view(path, view)
    assert path.read_text(encoding="utf-8") == "old"
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGKILL")
def test_a_kill_at_any_moment_leaves_a_whole_file(runout, tmp_path):
    path = tmp_path / "pass.json"
    write_pass(path, runout)
    program = (
        "import sys; from pathlib import Path; from rimgauge.job import read_pass, write_pass\n"
        "path = Path(sys.argv[1]); record = read_pass(path); print('ready', flush=True)\n"
        "while True: write_pass(path, record)"
    )
    for delay_s in (0.0, 0.003, 0.011, 0.017, 0.029):
        with subprocess.Popen([sys.executable, "-c", program, str(path)], stdout=subprocess.PIPE) as writer:
            assert writer.stdout.readline().strip() == b"ready"
            time.sleep(delay_s)
            writer.send_signal(signal.SIGKILL)
        assert read_pass(path).source.used == runout.source.used
        assert [found.name for found in tmp_path.iterdir() if not found.name.startswith(".")] == ["pass.json"]


def test_no_such_folder(view, tmp_path):
    with pytest.raises(BadFile, match=r"can't be written, for there is no folder .*nowhere; make it first"):
        write_view(tmp_path / "nowhere" / "view.json", view)


def test_a_folder_of_that_name(view, tmp_path):
    with pytest.raises(BadFile, match="is a folder, not a file"):
        write_view(tmp_path, view)


def test_a_name_too_long(view, tmp_path):
    with pytest.raises(BadFile, match="the name is too long"):
        write_view(tmp_path / ("a" * 300), view)


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs the device that is always full")
def test_a_device_is_written_to_and_stays_a_device(view, tmp_path):
    link = tmp_path / "view.json"
    link.symlink_to("/dev/full")
    with pytest.raises(BadFile, match="the disk is full"):
        write_view(link, view)
    assert not os.path.isfile("/dev/full")


def test_a_link_stays_a_link(view, tmp_path):
    target, link = tmp_path / "far.json", tmp_path / "view.json"
    target.write_text("old", encoding="utf-8")
    try:
        link.symlink_to(target)
    except OSError:
        pytest.skip("this system makes no links")
    write_view(link, view)
    assert link.is_symlink()
    assert target.read_text(encoding="utf-8").startswith("{")


@NOT_FOR_ROOT
def test_a_folder_that_may_not_be_written(view, tmp_path):
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(BadFile, match="check its permissions"):
            write_view(tmp_path / "view.json", view)
    finally:
        tmp_path.chmod(0o700)
