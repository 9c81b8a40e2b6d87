"""Every bad view, pass or plan gets one sentence that names the file and the field."""

import json
import re

import pytest

from rimgauge.errors import BadFile
from rimgauge.job import read_pass, read_plan, read_view, write_pass, write_plan, write_view

DROP = object()


def spoil(fields, dotted, value):
    """Put `value` (or nothing) where `dotted` points, e.g. sides[0].zones[0].spokes[1]."""
    *way, last = [int(part) if part.isdigit() else part for part in re.findall(r"[^.\[\]]+", dotted)]
    for part in way:
        fields = fields[part]
    if value is DROP:
        del fields[last]
    else:
        fields[last] = value


def check(path, write, read, record, *, dotted, value):
    """The spoilt file is refused, and the sentence holds the file's name and the dotted field."""
    write(path, record)
    fields = json.loads(path.read_text(encoding="utf-8"))
    spoil(fields, dotted, value)
    path.write_text(json.dumps(fields), encoding="utf-8")
    with pytest.raises(BadFile) as caught:
        read(path)
    sentence = str(caught.value)
    assert sentence.startswith(f"{path}: {dotted}"), sentence
    assert "\n" not in sentence
    return sentence


INF = float("inf")


@pytest.mark.parametrize(
    ("dotted", "value"),
    [
        ("format", DROP),
        ("format", "rimgauge-pass"),
        ("version", 2),
        ("version", "1"),
        ("version", 1.5),
        ("direction", "sideways"),
        ("direction", ["lateral"]),
        ("image_size[0]", 0),
        ("image_size", [640]),
        ("positive", [0.6, 0.6]),
        ("positive[1]", float("nan")),
        ("forward", "down"),
        ("forward", [0.9553364891256060, 0.29552020666133955]),
        ("edges", []),
        ("edges", {}),
        ("edges[0].side", "outer"),
        ("edges[1].side", "right"),
        ("edges[0].rim_box", DROP),
        ("edges[0].rim_box", None),
        ("edges[0].rim_box", [1, 2, 3]),
        ("edges[0].rim_box", [600, 0, 41, 10]),
        ("edges[0].rim_box[0]", -1),
        ("edges[0].pointer_box[2]", 0),
        ("edges[0].pointer_box[2]", 3.5),
        ("mark_box", DROP),
        ("mark_box", 7),
        ("mark_to_pointer_deg", INF),
        ("mark_to_pointer_deg", 1000),
        ("scale.mm_per_px", 0),
        ("scale.mm_per_px", -0.1),
        ("scale.mm_per_px", float("nan")),
        ("scale.mm_per_px", True),
        ("scale.mm_per_px", 10**400),
        ("scale.standard_uncertainty_mm_per_px", -1e-9),
        ("scale.method", None),
        ("lens.camera_matrix[1]", [0, 1]),
        ("lens.camera_matrix", [[0, 0, 0]] * 3),
        ("lens.distortion", [0.1] * 6),
        ("lens.rms_px", -1),
    ],
)
def test_bad_view(view, tmp_path, dotted, value):
    check(tmp_path / "view.json", write_view, read_view, view, dotted=dotted, value=value)


@pytest.mark.parametrize(
    ("dotted", "value"),
    [
        ("created", "yesterday"),
        ("created", "2026-01-31T12:00:00"),
        ("source.used", 5),
        ("source.sha256", "abc"),
        ("revolutions", -1),
        ("total_runout_mm.value", None),
        ("total_runout_mm.value", -0.1),
        ("total_runout_mm.coverage_probability", 95),
        ("sides", []),
        ("sides[0].harmonics[1].order", 1.5),
        ("sides[0].curve.runout_mm", [0.0] * 719),
        ("sides[0].curve.runout_mm[5]", None),
        ("sides[0].spokes[1].number", 3),
        ("sides[0].spokes[1].side", "outer"),
        ("sides[0].spokes[1].standard_uncertainty_mm", -1),
        ("sides[0].zones[0].spokes[1]", 5),
        ("uncertainty_budget[0].source", DROP),
        ("verdict.outcome", "fine"),
        ("verdict.tolerance_mm", 0),
        ("frames.time_s[0]", None),
        ("frames.gap_mm", [[1, 2, 3, 4]]),
        ("frames.gap_mm[1]", [1, 2, 3]),
        ("frames.quality[2]", "good"),
        ("frames", DROP),
    ],
)
def test_bad_pass(two_sided, tmp_path, dotted, value):
    check(tmp_path / "pass.json", write_pass, read_pass, two_sided, dotted=dotted, value=value)


