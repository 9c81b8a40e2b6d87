"""What a plan says beside its steps: what to look at before any nipple is turned, and what may be left out."""

import re
from dataclasses import replace

import numpy as np
import pytest
from plan_bench import COMMON, a_pass, run_plan
from wheels import out_of_true

from rimgauge.job import read_plan, write_pass
from rimgauge.plan import Wishes, make_plan
from rimgauge.plan.apart import misfits
from rimgauge.plan.patterns import MISREAD_OFF, doubted, first_looks, too_far_unread
from rimgauge.plan.prices import objective
from rimgauge.plan.problem import flange_spokes
from rimgauge.plan.stating import state_problem
from rimgauge.report.correction import correction_sheet
from rimgauge.signal import findings
from rimgauge.wheel import influence
from tests.benchmarks.misread import rows
from tests.benchmarks.true_wheel import random_wheel
from tests.laws.simulated import wave


def swinging(wheel, once_mm, bent_mm):
    """Runout at the spokes: one swing a turn of so much, and bends of so much."""
    bends = wave(2, 1.0)(wheel.spoke_angles_deg) + wave(5, 0.6, 70.0)(wheel.spoke_angles_deg)
    return once_mm * wave(1, 0.5, 40.0)(wheel.spoke_angles_deg) + bent_mm * bends / np.ptp(bends)


def test_a_plan_says_before_its_steps_what_the_measurement_says_of_the_axle(bench, wheel):
    """Where bends alone make more than the swing, as much would stay with the axle mended."""
    common = ("--wheel", "wheel.toml", "--lateral", "lateral.json", "--out", "plan.json")
    write_pass(bench / "lateral.json", a_pass("lateral", swinging(wheel, 1.0, 1.1), wheel))
    assert "once a turn" not in run_plan(*common)
    lateral = a_pass("lateral", swinging(wheel, 1.0, 0.9), wheel)
    write_pass(bench / "lateral.json", lateral)
    (bench / "plan.json").unlink()
    (noted,) = findings("lateral", lateral.sides, within=False, by_radius_mm=None)
    assert "1.00 mm of it comes once a turn" in noted.said
    assert "the bends alone make 0.90 mm" in noted.said
    text = " ".join(run_plan(*common).split())
    total = f"{lateral.total_runout.value:.2f}"
    words = f"Before you turn a nipple: 1.00 mm of the lateral runout of {total} mm comes once a turn"
    assert text.index(words) < text.index("in this order:")
    plan = read_plan(bench / "plan.json")
    assert plan.see_to_first[-1].startswith(words)
    page = correction_sheet(plan, wheel, seen_from="tyre")
    assert any(words[:40] in label.get_text().replace("\n", " ") for label in page.texts)
    assert "tell the next plan the numbers of the spokes" in text
    assert "once a turn" not in run_plan(*common, "--checked", "axle")


def test_an_eccentric_rim_is_not_blamed_on_the_axle(bench, wheel):
    before = out_of_true(wheel, 1, lateral_mm=2.0)
    write_pass(bench / "lateral.json", a_pass("lateral", before.lateral_mm, wheel))
    radial = a_pass("radial", swinging(wheel, 1.0, 0.5), wheel)
    write_pass(bench / "radial.json", radial)
    (noted,) = findings("radial", radial.sides, within=False, by_radius_mm=None)
    assert "sits beside the hub's middle" in noted.said
    assert not noted.look
    files = ("--lateral", "lateral.json", "--radial", "radial.json")
    assert "axle" not in run_plan("--wheel", "wheel.toml", *files, "--out", "plan.json")


@pytest.mark.parametrize(("given", "other"), [("", "left"), ('first_spoke_side = "right"\n', None)])
def test_a_side_of_spoke_1_that_was_assumed_is_asked_about_before_the_steps(bench, wheel, given, other):
    build = (bench / "wheel.toml").read_text(encoding="utf-8")
    (bench / "wheel.toml").write_text(given + build, encoding="utf-8")
    text = " ".join(run_plan(*COMMON).split())
    plan = read_plan(bench / "plan.json")
    assert plan.corrections
    if other is None:
        assert "first_spoke_side" not in text
        assert plan.see_to_first == ()
        return
    asked = "spoke 1, the first after the valve, is assumed to go to the right flange"
    assert text.index(asked) < text.index(f'first_spoke_side = "{other}"') < text.index("in this order:")
    page = correction_sheet(plan, wheel, seen_from="tyre")
    assert any(asked in label.get_text().replace("\n", " ") for label in page.texts)


