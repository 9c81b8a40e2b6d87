"""A view to take a scale in."""

import pytest

from rimgauge.job import write_view
from tests.seen import lateral_view


@pytest.fixture
def view():
    """A lateral view whose pointer comes from the right."""
    return lateral_view()


@pytest.fixture
def view_file(view, tmp_path):
    write_view(tmp_path / "view.json", view)
    return tmp_path / "view.json"
