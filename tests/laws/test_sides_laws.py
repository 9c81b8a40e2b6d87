"""Comparison, gauge study and what is told apart in words, on simulated measurements of known truth."""

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from rimgauge.cli import run
from rimgauge.cli.compare import _change_words, sure_from_mm
from rimgauge.errors import BadInput
from rimgauge.job import write_pass
from rimgauge.signal.budget import PLACE_LINE
from rimgauge.signal.compare import changes, study
from rimgauge.signal.findings import WORTH_SAYING_MM, findings, whole_rim, width_curve_mm
from tests.laws.simulated import (
    PLACE,
    RIM_WIDTH_MM,
    SCALE,
    SPOKES_DEG,
    bent,
    simulated_pass,
    turned_round,
    wave,
)

SLACK_MM = 0.01
"""A tenth of a pixel here; the noise of a mean gap is far under it."""


def said_of(sides, *, within=False):
    """What is said of a lateral measurement of a rim whose radial runout nobody knows."""
    return findings("lateral", sides, within=within, by_radius_mm=None)


def test_the_larger_of_two_sides_is_the_result():
    # TBIS 4210-7:2019, clause 4.1 (read): both sides are measured, the larger value is the result.
    both = simulated_pass(wave(2, 0.2), gaps_mm=(("right", 2.0), ("left", 3.0)))
    assert both.total_runout.value == max(side.total_runout.value for side in both.sides)


def test_a_change_is_found_at_the_spokes_where_it_was_made():
    def after(degrees):
        away = (np.asarray(degrees) - 90.0 + 180.0) % 360.0 - 180.0
        return wave(2, 0.3)(degrees) - 0.2 * np.exp(-0.5 * (away / 15.0) ** 2)

    (side,) = changes(simulated_pass(wave(2, 0.3)), simulated_pass(after, seed=1))
    true = after(SPOKES_DEG) - wave(2, 0.3)(SPOKES_DEG)
    error = (side.after_mm - side.before_mm) - (true - true.mean())
    assert np.abs(error).max() < 4.0 * side.standard_uncertainty_mm.max()
    assert side.shifted_spokes == 0


def test_what_the_camera_does_to_both_alike_leaves_the_difference():
    one, two = simulated_pass(wave(2, 0.8)), simulated_pass(wave(2, 0.8), seed=1)
    (side,) = changes(one, two)
    apart = np.hypot(one.total_runout.expanded_uncertainty, two.total_runout.expanded_uncertainty)
    assert side.total_change.expanded_uncertainty < 0.5 * apart
    assert abs(side.total_change.value) < side.total_change.expanded_uncertainty


def test_the_interval_of_a_difference_holds_the_truth():
    held = 0
    for seed in range(40):
        one = simulated_pass(wave(2, 0.30), seed=2 * seed, noise_px=0.2)
        two = simulated_pass(wave(2, 0.25), seed=2 * seed + 1, noise_px=0.2)
        total = changes(one, two)[0].total_change
        held += abs(total.value + 0.1) <= total.expanded_uncertainty
    # At 95 %, fewer than 34 of 40 would come up once in about 500 times (binomial).
    assert held >= 34


def test_a_spoke_is_starred_where_it_was_changed_and_seldom_by_chance():
    def starred(size_mm, seed):
        one, two = simulated_pass(wave(2, 0.3), seed=seed), simulated_pass(wave(2, size_mm), seed=seed + 1)
        (side,) = changes(one, two)
        return int((np.abs(side.after_mm - side.before_mm) > sure_from_mm(side)).sum())

    # At 5 %, more than 3 of 12 comparisons with a star would come up once in about 400 times (binomial).
    assert sum(starred(0.3, 2 * seed) > 0 for seed in range(12)) <= 3
    # 0.03 mm at the crests is some six times the least that is sure.
    assert starred(0.33, 0) > 16


def test_changes_are_told_with_the_range_of_their_uncertainties():
    """A small change may be sure where a large one is not: each has a ± of its own."""
    (side,) = changes(simulated_pass(wave(2, 0.6), seed=1), simulated_pass(wave(2, 0.2), seed=2))
    least, most = sure_from_mm(side).min(), sure_from_mm(side).max()
    assert least < 0.7 * most
    assert f"* where it exceeds the spoke's own ±, {least:.3f} to {most:.3f}:" in _change_words(side)


