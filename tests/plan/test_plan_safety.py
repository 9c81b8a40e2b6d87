"""When the plan stops, and what it says then."""

import re
from dataclasses import replace

import numpy as np
import pytest
from wheels import build, out_of_true, turns_of

from rimgauge.errors import BadInput
from rimgauge.plan import Wishes, make_plan
from rimgauge.plan.patterns import points_elsewhere
from rimgauge.plan.safety import reason_to_refuse
from rimgauge.plan.stating import state_problem
from rimgauge.plan.to_know import things_to_know
from rimgauge.plan.wishes import Known
from rimgauge.records import Tension
from rimgauge.wheel import influence


def _refused(readings, wheel, answer, **wishes) -> str:
    plan = make_plan(readings, wheel, answer, wishes=Wishes(**wishes))
    assert plan.refused is not None
    assert plan.corrections == ()
    assert plan.predicted.lateral_mm == plan.before.lateral_mm
    assert plan.cautions
    return plan.refused


def test_no_readings(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=1.0)
    unread = np.full(36, np.nan)
    assert "no runout readings" in _refused(
        replace(readings, lateral_mm=unread, radial_mm=unread), wheel, answer
    )


def test_a_stretch_without_readings(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=1.0)
    holes = readings.lateral_mm.copy()
    holes[[35, 0, 1]] = np.nan
    assert "3 spokes in a row" in _refused(replace(readings, lateral_mm=holes), wheel, answer)


def test_single_missing_readings_are_bridged(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=1.5)
    holes = readings.lateral_mm.copy()
    holes[[3, 17]] = np.nan
    plan = make_plan(replace(readings, lateral_mm=holes), wheel, answer)
    assert plan.refused is None
    assert plan.corrections


def test_mean_tension_over_the_limit(wheel, answer):
    tight = replace(wheel, tension=Tension(right_n=1000.0, left_n=1000.0, limit_n=950.0))
    assert "over the limit of 950 N" in _refused(out_of_true(wheel, 0, lateral_mm=1.0), tight, answer)


def test_unread_spokes_that_the_plan_brings_near_the_limit_are_to_be_plucked_first(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=1.0)
    unread = replace(readings, tension_n=np.full(36, np.nan))
    tight_n = max(wheel.tension.right_n, wheel.tension.left_n)
    for limit_n, told in ((1.08 * tight_n, True), (1.6 * tight_n, False)):
        near = replace(wheel, tension=replace(wheel.tension, limit_n=limit_n))
        plan = make_plan(unread, near, answer)
        said = [note for note in plan.see_to_first if "may be brought over" in note]
        assert len(said) == told
        tightened = {turn.spoke for turn in plan.corrections if turn.turns > 0}
        named = re.findall(r"\b\d+\b", " ".join(said).split(" N: ")[-1])
        assert {int(number) for number in named} <= tightened
        assert bool(named) == told
        plucked = make_plan(unread, near, answer, wishes=Wishes(checked=frozenset({"spokes"})))
        assert not any("may be brought over" in note for note in plucked.see_to_first)
    assert not any("may be brought over" in note for note in make_plan(readings, wheel, answer).see_to_first)


def test_a_side_read_without_any_tension_is_refused(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=1.0)
    none = np.where([flange == "left" for flange in wheel.flanges], 0.0, readings.tension_n)
    with pytest.raises(BadInput, match="every tension read on the left side is 0"):
        make_plan(replace(readings, tension_n=none), wheel, answer)


def test_single_spokes_over_the_limit_are_named_and_not_tightened_further(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=1.0)
    limit_n = float(np.sort(readings.tension_n)[-3]) + 0.5
    near = replace(wheel, tension=replace(wheel.tension, limit_n=limit_n), assumed=("tension.limit_n",))
    plan = make_plan(readings, near, answer)
    over = np.flatnonzero(readings.tension_n > limit_n)
    assert len(over) == 2
    said = next(note for note in plan.notes if note.startswith("Over the tension limit"))
    assert f"of {limit_n:.0f} N, which is assumed: spokes {over[0] + 1} and {over[1] + 1}, with up to" in said
    assert plan.corrections
    assert (answer.tension_n @ turns_of(plan, 36))[over].max() < 1.0
    assert not any("Over the tension limit" in note for note in make_plan(readings, wheel, answer).notes)
    true = make_plan(replace(readings, lateral_mm=0.1 * readings.lateral_mm), near, answer)
    assert not true.corrections
    assert true.notes[0].startswith("Over the tension limit"), "a true wheel is not left so without a word"


