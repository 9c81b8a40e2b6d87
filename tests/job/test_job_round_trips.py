"""What was written comes back to the last digit."""

import dataclasses
import json

import numpy as np
import pytest

from rimgauge.errors import BadFile
from rimgauge.job import read_pass, read_plan, read_view, write_pass, write_plan, write_view


def assert_same(one, other):
    assert type(one) is type(other)
    if dataclasses.is_dataclass(one):
        for field in dataclasses.fields(one):
            assert_same(getattr(one, field.name), getattr(other, field.name))
    elif isinstance(one, np.ndarray):
        np.testing.assert_array_equal(one, other, strict=True)
    elif isinstance(one, tuple):
        assert len(one) == len(other)
        for pair in zip(one, other, strict=True):
            assert_same(*pair)
    else:
        np.testing.assert_equal(one, other)


@pytest.mark.parametrize(
    ("name", "write", "read"),
    [
        ("view", write_view, read_view),
        ("runout", write_pass, read_pass),
        ("two_sided", write_pass, read_pass),
        ("plan", write_plan, read_plan),
    ],
)
def test_a_record_comes_back_as_it_was(request, tmp_path, name, write, read):
    record = request.getfixturevalue(name)
    path = tmp_path / "ein Straßenrad 🚲.json"
    write(path, record)
    assert_same(read(path), record)
    first = path.read_bytes()
    write(path, read(path))
    assert path.read_bytes() == first


def test_empty_parts_of_a_view_come_back(view, tmp_path):
    bare = dataclasses.replace(view, mark_box=None, mark_to_pointer_deg=None, scale=None, lens=None)
    write_view(tmp_path / "view.json", bare)
    assert_same(read_view(tmp_path / "view.json"), bare)


def test_a_refused_plan_comes_back(plan, tmp_path):
    refused = dataclasses.replace(plan, corrections=(), refused="the tension would pass the limit")
    write_plan(tmp_path / "plan.json", refused)
    assert_same(read_plan(tmp_path / "plan.json"), refused)


def test_gaps_are_one_list_for_one_side_and_a_list_a_side_for_two(runout, two_sided, tmp_path):
    for record, shape in ((runout, (4,)), (two_sided, (2, 4))):
        write_pass(tmp_path / "pass.json", record)
        gaps = json.loads((tmp_path / "pass.json").read_text(encoding="utf-8"))["frames"]["gap_mm"]
        assert np.array(gaps).shape == shape


def test_what_gave_nothing_is_null_in_the_file(runout, tmp_path):
    write_pass(tmp_path / "pass.json", runout)
    text = (tmp_path / "pass.json").read_text(encoding="utf-8")
    assert json.loads(text)["frames"]["angle_deg"] == [-10.0, None, 350.0, 365.0]
    assert "NaN" not in text


def test_a_zone_without_start_and_end_gets_them_from_its_width(runout, tmp_path):
    path = tmp_path / "pass.json"
    write_pass(path, runout)
    fields = json.loads(path.read_text(encoding="utf-8"))
    del (
        fields["sides"][0]["zones"][0]["start_deg"],
        fields["sides"][0]["zones"][0]["end_deg"],
        fields["notes"],
    )
    path.write_text(json.dumps(fields), encoding="utf-8")
    zone = read_pass(path).sides[0].zones[0]
    assert (zone.start_deg, zone.end_deg) == (345.0, 35.0)
    assert read_pass(path).notes == ()


def test_numpy_numbers_in_a_record_are_written_as_plain_ones(runout, tmp_path):
    source = dataclasses.replace(runout.source, used=np.int64(3))
    record = dataclasses.replace(runout, source=source, revolutions=np.float64(2.5))
    write_pass(tmp_path / "pass.json", record)
    assert read_pass(tmp_path / "pass.json").source.used == 3


def test_a_name_that_is_no_text_survives(runout, tmp_path):
    name = b"frames\xff".decode("utf-8", "surrogateescape")
    record = dataclasses.replace(runout, source=dataclasses.replace(runout.source, name=name))
    write_pass(tmp_path / "pass.json", record)
    assert read_pass(tmp_path / "pass.json").source.name == name


def test_what_could_not_be_read_back_is_not_written(runout, tmp_path):
    bad = dataclasses.replace(runout, revolutions=float("nan"))
    with pytest.raises(BadFile, match=r"pass\.json: revolutions must be a finite number"):
        write_pass(tmp_path / "pass.json", bad)
    assert not list(tmp_path.iterdir())
