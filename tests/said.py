"""What a command says that must stop."""

import pytest

from rimgauge.cli import run


def stopped(words, capsys):
    """Run a command that must stop; give its exit code and its one sentence."""
    with pytest.raises(SystemExit) as leave:
        run([str(word) for word in words])
    said = capsys.readouterr().err
    assert "Traceback" not in said
    assert len(said.strip().splitlines()) == 1, said
    return leave.value.code, said
