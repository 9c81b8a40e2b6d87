"""Two pointers, one on either side of the wheel, found by `aim` and read by `measure` and `dish`."""

import dataclasses
import json

import numpy as np
import pytest
from numpy.testing import assert_allclose

from rimgauge.capture.aim import Hints
from rimgauge.capture.aim_trial import Aim
from rimgauge.cli import run
from rimgauge.cli.aim_second import second_of
from rimgauge.job import read_view
from tests.said import stopped

RUNOUT_MM, WITHIN_MM = 0.9, 0.03


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    """Seed 9102; the same rim movement at both edges."""
    folder = tmp_path_factory.mktemp("two") / "drawn"
    words = (
        f"scene --both-sides --frames 160 --turns-per-s 0.45 --spokes 28 --seed 9102 --runout-mm {RUNOUT_MM}"
    )
    run([*words.split(), "--out", str(folder)])
    return folder


def tip_px(drawn, number):
    """Where the end of a pointer is in the picture, by the view that the scene was drawn with."""
    view = json.loads((drawn / "view.json").read_text())
    x, y, width, height = view["edges"][number]["pointer_box"]
    return f"{x + (width if number else 0)},{y + height / 2}"


def aimed(drawn, *words):
    run(["aim", str(drawn / "frames"), "--direction", "lateral", *words])


def test_both_sides_are_found_measured_and_give_the_dish(drawn, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    places = ("--pointer-at", tip_px(drawn, 0), "--second-pointer-at", tip_px(drawn, 1))
    aimed(drawn, *places, "--out", "view.json", "--picture", "aim.png")
    said = " ".join(capsys.readouterr().out.split())
    assert "Second pointer tip at 1" in said
    assert "It is on the wheel's left side" in said
    run(f"scale --view view.json --checkerboard {drawn / 'scale.jpg'} --square-mm 5".split())
    run(["measure", str(drawn / "frames"), "--view", "view.json", "--spokes", "28", "--out", "pass.json"])
    sides = json.loads((tmp_path / "pass.json").read_text())["sides"]
    assert [side["side"] for side in sides] == ["right", "left"]
    for side in sides:
        assert_allclose(side["total_runout_mm"]["value"], RUNOUT_MM, rtol=0, atol=WITHIN_MM)
    capsys.readouterr()
    run(["dish", "pass.json", "--between-mm", "26", "--json"])
    # The scene stands the tips equally far from the rim's mean place.
    dish = json.loads(capsys.readouterr().out)
    assert abs(dish["offset_mm"]) < dish["expanded_uncertainty_mm"]


def test_a_second_pointer_on_the_same_side_is_none(drawn, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    at = tip_px(drawn, 0)
    words = ["aim", drawn / "frames", "--direction", "lateral", "--out", "view.json"]
    _, said = stopped([*words, "--pointer-at", at, "--second-pointer-at", at], capsys)
    assert "is on the wheel's right side as the first one is" in said
    assert not (tmp_path / "view.json").exists()
    words[3] = "radial"
    assert "one outer edge" in stopped([*words, "--second-pointer-at", at], capsys)[1]


def test_of_two_pointers_none_of_which_was_pointed_out_it_is_said_that_both_can_be(drawn, tmp_path, capsys):
    words = ["aim", drawn / "frames", "--direction", "lateral", "--out", tmp_path / "view.json"]
    _, said = stopped(words, capsys)
    assert (
        "say which with --pointer-at and the one on the wheel's other side with --second-pointer-at" in said
    )


def test_of_the_second_pointer_only_what_concerns_its_own_edge_is_told(drawn, monkeypatch):
    view, picture = read_view(drawn / "view.json"), np.zeros((8, 8, 3), np.uint8)
    right, left = (dataclasses.replace(view, edges=(edge,)) for edge in view.edges)
    first = Aim(right, picture, (30.0, 4.0), (20.0, 4.0), ("No mark.",), ("Another edge.",))
    second = Aim(left, picture, (5.0, 4.0), (15.0, 4.0), ("No mark here either.",), ("A third edge.",))
    monkeypatch.setattr("rimgauge.capture.aim.aim", lambda *_, **__: second)
    found = second_of(first, [], Hints())
    assert (found.notes, found.edge_notes) == ((), ("A third edge.",))
    assert found.view.edges[0].side == "left"
