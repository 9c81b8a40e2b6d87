"""A round teaches how far this rim moves."""

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from wheels import after, as_done, build, out_of_true, stiffened

from rimgauge.cli.plan_dish import _brought_forward
from rimgauge.cli.plan_files import Start
from rimgauge.cli.plan_given import Files
from rimgauge.correcting import correct
from rimgauge.errors import BadInput
from rimgauge.plan import Wishes, make_plan
from rimgauge.records import FloatArray, Round
from rimgauge.wheel import influence
from rimgauge.wheel.learning import believable, learn
from rimgauge.wheel.missed import moved_opposite
from rimgauge.wheel.movement import TOO_LITTLE, TOO_MUCH, far_more, share_moved


@pytest.fixture(scope="module")
def round_done(wheel, answer):
    before = out_of_true(wheel, 1, lateral_mm=2.5)
    return before, make_plan(before, wheel, answer)


def _miss(learnt: FloatArray, true: FloatArray) -> float:
    """Error of a matrix as a share of its norm."""
    return float(np.linalg.norm(learnt - true) / np.linalg.norm(true))


@pytest.mark.parametrize("factor", [0.8, 1.2])
def test_a_rim_that_moves_more_or_less_is_learnt(wheel, answer, round_done, factor):
    before, plan = round_done
    true_answer = replace(answer, lateral_mm=answer.lateral_mm * factor)
    learnt, notes = learn(wheel, [as_done(plan, before)], after(before, plan, true_answer))
    assert _miss(learnt.lateral_mm, true_answer.lateral_mm) < 0.03
    assert _miss(learnt.tension_n, answer.tension_n) < 0.03
    assert any(f"20% {'more' if factor > 1 else 'less'} sideways" in note for note in notes)


def test_the_middle_is_brought_forward_as_the_wheel_is_learnt_to_answer(wheel, answer, round_done):
    """A wheel that moves half as far again sideways moves so as a whole too."""
    before, plan = round_done
    before = replace(before, centred=True)
    true_answer = replace(answer, lateral_mm=1.4 * answer.lateral_mm, dish_mm=1.4 * answer.dish_mm)
    now, turns = after(before, plan, true_answer), as_done(plan, before).turns
    files = Files(lateral=None, radial=None, readings=None, tension=None, centred=False)
    start = Start(now=replace(now, centred=False), files=files, last=(plan, before), round_number=2)
    moved_mm = float(true_answer.dish_mm @ turns)
    expected_mm = float(before.lateral_mm.mean()) + moved_mm
    assert abs(_brought_forward(start, wheel) - expected_mm) < 0.1 * abs(moved_mm)


def test_missed_turns_are_not_taken_for_another_stiffness(wheel, answer, round_done):
    """A hand misses each turn by 0.03 (standard deviation): the wheel still is what it was taken for."""
    before, plan = round_done
    done = as_done(plan, before)
    then = after(before, plan, answer)
    random, missed_by = np.random.default_rng(0), []
    for _ in range(12):
        missed = random.normal(0, 0.03, 36) * (done.turns != 0)
        read = replace(
            then,
            lateral_mm=then.lateral_mm + answer.lateral_mm @ missed,
            radial_mm=then.radial_mm + answer.radial_mm @ missed,
            tension_n=then.tension_n + answer.tension_n @ missed,
        )
        missed_by.append(_miss(learn(wheel, [done], read)[0].lateral_mm, answer.lateral_mm))
    assert np.mean(missed_by) < 0.028  # 0.035 where stiffness alone is to explain it


def test_a_wheel_as_predicted_teaches_nothing(wheel, answer, round_done):
    before, plan = round_done
    learnt, notes = learn(wheel, [as_done(plan, before)], after(before, plan, answer))
    assert_allclose(learnt.lateral_mm, answer.lateral_mm, rtol=1e-9, atol=1e-12)
    assert notes == ()