@pytest.mark.parametrize(("share", "loose"), [(0.48, True), (0.52, False)])
def test_a_wheel_far_too_loose_is_told_before_the_steps(wheel, answer, share, loose):
    readings = out_of_true(wheel, 0, lateral_mm=1.0)
    plan = make_plan(replace(readings, tension_n=share * readings.tension_n), wheel, answer)
    said = [words for words in plan.see_to_first if "far too loose to ride" in words]
    assert len(said) == (2 if loose else 0)
    if loose:
        mean_n = share * readings.tension_n[::2].mean()
        assert (
            f"the right side is far too loose to ride, {mean_n:.0f} N in the mean where the wheel file has 1000"
            in said[0]
        )
        assert "bring the tension up evenly all round first" in said[1]


def test_a_low_limit_alone_is_no_tension_over_it():
    low = build(tension={"limit_n": 900.0})
    plan = make_plan(out_of_true(low, 0, lateral_mm=1.0, tension=False), low, influence(low))
    assert plan.refused is None
    assert any("750 N on the right" in note and "are assumed" in note for note in plan.notes)


def test_a_limit_that_one_given_side_puts_the_other_over():
    dished = build(kind="box-section alloy, dished rear", tension={"left_n": 600.0, "limit_n": 900.0})
    readings = out_of_true(dished, 0, lateral_mm=1.0, tension=False)
    assert "worked out from the left one's for the right side" in _refused(
        readings, dished, influence(dished)
    )


def test_a_slack_spoke(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=1.0)
    tension = readings.tension_n.copy()
    tension[6] = 80.0
    assert "spoke 7 on the right side is slack or broken" in _refused(
        replace(readings, tension_n=tension), wheel, answer
    )


@pytest.mark.parametrize(("times", "spokes"), [(10.0, (7,)), (10.0, (7, 13)), (1.4, tuple(range(1, 37, 2)))])
def test_a_slip_of_the_pencil_is_named_and_no_tension_of_all(wheel, answer, times, spokes):
    """A point left out makes ten of one: one or two such bring the mean over the limit, and so do all that are too tight."""
    readings = out_of_true(wheel, 0, lateral_mm=1.0)
    tension = readings.tension_n.copy()
    tension[[spoke - 1 for spoke in spokes]] *= times
    said = _refused(replace(readings, tension_n=tension), wheel, answer)
    if times < 2.0:
        assert "the mean tension read for the right side" in said
        return
    named = " and ".join(str(spoke) for spoke in spokes)
    assert f"read at spoke{'s' if len(spokes) > 1 else ''} {named} (right side)" in said
    assert "if it was misread, plan again" in said
    assert f"{tension[6]:.0f} N" in said


@pytest.mark.parametrize(
    ("spokes", "tenfold", "unread"),
    [(12, (3,), (11,)), (12, (3,), (9, 11)), (36, (3, 7), (27, 29, 31, 33, 35))],
    ids=["one unread", "a third unread", "two slips, five unread"],
)
def test_of_a_slip_of_the_pencil_no_spoke_is_named_that_was_not_read(spokes, tenfold, unread):
    """What wasn't read is taken at its side's mean, which the slip raises far over the median."""
    made = build(spokes)
    readings = out_of_true(made, 3, lateral_mm=1.0)
    tension_n = readings.tension_n.copy()
    tension_n[[spoke - 1 for spoke in tenfold]] *= 10.0
    tension_n[[spoke - 1 for spoke in unread]] = np.nan
    said = _refused(replace(readings, tension_n=tension_n), made, influence(made))
    named = f"spoke{'s' if len(tenfold) > 1 else ''} {' and '.join(str(spoke) for spoke in tenfold)}"
    assert f"read at {named} (right side)" in said


def test_a_slip_of_the_pencil_does_not_hide_a_side_that_is_too_tight_besides(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=1.0)
    tension_n = np.where(np.arange(36) % 2 == 0, 1.4, 1.0) * readings.tension_n
    tension_n[6] *= 10.0
    said = _refused(replace(readings, tension_n=tension_n), wheel, answer)
    assert "the mean tension read for the right side" in said


