"""A wheel left turned round in the stand: each of its measurements is told, and no plan names spokes by them."""

import numpy as np
import pytest

from rimgauge.cli import run
from rimgauge.cli.measure import _ask_how_it_stands, _next_step
from rimgauge.cli.turned_round import turned_round
from rimgauge.job import create_job, keep_pass, plans, read_plan
from rimgauge.signal.compare import _other_way_round, other_way_round
from tests.laws.simulated import simulated_pass, wave
from tests.said import stopped

OTHER_WAY = "is the runout of pass-01.json the other way round"


@pytest.fixture
def job(tmp_path, monkeypatch):
    made = create_job(tmp_path / "wheel", spokes=32)
    monkeypatch.chdir(made.folder)
    return made


def bent(degrees):
    return wave(2, 0.5, 40.0)(degrees) + wave(3, 0.3, 110.0)(degrees) + wave(5, 0.15, 230.0)(degrees)


def seen(*, turned, seed, direction="lateral"):
    """Measure the wheel; turned round, the pointer sees −p(−θ) of p(θ), and of radial runout p(−θ)."""
    sign, side = (-1.0, "right") if direction == "lateral" else (1.0, "outer")

    def shape(degrees):
        return sign * bent(-np.asarray(degrees)) if turned else bent(degrees)

    return simulated_pass(shape, direction=direction, gaps_mm=((side, 3.0),), seed=seed)


def kept(job, *, turned, seed, direction="lateral"):
    return keep_pass(job, seen(turned=turned, seed=seed, direction=direction)).name


def planned(capsys, *words):
    capsys.readouterr()
    run(["plan", *words])
    return " ".join(capsys.readouterr().out.split())


def test_each_measurement_of_a_wheel_left_turned_round_is_told_against_the_last_that_is_not():
    turned = (False, True, True, False, True)
    passes = [seen(turned=each, seed=seed) for seed, each in enumerate(turned)]
    assert other_way_round(passes) == {1: 0, 2: 0, 4: 3}


@pytest.mark.parametrize("left", [0.2, 0.5, 1.4])
def test_one_is_told_too_where_the_runout_has_grown_or_is_mended_in_part(left):
    """What is left of it, and some bends of another shape; the rim is far from its own mirror image."""

    def once(degrees):
        return wave(2, 0.5, 40.0)(degrees) + wave(3, 0.4, 20.0)(degrees) + wave(5, 0.3, 100.0)(degrees)

    def now(degrees):
        return left * (once(degrees) + wave(4, 0.04, 20.0)(degrees))

    before = simulated_pass(once, gaps_mm=(("right", 3.0),), seed=28901)
    as_it_was = simulated_pass(now, gaps_mm=(("right", 3.0),), seed=28902)
    turned = simulated_pass(lambda degrees: -now(-np.asarray(degrees)), gaps_mm=(("right", 3.0),), seed=28903)
    assert other_way_round([before, as_it_was]) == {}
    assert other_way_round([before, turned]) == {1: 0}


@pytest.mark.parametrize(("spokes", "waves"), [(12, 1), (12, 2), (12, 3), (16, 3), (24, 3)])
def test_a_wheel_trued_to_the_same_kind_of_wave_is_not_taken_for_one(spokes, waves):
    """0.8 mm before and 0.3 mm after, wherever the wave stands then."""
    angle = np.radians((np.arange(spokes) + 0.5) * 360.0 / spokes)
    noise_mm = np.random.default_rng(60404).normal(0.0, 0.003, (360, 2, spokes))
    told = [
        _other_way_round(
            0.4 * np.cos(waves * angle - 0.3) + noise_mm[phase, 0],
            0.15 * np.cos(waves * angle - np.radians(phase)) + noise_mm[phase, 1],
            "lateral",
        )
        for phase in range(360)
    ]
    assert sum(told) == 0