@pytest.mark.parametrize(
    "centred", [False, True], ids=["never from the middle", "from the middle the second time"]
)
def test_an_offset_between_two_measurements_is_no_movement(wheel, answer, round_done, centred):
    before, plan = round_done
    now = after(before, plan, answer)
    shifted = replace(now, lateral_mm=now.lateral_mm + 3.0, centred=centred)
    learnt, _ = learn(wheel, [as_done(plan, before)], shifted)
    assert_allclose(learnt.lateral_mm, answer.lateral_mm, rtol=1e-9, atol=1e-12)


def test_turns_that_were_not_done_are_asked_about(wheel, answer, round_done):
    before, plan = round_done
    _, notes = learn(wheel, [as_done(plan, before)], before)
    assert any("were all its turns" in note for note in notes)
    done = as_done(plan, before)
    most = np.abs(done.turns) == np.abs(done.turns).max()
    few = replace(done, turns=np.where(np.arange(36) == np.flatnonzero(most)[0], done.turns, 0.0))
    _, notes = learn(wheel, [few], before)
    assert any("were all its turns" in note for note in notes)
    assert not any("seems to have turned" in note for note in notes), "no single nipple is to blame"


@pytest.mark.parametrize(("factor", "asked"), [(1.45, False), (1.56, True)])
def test_a_rim_that_moves_farther_than_any_wheel_is_asked_about(wheel, answer, round_done, factor, asked):
    before, plan = round_done
    done = as_done(plan, before)
    then = after(before, plan, replace(answer, lateral_mm=answer.lateral_mm * factor))
    learnt, notes = learn(wheel, [done], then)
    said = " ".join(notes)
    assert ("is this the wheel of the last round" in said) == asked
    assert ("more sideways than assumed" in said) != asked
    assert (believable(wheel, [done], then) == ()) == asked
    if asked:
        assert "moved sideways 1.6 times as far as planned" in said
        assert_allclose(learnt.lateral_mm, answer.lateral_mm, rtol=1e-12, atol=0)


@pytest.mark.parametrize(("planned_mm", "asked"), [(0.09, False), (0.11, True)])
def test_what_noise_makes_of_a_small_movement_is_not_asked_about(
    wheel, answer, round_done, planned_mm, asked
):
    before, plan = round_done
    done = as_done(plan, before)
    small = replace(done, turns=done.turns * planned_mm / np.ptp(answer.lateral_mm @ done.turns))
    then = replace(before, lateral_mm=before.lateral_mm + 2 * answer.lateral_mm @ small.turns)
    assert far_more(answer, small, then, "lateral_mm") == asked


@pytest.mark.parametrize(("others_turned", "asked"), [(0.0, False), (0.3, True)])
def test_what_contradicts_the_round_is_asked_about_and_teaches_nothing(
    wheel, answer, round_done, others_turned, asked
):
    before, plan = round_done
    done = as_done(plan, before)
    then = after(before, plan, replace(answer, lateral_mm=answer.lateral_mm * 1.2))
    slipped = np.random.default_rng(7).normal(0, others_turned, 36)
    then = replace(then, lateral_mm=then.lateral_mm + answer.lateral_mm @ slipped)
    assert TOO_LITTLE < share_moved(answer, done, then, "lateral_mm") < TOO_MUCH, (
        "by its size alone it could be"
    )
    learnt, notes = learn(wheel, [done], then)
    said = " ".join(notes)
    assert ("is this the wheel of the last round" in said) == asked
    assert ("nothing is learnt from that round" in said) == asked
    assert ("the plan counts on that" in said) != asked
    assert np.array_equal(learnt.lateral_mm, answer.lateral_mm) == asked
    assert (believable(wheel, [done], then) == ()) == asked


def test_another_wheel_teaches_nothing(wheel, answer, round_done):
    before, plan = round_done
    another = replace(before, lateral_mm=-before.lateral_mm)
    learnt, notes = learn(wheel, [as_done(plan, before)], another)
    assert any("is this the wheel of the last round" in note for note in notes)
    assert not any("the plan counts on that" in note for note in notes)
    assert_allclose(learnt.lateral_mm, answer.lateral_mm, rtol=1e-12, atol=0)