def test_a_camera_set_up_afresh_makes_the_changes_at_spokes_less_sure():
    """A wheel nobody touched, read 4 % larger by another scale that is known to 3 %: no change is sure."""
    before = simulated_pass(wave(2, 0.5))
    scale = before.basis.view.scale
    unsure = replace(scale, mm_per_px=0.104, standard_uncertainty_mm_per_px=0.003)
    after = simulated_pass(wave(2, 0.5), seed=1, scale=unsure)
    (side,) = changes(before, after)
    change_mm = np.abs(side.after_mm - side.before_mm)
    assert change_mm.max() > 0.015
    assert (change_mm <= 2.0 * side.standard_uncertainty_mm).all()
    place_mm = next(line.standard_uncertainty_mm for line in before.budget if line.source == PLACE_LINE)
    assert side.standard_uncertainty_mm.min() > place_mm
    (kept,) = changes(before, simulated_pass(wave(2, 0.5), seed=1))
    assert kept.standard_uncertainty_mm.max() < 0.5 * side.standard_uncertainty_mm.max()


def test_what_the_rims_look_does_alike_in_every_turn_cancels_only_for_a_camera_that_stayed():
    def with_look(runout, repeated_mm):
        (side,) = runout.sides
        unsure_mm = np.hypot(side.spoke_repeatability_mm, repeated_mm)
        side = replace(side, spoke_standard_uncertainty_mm=unsure_mm, repeated_error_mm=repeated_mm)
        return replace(runout, sides=(side,))

    moved = replace(SCALE, mm_per_px=1.001 * SCALE.mm_per_px)
    for scale, cancels in ((SCALE, True), (moved, False)):
        passes = [
            simulated_pass(wave(2, 0.3), seed=seed, scale=each) for seed, each in ((0, SCALE), (1, scale))
        ]
        (plain,) = changes(*(with_look(each, 0.0) for each in passes))
        (stained,) = changes(*(with_look(each, 0.05) for each in passes))
        more_mm = np.sqrt(stained.standard_uncertainty_mm**2 - plain.standard_uncertainty_mm**2 + 1e-15)
        assert_allclose(more_mm, 0.0 if cancels else 0.05 * np.sqrt(2.0), rtol=0, atol=1e-6)


def test_a_moved_mark_is_noticed():
    def shape(degrees):
        return wave(2, 0.3)(degrees) + wave(5, 0.2, 40.0)(degrees)

    def turned(degrees):
        return shape(np.asarray(degrees) - 2 * 11.25)

    (side,) = changes(simulated_pass(shape), simulated_pass(turned, seed=1))
    assert side.shifted_spokes == 2


@pytest.mark.parametrize(
    ("direction", "side", "seen"),
    [
        ("lateral", "right", turned_round(bent)),
        ("lateral", "right", lambda degrees: bent(-np.asarray(degrees))),
        ("radial", "outer", lambda degrees: bent(-np.asarray(degrees))),
    ],
)
def test_spokes_counted_the_other_way_round_are_noticed(direction, side, seen):
    """A wheel turned round in the stand, or a view that takes backward for forward; no mark was moved."""
    before, after = (
        simulated_pass(shape, direction=direction, gaps_mm=((side, 2.0),), seed=seed)
        for seed, shape in enumerate((bent, seen))
    )
    (change,) = changes(before, after)
    assert change.other_way_round
    assert change.shifted_spokes == 0
    told = " ".join(_change_words(change).split())
    assert "counted the other way round: was the wheel turned round in the stand" in told
    assert f"+ where the rim went {'outward' if side == 'outer' else 'to the right'};" in told


@pytest.mark.parametrize("moved", [-1, 0, 1, 2, 16])
def test_spokes_count_the_other_way_round_from_the_mark_alone(moved):
    """A mark at spoke 1 or half a spacing before it moves the count by a spoke; by more it is another wheel's runout."""

    def seen(degrees):
        return turned_round(bent)(np.asarray(degrees) - moved * 11.25)

    (change,) = changes(simulated_pass(bent), simulated_pass(seen, seed=1))
    assert change.other_way_round == (abs(moved) < 2)


def test_a_wheel_trued_in_between_is_not_taken_for_one_counted_the_other_way_round():
    for seed in range(40):
        rng = np.random.default_rng([240, seed])
        trued = [wave(order, 0.1 * rng.uniform(), rng.uniform(0.0, 360.0)) for order in (1, 2, 3, 4)]
        after = simulated_pass(lambda degrees, waves=trued: sum(each(degrees) for each in waves), seed=seed)
        (change,) = changes(simulated_pass(bent), after)
        assert not change.other_way_round


