"""What must hold of runout, budget and verdict for any pass; passes are simulated with known truth."""

import dataclasses
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from rimgauge.errors import NotTrustworthy
from rimgauge.pipeline import _notes, _without_unsure
from rimgauge.records import Edge
from rimgauge.signal.bending import LENS_LINE
from rimgauge.signal.budget import DEPTH_LINE, PLACE_LINE, behind_share, combined, depth_share, judge
from rimgauge.signal.laid_out import where_read
from rimgauge.signal.runout import CURVE_DEG, find_zones, side_runout
from rimgauge.signal.standing import camera_advice, crosstalk_of, far_lip
from tests.benchmarks.coverage import held, simulated
from tests.laws.simulated import PLACE, SCALE, SPOKES_DEG, followed
from tests.seen import edge_track, lateral_view, turning_by_mark

RADIUS_MM = 310.0
FLANGES = ("right", "left") * 16


def seen_with(scale):
    """View of a camera outside the wheel: the wheel's right at the picture's right, forward upward."""
    edge = Edge(side="right", pointer_box=(330, 150, 40, 50), rim_box=(300, 140, 36, 80))
    return lateral_view(forward=np.array([0.0, -1.0]), edges=(edge,), scale=scale)


def measured(
    runout_mm,
    *,
    side="right",
    scale=SCALE,
    noise_px=0.05,
    start_deg=0.0,
    other=None,
    far_lip=None,
    stated_px=0.05,
    lost=(),
    ahead_px=0.0,
    unsure_deg=0.1,
    together_deg=0.0,
    lens_share=0.0,
    untold=(),
):
    """Measure a wheel whose runout is a function of the angle, two and a half turns of it; in frames untold it has no angle."""
    degrees = np.linspace(0.0, 900.0, 400) + start_deg
    rng = np.random.default_rng(3)
    toward = 1.0 if side == "left" else -1.0
    gap = 20.0 + toward * runout_mm(degrees) / scale.mm_per_px + rng.normal(0.0, noise_px, 400)
    track = edge_track(gap, stated_px, side, ahead_px=ahead_px)
    told_deg = degrees.copy()
    told_deg[list(untold)] = np.nan
    turning = turning_by_mark(told_deg, unsure_deg, together_deg)
    return side_runout(
        track,
        where_read(turning, track, scale, RADIUS_MM),
        scale,
        SPOKES_DEG,
        FLANGES,
        np.random.default_rng(1),
        other=other,
        far_lip=far_lip,
        lens_share=lens_share,
        lost=lost,
    )


def wave(order, size_mm, phase_deg=0.0):
    return lambda degrees: size_mm * np.cos(np.radians(order * degrees - phase_deg))


def test_a_wave_reads_its_height_and_its_phase():
    side, _ = measured(wave(2, 0.3, 40.0))
    assert_allclose(side.total_runout.value, 0.6, rtol=0, atol=0.01)
    assert_allclose(side.harmonic_amplitude_mm[1], 0.3, rtol=0, atol=0.003)
    assert_allclose(side.harmonic_phase_deg[1], 40.0, rtol=0, atol=1.0)


def test_an_edge_that_every_turn_shows_out_of_place_alike_is_in_each_spokes_uncertainty():
    # Stains 12 degrees apart move the edge by 0.02 mm: no turn differs from another, only the gaps' own errors tell.
    rng = np.random.default_rng(8)
    stained_mm = np.interp(np.arange(360.0), np.arange(31) * 12.0, np.append(rng.normal(0.0, 0.02, 30), 0.0))

    def seen(degrees):
        return wave(2, 0.3)(degrees) + np.interp(degrees, np.arange(360.0), stained_mm, period=360.0)

    told_px = np.hypot(0.05, stained_mm.std() / SCALE.mm_per_px)
    side, _ = measured(seen, stated_px=told_px)
    off_mm = side.spoke_mm - wave(2, 0.3)(SPOKES_DEG)
    # The standard deviation of 32 errors that share 30 stains is itself known to 13 %; three times that.
    assert 0.6 < float(off_mm.std() / side.spoke_standard_uncertainty_mm.mean()) < 1.4
    assert float(off_mm.std()) > 3.0 * float(side.spoke_repeatability_mm.mean())
    plain, _ = measured(wave(2, 0.3), stated_px=0.04)
    # What pixels alone do in every turn alike is left: 0.02 of one.
    assert_allclose(plain.repeated_error_mm, 0.02 * SCALE.mm_per_px, rtol=1e-9)


