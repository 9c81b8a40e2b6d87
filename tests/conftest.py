"""Fixtures that several kinds of test share."""

import os
from pathlib import Path

import pytest

from rimgauge.cli import LIBRARIES

# As the command line does, before numpy is loaded.
os.environ.update(
    {name: value for name, value in LIBRARIES.items() if "THREADS" in name and name not in os.environ}
)

SHARED = Path(os.environ.get("RIMGAUGE_SHARED", Path(__file__).resolve().parents[2] / "shared"))


@pytest.fixture(scope="session")
def shared() -> Path:
    """Folder of outside material that lies beside the checkout; tests that need it skip without it."""
    if not (SHARED / "scenes").is_dir():
        pytest.skip(f"the folder of rendered scenes and reference data is not at {SHARED}")
    return SHARED
