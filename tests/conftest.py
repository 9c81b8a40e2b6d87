"""Fixtures that several kinds of test share."""

import os
from pathlib import Path

import pytest

SHARED = Path(os.environ.get("RIMGAUGE_SHARED", Path(__file__).resolve().parents[2] / "shared"))


@pytest.fixture(scope="session")
def shared() -> Path:
    """Folder of outside material that lies beside the checkout; tests that need it skip without it."""
    if not (SHARED / "scenes").is_dir():
        pytest.skip(f"the folder of rendered scenes and reference data is not at {SHARED}")
    return SHARED