def test_what_is_read_forward_of_the_pointer_belongs_to_what_has_passed_it():
    ahead_deg = 1.5
    ahead_px = np.radians(ahead_deg) * RADIUS_MM / SCALE.mm_per_px
    side, _ = measured(lambda degrees: wave(2, 0.3, 40.0)(degrees - ahead_deg), ahead_px=ahead_px)
    assert_allclose(side.harmonic_phase_deg[1], 40.0, rtol=0, atol=1.0)


def test_a_stretch_of_the_rim_that_was_never_seen_is_refused():
    # 20° that no frame shows: between them the rim can do what it likes.
    def hidden(degrees):
        return np.where(np.abs(degrees % 360.0 - 100.0) < 10.0, np.nan, wave(2, 0.3)(degrees))

    with pytest.raises(NotTrustworthy, match="never passed"):
        measured(hidden)


def test_the_refusal_says_why_that_stretch_was_lost():
    # Elsewhere a hand is before the lens in more frames than the stretch has: that isn't what is in the way.
    degrees = np.linspace(0.0, 900.0, 400)
    hidden = np.abs(degrees % 360.0 - 100.0) < 10.0
    lost = np.where(hidden, "too faint", np.where(degrees > 810.0, "a hand", ""))
    with pytest.raises(NotTrustworthy, match=r"21° of the rim.*\(mostly: too faint\)"):
        measured(lambda at: np.where(lost == "", wave(2, 0.3)(at), np.nan), lost=tuple(lost))


def test_the_refusal_says_why_where_nobody_knows_what_the_lost_frames_showed():
    degrees = np.linspace(0.0, 900.0, 400)
    hidden = np.abs(degrees % 360.0 - 100.0) < 10.0
    lost = np.where(hidden, "no angle", np.where(degrees > 890.0, "a hand", ""))
    with pytest.raises(NotTrustworthy, match=r"20° of the rim.*\(mostly: no angle\)"):
        measured(
            lambda at: np.where(lost == "", wave(2, 0.3)(at), np.nan),
            lost=tuple(lost),
            untold=np.flatnonzero(hidden),
        )


def test_both_sides_of_a_rim_read_the_same_movement():
    right, _ = measured(wave(3, 0.2), side="right")
    left, _ = measured(wave(3, 0.2), side="left")
    assert_allclose(right.curve_mm, left.curve_mm, rtol=0, atol=0.01)


def test_turning_the_wheel_turns_the_answer():
    straight, _ = measured(wave(2, 0.3))
    turned, _ = measured(wave(2, 0.3, 2 * 45.0))
    assert_allclose(np.roll(straight.curve_mm, 90), turned.curve_mm, rtol=0, atol=0.005)


def test_a_true_wheel_reads_little_more_than_nothing():
    side, _ = measured(lambda degrees: np.zeros(len(degrees)))
    assert side.total_runout.value <= side.total_runout.expanded_uncertainty


def test_the_other_direction_is_taken_off():
    tilted = dataclasses.replace(SCALE, camera=dataclasses.replace(PLACE, crosstalk=-0.5))
    radial, _ = measured(wave(3, 0.2, 30.0), scale=SCALE)
    side, _ = measured(
        lambda degrees: wave(2, 0.3)(degrees) - 0.5 * wave(3, 0.2, 30.0)(degrees), scale=tilted, other=radial
    )
    assert_allclose(side.total_runout.value, 0.6, rtol=0, atol=0.015)


def test_a_camera_twice_as_far_halves_what_the_outlines_depth_does():
    far = dataclasses.replace(PLACE, distance_mm=500.0, distance_standard_uncertainty_mm=10.0)
    assert_allclose(depth_share(far), depth_share(PLACE) / 2.0, rtol=1e-12, atol=0)


def test_a_camera_that_leans_may_take_the_flanks_far_edge_for_the_outline():
    # A flank 18 mm deep seen from 180 mm: what moves is 10 % farther than the scale and reads 9 % too little.
    leaning = dataclasses.replace(
        PLACE, crosstalk=0.14, distance_mm=180.0, distance_standard_uncertainty_mm=5.0
    )
    assert 2.0 * depth_share(leaning) > 1.0 - 180.0 / 198.0
    square = dataclasses.replace(leaning, crosstalk=0.0)
    assert depth_share(square) < 0.4 * depth_share(leaning)


