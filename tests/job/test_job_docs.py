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


FIXED = {
    "view.json": "direction image_size positive forward edges.side edges.pointer_box edges.rim_box mark_box "
    "mark_to_pointer_deg spoke_box scale.mm_per_px scale.standard_uncertainty_mm_per_px scale.method "
    "lens.camera_matrix lens.distortion lens.rms_px",
    "pass-01.json": "direction created source.kind source.name source.frames source.used source.sha256 revolutions "
    "total_runout_mm.value total_runout_mm.expanded_uncertainty total_runout_mm.coverage_probability sides.side "
    "sides.mean_gap_mm sides.total_runout_mm.value sides.non_repeatable_mm sides.harmonics.order "
    "sides.harmonics.amplitude_mm sides.harmonics.phase_deg sides.curve.angle_deg sides.curve.runout_mm "
    "sides.spokes.number sides.spokes.side sides.spokes.angle_deg sides.spokes.runout_mm "
    "sides.spokes.standard_uncertainty_mm sides.zones.centre_deg sides.zones.width_deg sides.zones.peak_mm "
    "sides.zones.spokes uncertainty_budget.source uncertainty_budget.standard_uncertainty_mm verdict.tolerance_mm "
    "verdict.rule verdict.outcome frames.time_s frames.angle_deg frames.gap_mm frames.quality",
    "plan-01.json": "round corrections.order corrections.spoke corrections.side corrections.turns corrections.words "
    "predicted.lateral_mm predicted.radial_mm predicted.dish_mm predicted.tension_spread_right "
    "predicted.tension_spread_left predicted.highest_tension_n before.lateral_mm before.highest_tension_n "
    "bound.objective bound.proved cautions refused",
}
"""Fields that other programs rely on, with dots between group and field."""


def paths(value, before=""):
    """Name every field by the way to it; the entries of a list share theirs."""
    if isinstance(value, dict):
        for name, inside in value.items():
            yield f"{before}{name}"
            yield from paths(inside, f"{before}{name}.")
    elif isinstance(value, list):
        for inside in value:
            yield from paths(inside, before)


def test_the_fields_that_other_programs_rely_on_are_written(tmp_path, view, runout, plan):
    job = create_job(tmp_path / "wheel", spokes=32)
    write_view(job.folder / "view.json", view)
    keep_pass(job, runout)
    keep_plan(job, plan)
    for name, fixed in FIXED.items():
        fields = json.loads((job.folder / name).read_bytes())
        assert fields["format"] == f"rimgauge-{name.partition('.')[0].removesuffix('-01')}"
        assert fields["version"] == 1
        assert set(fixed.split()) - set(paths(fields)) == set(), name
    assert (
        len(json.loads((job.folder / "pass-01.json").read_bytes())["sides"][0]["curve"]["angle_deg"]) == 720
    )