@pytest.mark.parametrize(
    ("dotted", "value"),
    [
        ("round", 0),
        ("corrections[0].turns", 0.3),
        ("corrections[0].turns", 0),
        ("corrections[0].spoke", 0),
        ("corrections[1].side", "outer"),
        ("predicted.lateral_mm", -0.1),
        ("before.dish_mm", DROP),
        ("bound.proved", "high"),
        ("cautions", "careful"),
        ("refused", 3),
        ("earlier[0].turns", [0.0, 200.0]),
        ("earlier[0].radial_mm", [0.4]),
        ("readings.tension_n", [900.0, "high"]),
        ("earlier[0].centred", 1),
    ],
)
def test_bad_plan(plan, tmp_path, dotted, value):
    check(tmp_path / "plan.json", write_plan, read_plan, plan, dotted=dotted, value=value)


def test_the_sentence_is_plain(view, tmp_path):
    path = tmp_path / "view.json"
    assert check(path, write_view, read_view, view, dotted="edges[0].rim_box", value=DROP).endswith(
        "rim_box is missing"
    )
    sentence = check(path, write_view, read_view, view, dotted="version", value=2)
    assert "this rimgauge reads version 1" in sentence
    sentence = check(path, write_view, read_view, view, dotted="direction", value="sideways")
    assert sentence.endswith('must be "lateral" or "radial", not "sideways"')


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is not JSON"),
        (b"\x89PNG\r\n\x1a\n\x00\xff", "is not UTF-8 text"),
        ("{}".encode("utf-16"), "is not UTF-8 text"),
        (b"\x00\x00\x00", "is not JSON"),
        (b"[" * 1_000_000, "nested too deeply"),
        (b'{"a":' * 1_000_000, "nested too deeply"),
        (b"[1, 2]", "must be a group of fields, not a list"),
        (b'{"format": "rimgauge-view", "format": "rimgauge-view"}', "'format' stands twice"),
        (b'{"format": "rimgauge-view", "version": ' + b"1" * 10_000 + b"}", "more digits than can be meant"),
        (b'{"format": "rimgauge-view", "version": 1}', "direction is missing"),
    ],
    ids=["empty", "binary", "utf-16", "zeros", "lists", "groups", "no group", "twice", "digits", "bare"],
)
def test_a_file_that_is_no_view(tmp_path, content, words):
    path = tmp_path / "view.json"
    path.write_bytes(content)
    with pytest.raises(BadFile, match=words) as caught:
        read_view(path)
    assert str(caught.value).startswith(str(path))
    assert len(str(caught.value)) < 400


def test_a_file_too_large_is_refused_without_reading_it_all(tmp_path):
    path = tmp_path / "view.json"
    with path.open("wb") as file:
        file.truncate(200_000_000)
    with pytest.raises(BadFile, match="larger than 100 MB"):
        read_view(path)


def test_no_file_and_a_folder(tmp_path):
    with pytest.raises(BadFile, match="no such file"):
        read_pass(tmp_path / "none.json")
    with pytest.raises(BadFile, match="is a folder, not a file"):
        read_pass(tmp_path)
    with pytest.raises(BadFile, match="no name that a file can have"):
        read_pass(tmp_path / "a\0b")


def test_a_byte_order_mark_is_passed_over(view, tmp_path):
    path = tmp_path / "view.json"
    write_view(path, view)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert read_view(path).image_size == (640, 360)
