"""A view to take a scale in."""

import numpy as np
import pytest

from rimgauge.job import write_view
from rimgauge.records import Edge, View


@pytest.fixture
def view():
    """A lateral view whose pointer comes from the right."""
    return View(
        direction="lateral",
        image_size=(640, 360),
        positive=np.array([1.0, 0.0]),
        forward=np.array([0.0, 1.0]),
        edges=(Edge(side="right", pointer_box=(331, 153, 45, 53), rim_box=(299, 140, 36, 81)),),
    )


@pytest.fixture
def view_file(view, tmp_path):
    write_view(tmp_path / "view.json", view)
    return tmp_path / "view.json"