@pytest.mark.parametrize(("direction", "reading_mm"), [("lateral", 8.4), ("radial", 4.4)])
def test_runout_that_is_damage(wheel, answer, direction, reading_mm):
    readings = out_of_true(wheel, 0, lateral_mm=1.0)
    far = np.cos(np.radians(wheel.spoke_angles_deg) * 2) * reading_mm / 2
    refused = _refused(replace(readings, **{f"{direction}_mm": far}), wheel, answer)
    assert f"the {direction} runout of {np.ptp(far):.1f} mm is beyond what nipples can mend" in refused


def test_a_bend_too_sharp_for_nipples(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=1.0, tension=False, radial=False)
    kink = np.zeros(36)
    kink[[9, 10]] = 3.0, -3.0
    assert "rim itself seems bent" in _refused(replace(readings, lateral_mm=kink), wheel, answer)
    looked = _refused(replace(readings, lateral_mm=kink), wheel, answer, checked=frozenset({"rim"}))
    assert "no turns that keep tension even make it much less" in looked


@pytest.mark.parametrize(("size_mm", "bent"), [(0.6, False), (0.8, True)])
def test_a_small_kink_is_no_bent_rim_however_strict_the_goal(wheel, answer, size_mm, bent):
    """Over half of either stays, which is more than the goal; of the smaller one less than half a millimetre."""
    readings = out_of_true(wheel, 0, lateral_mm=1.0, tension=False, radial=False)
    kink = np.zeros(36)
    kink[[9, 10]] = size_mm / 2, -size_mm / 2
    strict = replace(wheel, tolerance=replace(wheel.tolerance, lateral_mm=0.2))
    readings = replace(readings, lateral_mm=kink)
    problem = state_problem(readings, strict, answer, Wishes())
    refused = reason_to_refuse(readings, strict, answer, problem, Wishes(), Known())
    assert ("rim itself seems bent" in (refused or "")) == bent


@pytest.mark.parametrize(("loosened", "lost"), [(1.5, False), (2.0, True)])
def test_a_spoke_that_kept_some_of_its_tension_is_not_taken_for_broken(wheel, answer, loosened, lost):
    """Either makes all of the runout; by two turns the spoke loses over 0.6 of its 1000 N, by one and a half it doesn't."""
    readings = out_of_true(wheel, 0, lateral_mm=1.0, tension=False, radial=False)
    readings = replace(readings, lateral_mm=-answer.lateral_mm[:, 6] * loosened)
    problem = state_problem(readings, wheel, answer, Wishes())
    said = points_elsewhere(readings, wheel, answer, problem, frozenset())
    assert ("spoke 7 (right side) had lost its tension" in (said or "")) == lost


def test_a_spoke_that_may_be_broken_is_looked_at_before_the_steps(wheel, answer):
    """Nine tenths of the squares are those of one spoke that lost its tension: likely, but not plain."""
    readings = out_of_true(wheel, 1, lateral_mm=1.0, tension=False, radial=False)
    lost = -2.5 * answer.lateral_mm[:, 6]
    lost -= lost.mean()
    other = readings.lateral_mm - lost * (readings.lateral_mm @ lost) / (lost @ lost)
    readings = replace(readings, lateral_mm=lost + other * np.sqrt((lost @ lost) / 9 / (other @ other)))
    plan = make_plan(readings, wheel, answer)
    assert plan.corrections
    (words,) = plan.see_to_first
    assert "as if spoke 7 (right side) had lost its tension" in words
    assert not any("lost its tension" in note for note in plan.notes)
    looked = Wishes(checked=frozenset({"spokes"}))
    assert make_plan(readings, wheel, answer, wishes=looked).see_to_first == ()
    tight = replace(wheel, tension=Tension(right_n=1000.0, left_n=1000.0, limit_n=1010.0))
    plan = make_plan(readings, tight, answer)
    assert "the tension limit is in the way" in (plan.refused or "")
    assert plan.see_to_first == (words,), "a broken spoke is no matter of the limit"


def test_a_limit_at_the_mean_tension_is_said(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=1.0)
    full = replace(wheel, tension=Tension(right_n=1000.0, left_n=900.0, limit_n=1000.0))
    for each, said in ((full, True), (wheel, False)):
        notes = things_to_know(readings, each, state_problem(readings, each, answer, Wishes()))
        assert any("puts the mean tension at the limit" in note for note in notes) == said