def test_errors_that_leave_no_residual_are_stated_all_the_same():
    usual, _ = measured(wave(2, 0.3))
    alike, _ = measured(wave(2, 0.3), stated_px=0.5)
    # 0.5 px of 0.1 mm at max and min: √2 · 0.05 mm, twice that at 95 %.
    assert alike.total_runout.expanded_uncertainty > 0.14
    assert usual.total_runout.expanded_uncertainty < 0.05


def test_a_distance_that_is_unsure_widens_what_the_depth_does():
    # Depth over distance, the distance lognormal about what was told: the root of the mean square.
    spread = 0.4
    sure = dataclasses.replace(PLACE, distance_standard_uncertainty_mm=0.0)
    unsure = dataclasses.replace(PLACE, distance_standard_uncertainty_mm=spread * PLACE.distance_mm)
    nearer = np.random.default_rng(11).lognormal(0.0, spread, 200_000)
    widened = np.sqrt(np.mean(nearer**2))
    assert_allclose(depth_share(unsure) / depth_share(sure), widened, rtol=0.01, atol=0)


def test_a_lip_seen_one_time_in_four_adds_a_quarter_of_its_variance():
    none, quarter, whole = (depth_share(PLACE, likely) ** 2 for likely in (0.0, 0.25, 1.0))
    assert_allclose(quarter - none, 0.25 * (whole - none), rtol=1e-9, atol=0)


@pytest.mark.parametrize("crosstalk", [0.14, 0.0])
def test_the_mean_of_what_lies_behind_the_scale_is_that_of_the_judged_rectangle(crosstalk):
    # 0 to 20 mm behind the scale where the camera leans; half the time where it may lean to either side.
    camera = dataclasses.replace(PLACE, crosstalk=crosstalk, crosstalk_standard_uncertainty=0.09)
    rng = np.random.default_rng(7)
    behind_mm = rng.uniform(0.0, 20.0, 400_000) * (rng.random(400_000) < (1.0 if crosstalk else 0.5))
    outline_mm = behind_mm + rng.uniform(-5.0, 5.0, 400_000)
    exactly = dataclasses.replace(camera, distance_standard_uncertainty_mm=0.0)
    assert_allclose(behind_share(exactly) * PLACE.distance_mm, behind_mm.mean(), rtol=0.01, atol=0)
    assert_allclose(
        depth_share(exactly) * PLACE.distance_mm, np.sqrt(np.mean(outline_mm**2)), rtol=0.01, atol=0
    )


def test_a_lens_that_nobody_calibrated_counts_in_proportion_to_the_reading():
    side, budget = measured(wave(2, 0.3), lens_share=0.01)
    line = next(line for line in budget if line.source == LENS_LINE)
    assert_allclose(line.standard_uncertainty_mm, 0.01 * side.total_runout.value, rtol=1e-9, atol=0)


def test_unsure_angles_lower_a_wave_by_what_their_line_says():
    # The mean of cos(n(x + e)) over errors e of standard deviation s is exp(-n²s²/2)·cos nx (characteristic function).
    order, size_mm, unsure_deg = 8, 0.3, 2.0
    _, budget = measured(wave(order, size_mm), unsure_deg=unsure_deg)
    line = next(line for line in budget if line.source == "angle of the wheel")
    lowered_mm = 2.0 * size_mm * (1.0 - np.exp(-0.5 * np.radians(order * unsure_deg) ** 2))
    assert_allclose(line.standard_uncertainty_mm, lowered_mm, rtol=0.1, atol=0)


def test_what_is_taken_off_is_as_unsure_as_it_was_measured():
    tilted = dataclasses.replace(SCALE, camera=dataclasses.replace(PLACE, crosstalk=-0.5))
    sure, _ = measured(wave(3, 0.2))
    total = dataclasses.replace(sure.total_runout, expanded_uncertainty=0.2)
    vague = dataclasses.replace(sure, total_runout=total)
    lines = [
        next(
            line for line in measured(wave(2, 0.3), scale=tilted, other=other)[1] if line.source == PLACE_LINE
        )
        for other in (sure, vague)
    ]
    added = lines[1].standard_uncertainty_mm ** 2 - lines[0].standard_uncertainty_mm ** 2
    was_mm = 0.5 * sure.total_runout.expanded_uncertainty / 2.0
    assert_allclose(added, (0.5 * 0.1) ** 2 - was_mm**2, rtol=1e-9, atol=0)