ON_A_STIFFER_RIM = [(seed, radial) for seed in (501, 502, 503, 504) for radial in (False, True)]


def _read_again(
    seed: int, *, radial: bool, done: Callable[[FloatArray], FloatArray], told: bool = False
) -> tuple[str, Round]:
    """What is said after a round of which a hand did as `done` says, on a stiffer rim than the model's."""
    wheel, random = build(), np.random.default_rng(seed)
    before = out_of_true(wheel, seed, lateral_mm=2.0, radial=radial, tension=False)
    asked = as_done(make_plan(before, wheel, influence(wheel)), before)
    turns = done(asked.turns)
    turns = turns + random.normal(0, 0.03, 36) * (turns != 0)
    truth = influence(stiffened(wheel, 1.3))
    then = replace(
        before,
        lateral_mm=before.lateral_mm + truth.lateral_mm @ turns + random.normal(0, 0.015, 36),
        radial_mm=before.radial_mm + truth.radial_mm @ turns + random.normal(0, 0.015, 36),
    )
    return " ".join(learn(wheel, [asked], then, told=told)[1]), asked


@pytest.mark.parametrize(("seed", "radial"), ON_A_STIFFER_RIM)
def test_a_round_done_as_planned_blames_no_nipple(seed, radial):
    said, _ = _read_again(seed, radial=radial, done=lambda turns: turns)
    assert "seems" not in said
    assert "were all its turns" not in said


@pytest.mark.parametrize(("seed", "radial"), ON_A_STIFFER_RIM)
def test_the_nipple_turned_the_wrong_way_is_named(seed, radial):
    said, asked = _read_again(seed, radial=radial, done=_largest_reversed)
    spoke = int(np.argmax(np.abs(asked.turns))) + 1
    named = [sentence for sentence in said.split(". ") if "seems" in sentence]
    assert re.search(rf"\b{spoke} \(", named[0])
    assert "(" not in named[0].partition(" seems")[0].partition("(")[2] or not radial, (
        "up-and-down tells them apart"
    )
    assert "If you left steps out, plan again with --done instead." in said
    said, _ = _read_again(seed, radial=radial, done=_largest_reversed, told=True)
    assert "seems" in said
    assert "left steps out" not in said, "--done told which were"


@pytest.mark.parametrize("off", [0.5, -0.5])
def test_a_nipple_turned_though_none_was_to_be_is_told_so_without_a_sign(off):
    """It was told to have turned by -0.21 instead of +0.00 turns, which is no mechanic's way to say it."""

    def one_more(turns: FloatArray) -> FloatArray:
        spare = np.flatnonzero(turns == 0.0)[0]
        return np.where(np.arange(len(turns)) == spare, off, turns)

    said, asked = _read_again(505, radial=True, done=one_more)
    spare = int(np.flatnonzero(asked.turns == 0.0)[0]) + 1
    way = "tighter" if off > 0.0 else "looser"
    told = re.search(
        rf"Spoke {spare} \(\w+ side\) seems to have turned (0\.\d\d) turns {way}, and was to be left", said
    )
    assert told is not None, said
    assert abs(float(told[1]) - abs(off)) < 0.2
    assert "left steps out" not in said, "it was no step"


def _largest_reversed(turns: FloatArray) -> FloatArray:
    largest = np.arange(len(turns)) == np.argmax(np.abs(turns))
    return np.where(largest, -turns, turns)


@pytest.mark.parametrize(("share", "asked"), [(0.5, True), (0.75, False)])
def test_a_round_of_which_the_rim_shows_half_is_asked_about(wheel, answer, round_done, share, asked):
    before, plan = round_done
    turns = share * as_done(plan, before).turns
    then = replace(
        before, lateral_mm=before.lateral_mm + answer.lateral_mm @ turns, radial_mm=np.full(36, np.nan)
    )
    _, notes = learn(wheel, [as_done(plan, before)], then)
    assert any("plan again with --done" in note for note in notes) == asked
    _, notes = learn(wheel, [as_done(plan, before)], then, told=True)
    assert not any("all turns of the last round" in note for note in notes), (
        "asked once, answered with --done"
    )


