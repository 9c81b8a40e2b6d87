"""A disk of a size that is soon full."""

import contextlib
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest


@contextlib.contextmanager
def mounted(place: Path, options: str) -> Iterator[Path]:
    """Mount a disk in memory, where the administrator runs the tests and may."""
    place.mkdir(exist_ok=True)
    command = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(place)]
    if shutil.which("mount") is None or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("no small disk can be mounted here")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)