def test_a_tension_limit_that_leaves_no_room(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=1.5)
    full = replace(wheel, tension=Tension(right_n=1000.0, left_n=1000.0, limit_n=1000.0))
    even = replace(readings, tension_n=np.full(36, 1000.0))
    assert "tension limit is in the way" in _refused(even, full, answer)


def test_true_enough_is_left_alone(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=0.3)
    plan = make_plan(replace(readings, radial_mm=readings.radial_mm * 0.1), wheel, answer)
    assert plan.refused is None
    assert plan.corrections == ()
    assert any("true enough" in note for note in plan.notes)


def test_a_tilted_rim_that_is_true_otherwise_stops_until_the_axle_is_checked(wheel, answer):
    tilt = 0.5 * np.cos(np.radians(wheel.spoke_angles_deg) - 1.0)
    ripple = 0.05 * np.cos(np.radians(3 * wheel.spoke_angles_deg))
    readings = replace(out_of_true(wheel, 0, lateral_mm=1.0), lateral_mm=tilt + ripple)
    why = _refused(readings, wheel, answer)
    assert "swings 1.00 mm once a turn" in why
    assert "bent axle" in why
    assert "--checked axle" in why
    checked = make_plan(readings, wheel, answer, wishes=Wishes(checked=frozenset({"axle"})))
    assert checked.refused is None
    assert checked.corrections


def test_a_tilted_rim_that_is_out_besides_is_planned_with_a_word_on_the_axle(wheel, answer):
    tilt = 1.5 * np.cos(np.radians(wheel.spoke_angles_deg) - 1.0)
    rest = 0.3 * np.cos(np.radians(3 * wheel.spoke_angles_deg))
    plan = make_plan(replace(out_of_true(wheel, 0, lateral_mm=1.0), lateral_mm=tilt + rest), wheel, answer)
    assert plan.refused is None
    assert any("axle" in words for words in plan.see_to_first)


def test_a_spoke_that_lost_its_tension_is_named_and_looked_at_first(wheel, answer):
    lost = -0.9 * 1000.0 / answer.tension_n[20, 20]
    readings = replace(
        out_of_true(wheel, 0, lateral_mm=1.0, tension=False, radial=False),
        lateral_mm=answer.lateral_mm[:, 20] * lost,
    )
    assert "spoke 21 (right side) had lost its tension: look whether it is broken" in _refused(
        readings, wheel, answer
    )
    assert _refused(readings, wheel, answer, checked=frozenset({"axle"}))
    sound = make_plan(readings, wheel, answer, wishes=Wishes(checked=frozenset({"spokes"})))
    assert sound.refused is None


def _flat_spot(wheel, depth_mm: float) -> np.ndarray:
    """A dip of one smooth hollow, four spokes long at half its depth, across the valve."""
    apart = (wheel.spoke_angles_deg + 180.0) % 360.0 - 180.0
    return -depth_mm * np.exp(-((apart / 25.0) ** 2))


def test_a_flat_spot_from_a_knock(wheel, answer):
    readings = replace(out_of_true(wheel, 0, lateral_mm=0.8, tension=False), radial_mm=_flat_spot(wheel, 1.2))
    why = _refused(readings, wheel, answer)
    assert "flat spot at spokes 35 to 2" in why
    assert "knock" in why
    assert make_plan(readings, wheel, answer, wishes=Wishes(checked=frozenset({"rim"}))).refused is None
    shallow = replace(readings, radial_mm=_flat_spot(wheel, 0.4))
    assert make_plan(shallow, wheel, answer).refused is None


@pytest.mark.parametrize(
    ("first", "last", "off_mm"), [(15, 20, 0.6), (2, 8, -1.2)], ids=["a bulge elsewhere", "a dip too long"]
)
def test_a_rim_that_is_not_round_otherwise_has_no_flat_spot(wheel, answer, first, last, off_mm):
    def said(radial_mm):
        readings = replace(out_of_true(wheel, 0, lateral_mm=0.8, tension=False), radial_mm=radial_mm)
        problem = state_problem(readings, wheel, answer, Wishes())
        return points_elsewhere(readings, wheel, answer, problem, frozenset())

    radial_mm = _flat_spot(wheel, 1.2)
    assert "flat spot" in said(radial_mm)
    radial_mm[first:last] = off_mm
    assert said(radial_mm) is None