def test_a_radial_view_from_farther_out_may_show_the_rims_farther_lip():
    # Lips 22 mm apart seen from 220 mm: the farther one is seen 22/242 = 9.1 % smaller than the scale says.
    def view_of(tilt_deg):
        view = dataclasses.replace(seen_with(None), direction="radial")
        camera = dataclasses.replace(
            PLACE,
            distance_mm=220.0,
            crosstalk=crosstalk_of(view, tilt_deg),
            crosstalk_standard_uncertainty=0.01,
        )
        return dataclasses.replace(view, scale=dataclasses.replace(SCALE, camera=camera))

    outside, inside, unknown = view_of(2.0), view_of(-2.0), dataclasses.replace(view_of(0.0), scale=None)
    assert 2.0 * depth_share(outside.scale.camera, far_lip(outside)) > 22.0 / 242.0
    assert depth_share(inside.scale.camera, far_lip(inside)) < 0.02
    assert far_lip(unknown) == 0.5
    assert far_lip(seen_with(SCALE)) is None
    _, budget = measured(wave(2, 0.3), scale=outside.scale, far_lip=far_lip(outside))
    (note,) = camera_advice(outside, budget, True)
    assert "nearer the hub" in note


def test_what_isnt_known_of_the_camera_makes_the_reading_less_sure():
    known, _ = measured(wave(2, 0.3))
    unknown, budget = measured(wave(2, 0.3), scale=dataclasses.replace(SCALE, camera=None))
    assert unknown.total_runout.expanded_uncertainty > 2.0 * known.total_runout.expanded_uncertainty
    notes = camera_advice(seen_with(dataclasses.replace(SCALE, camera=None)), budget, False)
    assert any("checkerboard" in note for note in notes)
    # A camera that may lean to either side is half as sure of the flank, in squares, as one known to lean.
    leaning = dataclasses.replace(PLACE, crosstalk=0.14, distance_mm=150.0)
    assert depth_share(None) > np.sqrt(0.5) * depth_share(leaning)
    aimed_by_eye = dataclasses.replace(PLACE, crosstalk_standard_uncertainty=0.2)
    assert depth_share(aimed_by_eye) > 1.3 * depth_share(PLACE)


def test_a_tilted_camera_is_told_to_stand_square_or_be_corrected():
    # Outside the wheel a camera on the wheel's right sees an outward move as one to the left.
    tilted = dataclasses.replace(
        SCALE, camera=dataclasses.replace(PLACE, crosstalk=-np.tan(np.radians(25.0)))
    )
    _, budget = measured(wave(2, 0.3), scale=tilted)
    (note,) = camera_advice(seen_with(tilted), budget, False)
    assert "25° ± 3° off square at the rim, from the wheel's right" in note
    # 250 mm · sin 25° = 106 mm
    assert "move it by about 110 mm to the wheel's left" in note
    assert "--radial" in note


def test_following_the_notes_makes_what_they_are_about_shrink():
    tilted = dataclasses.replace(
        SCALE, camera=dataclasses.replace(PLACE, crosstalk=-np.tan(np.radians(25.0)))
    )
    lines = [
        {line.source: line.standard_uncertainty_mm for line in measured(wave(2, 0.3), scale=scale)[1]}
        for scale in (
            tilted,
            SCALE,
            dataclasses.replace(SCALE, camera=dataclasses.replace(PLACE, distance_mm=500.0)),
        )
    ]
    # Square within 2° instead of 25° off: tan 2°/tan 25° = 0.075; the reading's own swell goes with its square.
    assert lines[1][PLACE_LINE] < 0.1 * lines[0][PLACE_LINE]
    # Twice as far, half as much: δ/D.
    assert_allclose(lines[2][DEPTH_LINE], 0.5 * lines[1][DEPTH_LINE], rtol=0.01, atol=0)


def test_a_distance_that_is_told_lets_the_note_say_how_far_to_move():
    unsure = dataclasses.replace(
        SCALE, camera=dataclasses.replace(PLACE, crosstalk_standard_uncertainty=1e-6)
    )
    _, budget = measured(wave(2, 0.3), scale=unsure)
    (note,) = camera_advice(seen_with(unsure), budget, False)
    assert "250 mm to 500 mm" in note
    vague = dataclasses.replace(
        unsure, camera=dataclasses.replace(unsure.camera, distance_standard_uncertainty_mm=100.0)
    )
    _, budget = measured(wave(2, 0.3), scale=vague)
    (note,) = camera_advice(seen_with(vague), budget, False)
    assert "--distance-mm" in note