@pytest.mark.parametrize(("direction", "sign"), [("lateral", -1.0), ("radial", 1.0)])
def test_what_is_left_of_it_must_be_of_the_sign_that_turning_round_gives_it(direction, sign):
    before_mm = bent((np.arange(32) + 0.5) * 11.25)
    assert _other_way_round(before_mm, 0.4 * sign * before_mm[::-1], direction)
    assert not _other_way_round(before_mm, -0.4 * sign * before_mm[::-1], direction)


def test_what_can_not_be_compared_is_passed_over():
    both = simulated_pass(bent, gaps_mm=(("right", 3.0), ("left", 3.0)), seed=5)
    assert other_way_round([seen(turned=False, seed=0), both, seen(turned=True, seed=1)]) == {2: 0}


@pytest.mark.parametrize("direction", ["lateral", "radial"])
def test_a_wheel_left_turned_round_is_told_at_each_measurement_and_not_planned(job, capsys, direction):
    kept(job, turned=False, seed=0, direction=direction)
    for seed, file in ((1, "pass-02.json"), (2, "pass-03.json")):
        assert kept(job, turned=True, seed=seed, direction=direction) == file
        capsys.readouterr()
        _next_step(seen(turned=True, seed=seed, direction=direction), job, file)
        assert "this is the runout of pass-01.json the other way round" in " ".join(
            capsys.readouterr().out.split()
        )
        code, said = stopped(["plan"], capsys)
        assert code == 2
        assert f"{file} {OTHER_WAY}" in said
        assert "Turn the wheel back, measure again" in said
        assert (f"rimgauge dish pass-01.json {file}" in said) == (direction == "lateral")
    assert plans(job) == ()
    stopped(["plan", "--explain", "7"], capsys)


@pytest.mark.parametrize("direction", ["lateral", "radial"])
def test_the_first_measurement_of_a_direction_asks_how_the_wheel_stands(job, capsys, direction):
    """Nothing is there to compare it with, so that one of a wheel turned round would pass without a word."""
    said = []
    for seed in (0, 1):
        kept(job, turned=False, seed=seed, direction=direction)
        capsys.readouterr()
        _ask_how_it_stands(seen(turned=False, seed=seed, direction=direction), job)
        said.append(" ".join(capsys.readouterr().out.split()))
    assert "does the wheel stand as when you aimed" in said[0]
    assert "If it stays so, nothing will tell" in said[0]
    assert ("its right side, where the drive is, toward the pointer?" in said[0]) == (direction == "lateral")
    assert said[1] == ""


def test_a_wheel_turned_back_is_planned_and_one_named_too_but_with_a_warning(job, capsys):
    kept(job, turned=False, seed=0)
    kept(job, turned=True, seed=1)
    warning = "turn no nipple by this plan"
    assert warning in planned(capsys, "--lateral", "pass-02.json")
    assert any(warning in note for note in read_plan(plans(job)[-1]).notes)
    kept(job, turned=False, seed=2)
    assert warning not in planned(capsys)


def test_one_that_a_dish_tells_to_be_turned_round_is_none_of_them(job, capsys):
    kept(job, turned=False, seed=0)
    kept(job, turned=True, seed=1)
    run(["dish", "pass-01.json", "pass-02.json"])
    assert turned_round(job, "lateral") == {}
    assert "other way round" not in planned(capsys, "--ignore-dish")
    kept(job, turned=True, seed=2)
    assert turned_round(job, "lateral") == {"pass-03.json": "pass-01.json"}


def test_where_a_round_was_planned_in_between_it_is_only_told(job, capsys):
    """Turns change the runout, and may well change it to that."""
    kept(job, turned=False, seed=0)
    planned(capsys)
    kept(job, turned=True, seed=1)
    with pytest.raises(SystemExit):
        run(["plan", "--done", "none"])
    assert f"pass-02.json {OTHER_WAY}" in capsys.readouterr().err
    run(["plan", "--checked", "turns", "--checked", "rim", "--checked", "axle", "--checked", "spokes"])
    said = " ".join(capsys.readouterr().out.split())
    assert "pass-02.json looks like pass-01.json the other way round" in said