def test_a_dip_that_its_spokes_pull_in_is_no_flat_spot(wheel, answer):
    even = out_of_true(wheel, 0, lateral_mm=0.8)
    tension = np.full(36, 1000.0)
    tension[[34, 35, 0, 1]] = 1150.0
    readings = replace(even, radial_mm=_flat_spot(wheel, 1.0), tension_n=tension)
    assert "flat spot" not in (make_plan(readings, wheel, answer).refused or "")


def test_damage_stops_every_plan(wheel, answer):
    why = _refused(out_of_true(wheel, 0, lateral_mm=1.0), wheel, answer, cracked=True)
    assert "crack" in why
    assert "must not be ridden" in why


def test_seized_nipples_are_left_alone_and_said(wheel, answer):
    readings = out_of_true(wheel, 0, lateral_mm=1.5)
    turned = [item.spoke for item in make_plan(readings, wheel, answer).corrections][:3]
    plan = make_plan(readings, wheel, answer, wishes=Wishes(seized=tuple(turned)))
    assert not set(turned) & {item.spoke for item in plan.corrections}
    assert plan.corrections
    assert any("left alone as seized" in note for note in plan.notes)
    assert "no nipple turns" in _refused(readings, wheel, answer, seized=tuple(range(1, 37)))
    with pytest.raises(BadInput, match="no spoke 37"):
        make_plan(readings, wheel, answer, wishes=Wishes(seized=(37,)))


def test_assumed_tension_is_said(wheel, answer):
    with_tension = make_plan(out_of_true(wheel, 0, lateral_mm=1.0), wheel, answer)
    without = make_plan(out_of_true(wheel, 0, lateral_mm=1.0, tension=False), wheel, answer)
    assert any("Pluck or squeeze each spoke before you tighten it" in caution for caution in without.cautions)
    assert not any("Pluck or squeeze" in caution for caution in with_tension.cautions)
    said = " ".join((*without.notes, *without.cautions))
    assert said.count("Tension was not read") == 1, "once is enough"
    assert "not read but assumed" not in said
    assert "figures of the wheel's build are not in its file" in said


def test_cautions_name_the_maker_a_mechanic_and_the_eyes(wheel, answer):
    text = " ".join(make_plan(out_of_true(wheel, 0, lateral_mm=1.0), wheel, answer).cautions)
    for word in ("maker", "mechanic", "eye protection", "crack", "seized", "Before riding"):
        assert word in text


def test_the_price_of_a_bent_rim_is_said(wheel, answer):
    """Tension is nearly even and the rim bent: truth is had at the price of uneven tension, if at all."""
    bend = 0.8 * np.cos(np.radians(3 * wheel.spoke_angles_deg))
    readings = out_of_true(wheel, 1, lateral_mm=0.8)
    tension = 1000.0 + 0.4 * (readings.tension_n - readings.tension_n.mean())
    bent = replace(readings, lateral_mm=readings.lateral_mm + bend, tension_n=tension)
    strict = replace(wheel, tolerance=replace(wheel.tolerance, lateral_mm=0.2))
    plan = make_plan(bent, strict, answer)
    said = " ".join((*plan.notes, plan.refused or ""))
    assert "tension spread of a side would have to be at least" in said
    assert "rim itself is bent" in said


def test_a_wheel_that_needs_no_turns_gets_no_cautions_on_how_to_turn(wheel, answer):
    out = out_of_true(wheel, 2, lateral_mm=1.0)
    even = replace(out, lateral_mm=0.2 * out.lateral_mm, radial_mm=0.2 * out.radial_mm)
    even = replace(even, tension_n=1000.0 + 0.2 * (out.tension_n - 1000.0))
    for readings, turned in ((out, True), (even, False)):
        plan = make_plan(readings, wheel, answer)
        assert bool(plan.corrections) == turned
        said = " ".join(plan.cautions)
        assert "qualified mechanic" in said
        assert "cracks" in said
        assert "Before riding" in said
        assert ("wind up" in said) == turned
        assert ("eye protection" in said) == turned
