"""docs/formats.md names every field, and its examples are files that can be read."""

import json
import re
from pathlib import Path

import pytest

from rimgauge.job import (
    create_job,
    keep_pass,
    keep_plan,
    read_build,
    read_dish,
    read_plan,
    read_view,
    write_view,
)

FORMATS = Path(__file__).resolve().parents[2] / "docs" / "formats.md"


@pytest.fixture(scope="module")
def text():
    return FORMATS.read_text(encoding="utf-8")


def names(value):
    """Collect the names of all fields, however deep."""
    if isinstance(value, dict):
        for name, inside in value.items():
            yield name
            yield from names(inside)
    elif isinstance(value, list):
        for inside in value:
            yield from names(inside)


def test_every_field_that_is_written_is_documented(text, tmp_path, view, two_sided, plan):
    job = create_job(tmp_path / "wheel", spokes=32)
    write_view(job.folder / "view.json", view)
    keep_pass(job, two_sided)
    keep_plan(job, plan)
    written = {name for path in job.folder.glob("*.json") for name in names(json.loads(path.read_bytes()))}
    assert len(written) > 70
    assert {name for name in written if not re.search(rf"\b{name}\b", text)} == set()


@pytest.mark.parametrize(
    "example_of",
    [
        ("view.json", "json", read_view),
        ("plan-NN.json", "json", read_plan),
        ("dish-NN.json", "json", read_dish),
        ("wheel.toml", "toml", read_build),
    ],
)
def test_the_examples_are_files_that_can_be_read(text, tmp_path, example_of):
    section, language, read = example_of
    example = re.search(rf"## `{re.escape(section)}`\n.*?```{language}\n(.*?)```", text, re.DOTALL)
    path = tmp_path / section
    path.write_text(example[1], encoding="utf-8")
    assert read(path)