@pytest.mark.parametrize(("share", "of_this_rim"), [(0.5, False), (0.75, True)])
def test_a_rim_that_moves_less_than_wheels_differ_by_is_told_no_property_of_it(
    wheel, answer, round_done, share, of_this_rim
):
    """Each turn is done by that share; in tension and radially too."""
    before, plan = round_done
    partly = replace(
        plan, corrections=tuple(replace(item, turns=share * item.turns) for item in plan.corrections)
    )
    said = " ".join(learn(wheel, [as_done(plan, before)], after(before, partly, answer))[1])
    only = re.search(r"The rim moved sideways only about (\d\d)% as far as planned", said)
    assert (only is None) == of_this_rim
    assert only is None or abs(int(only[1]) - 50) <= 2
    assert ("This rim moves" in said) == of_this_rim


@pytest.mark.parametrize("seed", [501, 502, 503, 504])
def test_a_round_half_done_is_asked_about_and_no_nipple_is_blamed(seed):
    said, _ = _read_again(seed, radial=True, done=lambda turns: turns * (np.arange(36) < 18))
    assert re.search("all (turns of the last round|its turns) done", said)
    assert "seems" not in said


def test_a_wheel_that_sits_otherwise_is_not_asked_for_turns_that_were_told_not_done(wheel, round_done):
    before, plan = round_done
    done = as_done(plan, before)
    left_out = replace(done, turns=np.zeros(36))
    tilted = before.lateral_mm + 0.15 * np.cos(np.radians(wheel.spoke_angles_deg))
    _, notes = learn(wheel, [done, left_out], replace(before, lateral_mm=tilted))
    assert not any("were all its turns" in note or "seems" in note for note in notes)


def test_a_rim_that_moved_the_opposite_way_is_named_so(wheel, answer, round_done):
    before, plan = round_done
    turns = -as_done(plan, before).turns
    wrong_way = replace(
        before,
        lateral_mm=before.lateral_mm + answer.lateral_mm @ turns,
        radial_mm=before.radial_mm + answer.radial_mm @ turns,
    )
    assert "sideways the opposite way in the last round, by 100%" in moved_opposite(
        wheel, as_done(plan, before), wrong_way
    )
    assert moved_opposite(wheel, as_done(plan, before), after(before, plan, answer)) is None
    followed = correct(wrong_way, wheel, previous=(plan, before))
    assert followed.refused.startswith("the rim moved sideways the opposite way in the last round, by 100%")
    assert followed.corrections == ()
    assert not any("as far as planned" in note for note in followed.notes)
    wishes = Wishes(checked=frozenset({"turns"}))
    checked = correct(wrong_way, wheel, wishes=wishes, previous=(plan, before))
    assert checked.refused is None
    assert checked.corrections
    assert not any("opposite" in words for words in checked.see_to_first)


def test_a_rim_that_moved_a_little_the_opposite_way_is_planned_with_a_word_first(wheel, answer, round_done):
    before, plan = round_done
    turns = -0.3 * as_done(plan, before).turns
    little = replace(
        before,
        lateral_mm=before.lateral_mm + answer.lateral_mm @ turns,
        radial_mm=before.radial_mm + answer.radial_mm @ turns,
    )
    followed = correct(little, wheel, previous=(plan, before))
    assert followed.refused is None
    assert followed.see_to_first[0].startswith(
        "Before you turn a nipple: the rim moved sideways the opposite way in the last round, by 30%"
    )