def test_a_gauge_study_gives_back_the_spread_that_was_put_in():
    rng = np.random.default_rng(2)
    passes = tuple(
        simulated_pass(wave(2, 0.3 + rng.normal(0.0, 0.01)), seed=seed, noise_px=0.01) for seed in range(30)
    )
    found = study(passes, 0.5)
    # Total runout is twice the size: standard deviation 0.02 mm; 30 of them know it to 13 %.
    assert_allclose(found.total_sd_mm, 0.02, rtol=0.4, atol=0)
    assert_allclose(found.tolerance_share, 6.0 * found.total_sd_mm / 0.5, rtol=1e-12, atol=0)
    # At a spoke the reading is size·cos: the mean square of a cosine is a half.
    assert_allclose(found.repeatability.standard_deviation_mm, 0.01 / np.sqrt(2.0), rtol=0.4, atol=0)
    assert found.repeatability.degrees_of_freedom == 32 * 29
    assert found.day.degrees_of_freedom == found.set_up.degrees_of_freedom == 0


def test_days_and_set_ups_of_the_camera_are_told_apart():
    # The second day reads 0.02 mm more at the crests, as a camera set up afresh may.
    passes = [simulated_pass(wave(2, 0.30 + 0.02 * (k > 1)), seed=k, noise_px=0.01) for k in range(4)]
    later = [replace(each, created="2026-02-01T12:00:00+00:00") for each in passes[2:]]
    found = study((*passes[:2], *later), 0.5)
    assert (found.repeatability.degrees_of_freedom, found.day.degrees_of_freedom) == (64, 32)
    # 0.02 mm · rms of a cosine / √2 is the standard deviation of two means.
    assert_allclose(found.day.standard_deviation_mm, 0.02 / 2.0, rtol=0.1, atol=0)
    assert found.repeatability.standard_deviation_mm < 0.2 * found.day.standard_deviation_mm
    afresh = [
        replace(
            each,
            basis=replace(
                each.basis,
                view=replace(each.basis.view, scale=replace(each.basis.view.scale, mm_per_px=0.11)),
            ),
        )
        for each in later
    ]
    found = study((*passes[:2], *afresh), 0.5)
    assert (found.day.degrees_of_freedom, found.set_up.degrees_of_freedom) == (0, 32)


def test_different_wheels_are_not_compared():
    with pytest.raises(BadInput, match="different sides"):
        changes(simulated_pass(wave(2, 0.3)), simulated_pass(wave(2, 0.3), gaps_mm=(("left", 2.0),)))
    with pytest.raises(BadInput, match="at least two"):
        study((simulated_pass(wave(2, 0.3)),), 0.5)


def test_a_tilted_rim_is_told_apart_from_its_bends():
    tilted = simulated_pass(lambda d: wave(1, 0.4)(d) + wave(3, 0.05)(d))
    parts = whole_rim(tilted.sides[0])
    assert_allclose([parts.once_mm, parts.rest_mm], [0.8, 0.1], rtol=0, atol=0.02)
    (found,) = said_of(tilted.sides)
    assert "once a turn" in found.said
    assert "axle" in found.look
    (known,) = said_of(tilted.sides, within=True)
    assert (known.said, known.look) == (found.said, ""), "no nipple is turned"
    assert said_of(simulated_pass(wave(3, 0.4)).sides) == ()


def test_the_width_of_the_rim_is_followed_round_the_wheel():
    # The left edge bends by 0.1 mm more than the right one, seven times round.
    (right,) = simulated_pass(wave(2, 0.3)).sides
    (left,) = simulated_pass(
        lambda d: wave(2, 0.3)(d) - wave(7, 0.1, 20.0)(d), gaps_mm=(("left", 2.0),), seed=1
    ).sides
    width = width_curve_mm((right, left))
    assert_allclose(width, wave(7, 0.1, 20.0)(right.curve_angle_deg), rtol=0, atol=0.015)
    (said,) = (each.said for each in said_of((right, left)) if "width" in each.said)
    stated = re.search(r"varies by (\d\.\d+) ± (\d\.\d+) mm", said)
    assert stated is not None
    assert abs(float(stated[1]) - 0.2) < float(stated[2]) < 0.12
    assert width_curve_mm((right,)) is None


def test_a_rim_that_is_out_of_round_is_not_said_to_vary_in_width():
    # 25 mm wide, 0.48 mm nearer here than there to a camera at 80 mm: 0.15 mm wider (pinhole).
    (right,) = simulated_pass(wave(2, 0.3)).sides
    (left,) = simulated_pass(
        lambda d: wave(2, 0.3)(d) - wave(1, 25.0 * 0.24 / 80.0, 20.0)(d), gaps_mm=(("left", 2.0),), seed=1
    ).sides
    width = width_curve_mm((right, left))
    assert width is not None
    assert np.ptp(width) > WORTH_SAYING_MM
    assert not any("width" in each.said for each in said_of((right, left)))


