"""A command typed in the wrong folder says so, before it asks for files."""

from __future__ import annotations

import pytest

from rimgauge.cli import run


@pytest.mark.parametrize(
    "words",
    [
        ["plan"],
        ["compare"],
        ["compare", "--same"],
        ["report"],
        ["verify"],
        ["show", "0"],
        ["measure", "0"],
        ["scale", "--checkerboard", "sheet.jpg", "--square-mm", "5"],
    ],
)
def test_a_command_in_the_wrong_folder_says_that_there_is_no_job(tmp_path, monkeypatch, capsys, words):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as stopped:
        run(words)
    assert stopped.value.code == 2
    assert "no job folder here" in " ".join(capsys.readouterr().err.split())