@pytest.mark.parametrize(("far_mm", "stops"), [(4.5, False), (5.5, True)])
def test_so_far_out_nothing_is_planned_before_the_spokes_were_plucked(wheel, answer, far_mm, stops):
    readings = out_of_true(wheel, 1, lateral_mm=1.0, tension=False)
    wave = far_mm / 2 * np.cos(np.radians(2 * wheel.spoke_angles_deg))
    unread = state_problem(replace(readings, lateral_mm=wave), wheel, answer, Wishes())
    said = too_far_unread(unread)
    assert (said is not None) == stops
    if said is not None:
        assert "Pluck the spokes" in said
        assert "--checked rim" in said
    read = state_problem(
        replace(out_of_true(wheel, 1, lateral_mm=1.0), lateral_mm=wave), wheel, answer, Wishes()
    )
    assert too_far_unread(read) is None, "tension read tells a bent rim"


def test_a_spoke_that_may_be_slack_is_plucked_first_where_lateral_runout_alone_was_read(wheel, answer):
    """By lateral runout alone sound wheels look so too: it is asked, and answered with --checked spokes."""
    out = out_of_true(wheel, 5, lateral_mm=1.0, tension=False, radial=False)
    slack = replace(out, lateral_mm=out.lateral_mm - 2.3 * answer.lateral_mm[:, 6])
    looks = {
        name: first_looks(readings, wheel, answer, state_problem(readings, wheel, answer, Wishes()), checked)
        for name, readings, checked in (
            ("slack", slack, frozenset()),
            ("looked at", slack, frozenset({"spokes"})),
            ("sound", out, frozenset()),
        )
    }
    assert any(
        "spoke 7 (right side)" in words and "squeeze them in pairs" in words for words in looks["slack"]
    )
    assert not any("squeeze" in words for name in ("looked at", "sound") for words in looks[name])


def test_steps_that_do_least_may_be_left_out_of_a_long_plan_and_what_is_left_is_said_right():
    """A wheel of the closed loop, of 32 spokes, whose plan turns 24 nipples."""
    made = random_wheel(25102, 0.2)
    readings = made.read(np.random.default_rng(25102))
    answer = influence(made.nominal)
    plan = make_plan(readings, made.nominal, answer)
    (said,) = (note for note in plan.notes if note.startswith("Too many nipples?"))
    steps = {int(number) for number in re.search(r"Leave out steps ([\d, ]+):", said)[1].split(",")}
    assert 3 * len(steps) >= len(plan.corrections) > 16
    assert f"the other {len(plan.corrections) - len(steps)}" in said
    eighths = np.zeros(len(readings.lateral_mm))
    for item in plan.corrections:
        eighths[item.spoke - 1] = 0 if item.order in steps else 8 * item.turns
    problem = state_problem(readings, made.nominal, answer, Wishes())
    for line, name in ((problem.lateral, "lateral"), (problem.radial, "radial")):
        assert f"{line.reading_after_mm(eighths):.2f} mm of {name}" in said
    assert problem.radial.reading_after_mm(eighths) <= 0.5
    assert np.isfinite(objective(problem, eighths)), "no limit is broken"


@pytest.mark.parametrize(("seed", "spoke", "factor"), [(27651, 5, 1.5), (27652, 12, 1.5), (27655, 20, 0.55)])
def test_a_tension_that_does_not_fit_the_rim_is_named_before_the_steps_with_one_that_would(
    seed, spoke, factor
):
    """The wheel is not the model: up to a fifth stiffer or softer, and read with 3 % of gauge noise."""
    true = random_wheel(seed, 0.2)
    readings = true.read(np.random.default_rng(seed))
    answer = influence(true.nominal)
    assert not any("doesn't fit" in words for words in make_plan(readings, true.nominal, answer).see_to_first)
    tension_n = readings.tension_n.copy()
    tension_n[spoke - 1] *= factor
    misread = replace(readings, tension_n=tension_n)
    said = make_plan(misread, true.nominal, answer).see_to_first
    (words,) = [words for words in said if "doesn't fit" in words]
    assert f"read at spoke {spoke} ({true.nominal.flanges[spoke - 1]} side)" in words
    would = float(re.search(r"about (\d+) N would", words)[1])
    assert would == pytest.approx(true.tension_n[spoke - 1], rel=0.12)
    sound = make_plan(
        misread, true.nominal, answer, wishes=Wishes(checked=frozenset({"spokes"}))
    ).see_to_first
    assert not any("doesn't fit" in words for words in sound)