@pytest.mark.parametrize(("radial_mm", "uneven_mm"), [(1.25, 0.0), (0.1, 0.15), (1.25, 0.6)])
def test_only_a_rim_whose_roundness_is_known_is_said_to_be_of_uneven_width(radial_mm, uneven_mm):
    """25 mm at 250 mm from the camera: a tenth of the radial runout is seen as width (pinhole)."""
    radial = simulated_pass(wave(2, radial_mm), direction="radial", gaps_mm=(("outer", 2.0),))

    def wider_mm(degrees):
        return wave(2, radial_mm * RIM_WIDTH_MM / PLACE.distance_mm)(degrees) + wave(7, uneven_mm)(degrees)

    edges = (("right", 2.0), ("left", 2.0))
    unknown, known = (
        simulated_pass(wave(2, 0.3), gaps_mm=edges, wider_mm=wider_mm, other=other)
        for other in (None, radial.worse_side)
    )
    (seems,) = (note for note in unknown.notes if "width varies by" in note)
    assert "seems" in seems
    assert "A radial measurement, given with --radial, tells" in seems
    assert "no nipple" not in seems
    said = [note for note in known.notes if "width varies by" in note]
    assert len(said) == (uneven_mm > 0.0)
    for note in said:
        assert note.endswith("which no nipple mends.")
        varies_mm, unsure_mm = map(float, re.findall(r"\d\.\d+", note))
        assert abs(varies_mm - 2.0 * uneven_mm) <= unsure_mm


def test_the_axle_is_named_only_where_nipples_will_be_turned():
    for size_mm, outcome in ((0.1, "within"), (0.4, "out")):
        tilted = simulated_pass(wave(1, size_mm))
        assert tilted.verdict.outcome == outcome
        assert any("once a turn" in note for note in tilted.notes)
        assert any("axle" in each for each in tilted.advice) == (outcome == "out")


def test_play_is_told_from_the_rim():
    loose = simulated_pass(wave(2, 0.3), loose_mm=0.25)
    assert_allclose(loose.sides[0].non_repeatable_mm, 0.25, rtol=0, atol=0.03)
    assert any("play in the bearings" in each.look for each in said_of(loose.sides))


def test_the_commands_say_what_was_found(tmp_path, capsys):
    write_pass(tmp_path / "one.json", simulated_pass(wave(2, 0.3), gaps_mm=(("right", 2.2),)))
    write_pass(tmp_path / "two.json", simulated_pass(wave(2, 0.1), gaps_mm=(("right", 3.8),), seed=1))
    files = [str(tmp_path / "one.json"), str(tmp_path / "two.json")]
    run(["dish", *files])
    assert "0.80 ± " in capsys.readouterr().out
    run(["dish", *files, "--json"])
    assert_allclose(json.loads(capsys.readouterr().out)["offset_mm"], 0.8, rtol=0, atol=SLACK_MM)
    run(["compare", *files])
    said = capsys.readouterr().out
    assert "less than before" in said
    assert "Before: one.json" in said
    assert "After:  two.json" in said
    assert max(len(line) for line in said.splitlines()) <= 80
    run(["compare", *files, "--same"])
    said = capsys.readouterr().out
    assert "common practice" in said
    assert "two.json 0.2" in " ".join(said.split())
    assert max(len(line) for line in said.splitlines()) <= 80
    run(["compare", *files, "--json"])
    assert len(json.loads(capsys.readouterr().out)["sides"][0]["spokes"]) == 32


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["dish", "one.json"], "two lateral measurements"),
        (["dish", "none.json", "two.json"], "none.json"),
        (["dish", "one.json", "--between-mm", "-3"], "--between-mm"),
        (["dish", "one.json", "one.json", "--tolerance-mm", "0"], "--tolerance-mm"),
        (["compare", "one.json"], "before and after"),
        (["compare", "--same"], "name the measurements"),
        (["compare", "one.json", "one.json", "--same", "--tolerance-mm", "-1"], "--tolerance-mm"),
    ],
)
def test_bad_input_gets_one_sentence(tmp_path, capsys, monkeypatch, words, told):
    monkeypatch.chdir(tmp_path)
    write_pass(tmp_path / "one.json", simulated_pass(wave(2, 0.3)))
    with pytest.raises(SystemExit) as leave:
        run(words)
    assert leave.value.code in (1, 2)
    said = capsys.readouterr().err
    assert told in said
    assert len(said.strip().splitlines()) == 1
