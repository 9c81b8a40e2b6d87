"""Which way was taken for rolling forward is said before anything hangs on it: a wheel turned backward for `aim` mirrors all."""

import json
from dataclasses import replace

import numpy as np
import pytest

from rimgauge.cli import run
from rimgauge.cli.forward import say_before_first_turn, say_forward, way_of
from rimgauge.cli.measure import _ask_how_it_stands
from rimgauge.job import create_job, keep_pass, plans, read_plan, write_pass
from tests.laws.simulated import simulated_pass, wave
from tests.seen import lateral_view

WAYS = {"up": (0.0, -1.0), "down": (0.0, 1.0), "left": (-1.0, 0.0), "right": (1.0, 0.0)}
OTHERS = {"up": "down", "down": "up", "left": "right", "right": "left"}


def said_by(say, *given, capsys, **told):
    """What is printed, on one line."""
    capsys.readouterr()
    say(*given, **told)
    return " ".join(capsys.readouterr().out.split())


def turned_to(view, way):
    """The view of a camera that was turned so that the rim runs another way."""
    forward = np.array(WAYS[way])
    return replace(view, forward=forward, positive=np.array([forward[1], -forward[0]]))


@pytest.mark.parametrize("way", WAYS)
def test_aim_says_the_way_and_what_to_type_if_it_is_the_other(way, capsys):
    view = turned_to(lateral_view(), way)
    assert way_of(view) == way
    said = said_by(say_forward, view, capsys=capsys, side_told=False, pictured=True)
    assert f"FORWARD is taken to be {way}: the way the white arrow points" in said
    assert said.endswith(f"--runs {OTHERS[way]}.")
    assert "right and left exchanged" in said


def test_a_typed_side_is_taken_away_with_the_way(capsys):
    """--runs alone would leave the side as it was typed, and right and left not exchanged."""
    said = said_by(say_forward, lateral_view(), capsys=capsys, side_told=True, pictured=False)
    assert said.endswith("--runs up and take --side away.")
    assert "arrow" not in said


def test_of_a_radial_view_no_side_is_said(capsys):
    edge = replace(lateral_view().edges[0], side="outer")
    said = said_by(
        say_forward,
        lateral_view(direction="radial", edges=(edge,)),
        capsys=capsys,
        side_told=False,
        pictured=True,
    )
    assert "FORWARD is taken to be down:" in said
    assert "left" not in said


def test_the_first_measurement_asks_for_the_way_by_word_and_picture(tmp_path, capsys):
    job = create_job(tmp_path / "wheel", spokes=32)
    runout = simulated_pass(wave(2, 0.5))
    keep_pass(job, runout)
    said = said_by(_ask_how_it_stands, runout, job, capsys=capsys)
    assert "And does its rim run down past the pointer in the picture when it rolls forward" in said
    assert "the arrow of aim-lateral.png" in said


def test_before_the_first_turn_each_pictures_way_is_asked_for(tmp_path, capsys):
    files = [tmp_path / "lateral.json", tmp_path / "radial.json"]
    lateral = simulated_pass(wave(2, 0.5))
    up = replace(lateral, basis=replace(lateral.basis, view=turned_to(lateral.basis.view, "up")))
    write_pass(files[0], up)
    write_pass(files[1], simulated_pass(wave(2, 0.5), direction="radial", gaps_mm=(("outer", 2.0),)))
    said = said_by(say_before_first_turn, files, capsys=capsys)
    assert "run past the pointer up in the lateral picture and down in the radial picture" in said
    assert "turn nothing" in said
    assert said_by(say_before_first_turn, [], capsys=capsys) == ""


def test_plan_asks_for_it_before_the_first_turn_only(tmp_path, capsys, monkeypatch):
    job = create_job(tmp_path / "wheel", spokes=32)
    monkeypatch.chdir(job.folder)
    said = []
    for size_mm in (0.5, 0.3):
        keep_pass(job, simulated_pass(wave(2, size_mm)))
        said.append(said_by(run, ["plan"], capsys=capsys))
    assert [read_plan(path).round for path in plans(job)] == [1, 2]
    assert ["Before the first turn, one look" in each for each in said] == [True, False]


def test_a_plan_as_json_is_json_alone(tmp_path, capsys, monkeypatch):
    job = create_job(tmp_path / "wheel", spokes=32)
    monkeypatch.chdir(job.folder)
    keep_pass(job, simulated_pass(wave(2, 0.5)))
    fields = json.loads(said_by(run, ["plan", "--json"], capsys=capsys))
    assert fields["round"] == 1
    assert fields["corrections"]