def test_two_tensions_that_do_not_fit_are_both_named_and_no_other():
    """One on each side of the wheel, of which either alone makes the other wheel's tension seem more uneven than it is."""
    true = random_wheel(27657, 0.2)
    readings = true.read(np.random.default_rng(27657))
    tension_n = readings.tension_n.copy()
    tension_n[[3, 14]] *= 1.6, 0.5
    said = make_plan(
        replace(readings, tension_n=tension_n), true.nominal, influence(true.nominal)
    ).see_to_first
    (words,) = [words for words in said if "doesn't fit" in words]
    assert re.findall(r"read at spoke (\d+)", words) in (["4", "15"], ["15", "4"])
    for number, would in re.findall(r"spoke (\d+) [^;.]*; about (\d+) N would", words):
        assert float(would) == pytest.approx(true.tension_n[int(number) - 1], rel=0.12)
    assert "if they were misread" in words


@pytest.mark.parametrize("seed", [28203, 28210, 28214])
def test_tensions_misread_alike_of_which_none_stands_out_are_all_asked_for_again(seed):
    """Five of them, each at 0.6 of what it was: they make the wheel seem so uneven that any one of them fits."""
    true = random_wheel(seed, 0.2)
    random = np.random.default_rng(seed)
    answer, sound = influence(true.nominal), true.read(random)
    loose = true.read(random, gauge=0.05)
    tension_n = sound.tension_n.copy()
    tension_n[random.choice(len(tension_n), 5, replace=False)] *= 0.6
    for readings, asked in ((sound, False), (loose, False), (replace(sound, tension_n=tension_n), True)):
        said = " ".join(make_plan(readings, true.nominal, answer).see_to_first)
        assert ("several seem misread, and which can't be told. Read all of them again" in said) == asked


@pytest.mark.parametrize(
    ("seed", "left"), [(28206, "2 found, the rest unsound"), (28209, "more than 3 found")]
)
def test_where_named_tensions_would_leave_others_that_do_not_fit_or_be_too_many_none_is_named(seed, left):
    """Six of one side, each at 0.6 of what it was: two to four stand out, sound ones among them."""
    (readings, true, off) = next(
        (read, true, off) for name, true, read, off in rows(seed) if name == "6 at 0.6, on one side"
    )
    answer = influence(true.nominal)
    problem = state_problem(readings, true.nominal, answer, Wishes())
    found = misfits(
        readings, problem.tension_n, answer, flange_spokes(true.nominal), least_off=MISREAD_OFF, most=4
    )
    assert len(found) == (2 if left.startswith("2") else 4)
    assert any(not off[one.spoke] for one in found)
    assert doubted(readings, true.nominal, answer, problem) == ((), True)


@pytest.mark.parametrize(("seed", "way"), [(29309, "2 at 0.6"), (29316, "3 at 0.6")])
def test_two_or_three_misread_tensions_are_all_named_where_the_others_fit(seed, way):
    """The others scatter by 1.31 and 1.20, as much as sound ones may."""
    readings, true, off = next((read, true, off) for name, true, read, off in rows(seed) if name == way)
    answer = influence(true.nominal)
    problem = state_problem(readings, true.nominal, answer, Wishes())
    named, many = doubted(readings, true.nominal, answer, problem)
    assert sorted(one.spoke for one in named) == np.flatnonzero(off).tolist()
    assert not many


def test_a_misread_tension_is_named_on_a_wheel_that_needs_no_turns_too(wheel, answer):
    out = out_of_true(wheel, 2, lateral_mm=1.0)
    even = replace(out, lateral_mm=out.lateral_mm * 0.2, radial_mm=out.radial_mm * 0.2)
    even = replace(even, tension_n=1000.0 + 0.2 * (out.tension_n - 1000.0))
    tension_n = even.tension_n.copy()
    tension_n[8] = 1500.0
    misread = replace(even, tension_n=tension_n)
    for readings, wishes, named in (
        (even, Wishes(), False),
        (misread, Wishes(), True),
        (misread, Wishes(checked=frozenset({"spokes"})), False),
    ):
        plan = make_plan(readings, wheel, answer, wishes=wishes)
        assert plan.corrections == ()
        assert plan.refused is None
        said = [note for note in plan.notes if "1500 N, read at spoke 9 (right side), doesn't fit" in note]
        assert len(said) == named
        assert not any("go on" in note for note in said), "there is nothing to go on with"


def test_a_spoke_that_is_truly_loose_fits_the_rim(wheel, answer):
    readings = out_of_true(wheel, 2, lateral_mm=1.0)
    loosened = np.where(np.arange(36) == 8, -1.2, 0.0)
    loose = replace(
        readings,
        lateral_mm=readings.lateral_mm + answer.lateral_mm @ loosened,
        radial_mm=readings.radial_mm + answer.radial_mm @ loosened,
        tension_n=readings.tension_n + answer.tension_n @ loosened,
    )
    assert loose.tension_n[8] < 0.6 * readings.tension_n[8]
    assert not any("doesn't fit" in words for words in make_plan(loose, wheel, answer).see_to_first)