def test_noise_without_turns_teaches_nothing(wheel, answer, round_done):
    before, plan = round_done
    noisy = replace(before, lateral_mm=before.lateral_mm + np.random.default_rng(0).normal(0, 0.05, 36))
    learnt, _ = learn(wheel, [as_done(replace(plan, corrections=()), before)], noisy)
    assert_allclose(learnt.lateral_mm, answer.lateral_mm, rtol=1e-9, atol=0)


def test_readings_of_another_wheel(wheel, answer, round_done):
    before, plan = round_done
    with pytest.raises(BadInput, match="36 spokes"):
        learn(wheel, [as_done(plan, before)], out_of_true(build(32), 0, lateral_mm=1.0))


def test_a_plan_is_made_on_the_rounds_that_were_done_and_told_of_those_that_may_not_have_been(
    wheel, answer, round_done, monkeypatch
):
    before, plan = round_done
    asked = []

    def make(*_, earlier, doubted, **__):
        asked.append([[done.turns.tolist() for done in rounds] for rounds in (earlier, doubted)])
        raise BadInput("asked enough")

    monkeypatch.setattr("rimgauge.correcting.make_plan", make)
    for now in (before, after(before, plan, answer)):
        with pytest.raises(BadInput, match="asked enough"):
            correct(now, wheel, previous=(plan, before))
    turns = as_done(plan, before).turns.tolist()
    assert asked == [[[], [turns]], [[turns], []]]


def test_a_last_round_of_more_spokes_is_refused(wheel, round_done):
    before, plan = round_done
    larger = replace(plan, corrections=(replace(plan.corrections[0], spoke=40),))
    with pytest.raises(BadInput, match="turns spoke 40, but its readings are of 36 spokes"):
        correct(before, wheel, previous=(larger, before))


@pytest.mark.parametrize("factor", [0.8, 1.25])
def test_a_stiffer_or_softer_rim_is_learnt_from_how_it_moves(wheel, answer, round_done, factor):
    before, plan = round_done
    true_answer = influence(stiffened(wheel, factor))
    learnt, _ = learn(wheel, [as_done(plan, before)], after(before, plan, true_answer))
    assert _miss(learnt.lateral_mm, true_answer.lateral_mm) < 0.5 * _miss(
        answer.lateral_mm, true_answer.lateral_mm
    )


def test_a_nipple_that_did_not_turn_is_named(wheel, answer, round_done):
    before, plan = round_done
    missed = max(plan.corrections, key=lambda item: abs(item.turns))
    done = replace(plan, corrections=tuple(item for item in plan.corrections if item is not missed))
    _, notes = learn(wheel, [as_done(plan, before)], after(before, done, answer))
    assert any(f"Spoke {missed.spoke} ({missed.side} side) seems" in note for note in notes)


def test_a_later_round_forgets_nothing(wheel, answer, round_done):
    """The second round hardly moves the rim: what it teaches alone is next to nothing."""
    before, plan = round_done
    true_answer = replace(answer, lateral_mm=answer.lateral_mm * 1.2)
    then = after(before, plan, true_answer)
    second = replace(plan, corrections=(replace(plan.corrections[0], turns=0.125),))
    rounds = [as_done(plan, before), as_done(second, then)]
    now = after(then, second, true_answer)
    both, alone = learn(wheel, rounds, now)[0], learn(wheel, rounds[1:], now)[0]
    assert _miss(both.lateral_mm, true_answer.lateral_mm) < 0.03
    assert _miss(alone.lateral_mm, true_answer.lateral_mm) > 0.06


def test_rounds_up_to_one_that_was_not_done_are_left_out(wheel, answer, round_done):
    before, plan = round_done
    then = after(before, plan, answer)
    not_done, last = as_done(plan, before), as_done(plan, before)
    assert believable(wheel, [not_done, last], then) == (last,)
    learnt, _ = learn(wheel, [not_done, last], then)
    assert_allclose(learnt.lateral_mm, answer.lateral_mm, rtol=1e-9, atol=1e-12)
    assert believable(wheel, [last, not_done], before) == ()