def test_the_budget_is_not_less_than_any_of_its_lines():
    _, budget = measured(wave(2, 0.3))
    whole, freedom = combined(budget)
    assert whole >= max(line.standard_uncertainty_mm for line in budget)
    assert freedom >= min(line.degrees_of_freedom for line in budget)


def test_a_stain_that_spoils_frames_in_a_row_widens_the_interval():
    rng = np.random.default_rng(8)
    alike = np.convolve(rng.normal(0.0, 0.02, 409), np.ones(10) / np.sqrt(10.0), mode="valid")
    _, plain = measured(lambda degrees: wave(2, 0.3)(degrees) + rng.normal(0.0, 0.02, 400))
    _, stained = measured(lambda degrees: wave(2, 0.3)(degrees) + alike)
    # Ten frames alike count as one: √10 as much, less what the curve takes for bends of its own.
    assert stained[0].standard_uncertainty_mm > 2.0 * plain[0].standard_uncertainty_mm


@pytest.mark.parametrize("true_mm", [0.05, 0.4, 1.5])
def test_the_interval_holds_the_truth(true_mm):
    # 40 passes at 95 %: fewer than 34 would come up once in about 500 times (binomial).
    rng = np.random.default_rng(11)
    answers = [simulated(rng, true_mm)[0].total_runout for _ in range(40)]
    assert sum(held(total, true_mm) for total in answers) >= 34
    # A wheel exactly at its limit is "within" at most once in 40; more than 4 would come up once in 300 times.
    assert sum(judge(total, true_mm).outcome == "within" for total in answers) <= 4


def test_a_frame_of_unsure_angle_is_left_out_and_said_so():
    angle_deg = np.array([0.0, np.nan, 20.0, np.nan])
    seen, turning = followed(np.arange(4) / 30.0, angle_deg, np.full(4, 20.0), np.zeros((4, 2)))
    seen = replace(seen, lost=("", "", "", "covered"))
    kept = _without_unsure(seen, turning)
    assert_array_equal(np.isfinite(kept.sides[0].gap_px), [True, False, True, False])
    unsure = "the wheel's angle is not sure enough to name a spoke"
    assert kept.lost == ("", unsure, "", "covered")
    assert {f"1 frame not used: {why}." for why in ("covered", unsure)} <= set(_notes(kept, turning))


def test_what_all_angles_are_off_by_together_moves_spokes_readings_and_no_total():
    """A mark seen 0.4° early: each spoke is read that far beside its place, and max − min stays what it was."""
    together_deg = 0.4
    turns, shaken = wave(3, 0.6), wave(3, 0.6, phase_deg=3.0 * together_deg)
    (sure, _), (unsure, lines), (moved, _) = (
        measured(turns),
        measured(turns, unsure_deg=float(np.hypot(0.1, together_deg)), together_deg=together_deg),
        measured(shaken),
    )
    added = unsure.spoke_standard_uncertainty_mm**2 - sure.spoke_standard_uncertainty_mm**2
    assert_allclose(np.sqrt(added), np.abs(moved.spoke_mm - sure.spoke_mm), rtol=0.0, atol=0.002)
    assert np.sqrt(added).max() > 0.01
    assert_allclose(moved.total_runout.value, sure.total_runout.value, rtol=0.0, atol=0.001)
    assert_allclose(unsure.total_runout.expanded_uncertainty, sure.total_runout.expanded_uncertainty)
    assert {line.source: line.standard_uncertainty_mm for line in lines}["angle of the wheel"] < 1e-4


@pytest.mark.parametrize(("share", "zones"), [(0.3, 1), (0.4, 2)])
def test_a_bend_of_over_a_third_of_the_worst_one_is_a_zone_of_its_own(share, zones):
    apart = [(CURVE_DEG - place + 180.0) % 360.0 - 180.0 for place in (90.0, 270.0)]
    curve_mm = np.exp(-((apart[0] / 20.0) ** 2)) + share * np.exp(-((apart[1] / 20.0) ** 2))
    found = find_zones(curve_mm, np.arange(32) * 11.25)
    assert [round(zone.centre_deg) for zone in found] == [90, 270][:zones]
