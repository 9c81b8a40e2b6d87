"""One round of corrections, from readings to words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rimgauge.errors import BadInput
from rimgauge.plan.choosing import Chosen, choose
from rimgauge.plan.coarse import coarse_steps_mm, doubts
from rimgauge.plan.order import order_of_work
from rimgauge.plan.out_of_line import slips
from rimgauge.plan.patterns import first_looks, misread
from rimgauge.plan.problem import Problem
from rimgauge.plan.remains import fewer_nipples, left_over, out_of_reach, radial_steps
from rimgauge.plan.safety import reason_to_refuse
from rimgauge.plan.stating import held_too, state_problem
from rimgauge.plan.to_know import (
    ASSUMED_TENSION,
    CAUTIONS,
    LET_BE,
    far_too_loose,
    may_pass_limit,
    over_limit,
    sides_mistaken,
    things_to_know,
)
from rimgauge.plan.wishes import Known, Wishes
from rimgauge.plan.wording import correction_words
from rimgauge.records import (
    EIGHTH,
    Correction,
    FloatArray,
    Influence,
    IntArray,
    Plan,
    Readings,
    Round,
    Wheel,
    WheelState,
)

DEFAULT_WISHES, NOTHING_MORE = Wishes(), Known()


_NO_ROOM = (
    "how much of the last round was done isn't known, and as any part of its turns may have been made, too little room is left "
    "to the limits to plan more. Say with --done which spokes were turned (--done none if none was), or read the spokes' tension."
)


def make_plan(
    readings: Readings,
    wheel: Wheel,
    influence: Influence,
    *,
    wishes: Wishes = DEFAULT_WISHES,
    round_number: int = 1,
    earlier: Sequence[Round] = (),
    doubted: Sequence[Round] = (),
    known: Known = NOTHING_MORE,
) -> Plan:
    """Work out which nipples to turn in this round, how far and in what order.

    Turns are whole eighths, + tightens. Lateral + is to the wheel's right, radial + outward.

    Parameters
    ----------
    readings : runout at each of n spokes [mm], and their tension [N] where it was read; NaN where not.
    wheel : build, tension limit and tolerances.
    influence : what one turn of each nipple does at the spokes (angle_deg must be those of the wheel's spokes).
    wishes : largest turn, where the nipples are seen from, what was looked at, and nipples to leave alone.
    round_number : number of this round, from 1.
    earlier : the rounds done before on the same wheel, the oldest first. What was read then counts as further
        readings, and dish, mean tension and evenness are held to what they were before the first of them.
    doubted : rounds before those, up to one that can't have been done as planned. Whether they were done or not, tension,
        its mean and dish are held to their limits; nothing else is made of them.
    known : what is known of the wheel beside its readings.

    Returns
    -------
    Plan
        A refused plan has no corrections and says why. Its bound is in turns (docs/method-plan.md); bound.proved
        is the optimum with turns of any size and no price of uneven tension, which no plan can beat.

    Raises
    ------
    BadInput
        The readings or the influence are not of this wheel.

    """
    _check(readings, wheel, influence)
    problem = _stated(readings, wheel, influence, wishes, earlier, doubted)
    refused = reason_to_refuse(readings, wheel, influence, problem, wishes, known) or known.stop
    if refused is None:
        chosen, looks = _chosen(readings, wheel, influence, problem, wishes, earlier, known)
        if doubted and chosen.refused is not None:
            chosen = replace(chosen, refused=_NO_ROOM)
    else:
        chosen, looks = Chosen.nothing(problem, refused), ()
    over = over_limit(wheel, problem) if refused is None else ()
    plan = _written(problem, wheel, chosen, wishes, over)
    first = () if refused else (*far_too_loose(wheel, problem), *looks)
    if chosen.eighths.any():
        first = (*sides_mistaken(wheel, problem), *first)
    return replace(
        plan, round=round_number, see_to_first=first, readings=readings, earlier=(*doubted, *earlier)
    )


def _stated(
    readings: Readings,
    wheel: Wheel,
    influence: Influence,
    wishes: Wishes,
    earlier: Sequence[Round],
    doubted: Sequence[Round],
) -> Problem:
    """The problem, held to its limits whatever was done of doubted rounds."""
    problem = state_problem(readings, wheel, influence, wishes, earlier)
    if not doubted:
        return problem
    done = state_problem(readings, wheel, influence, wishes, (*doubted, *earlier))
    return held_too(problem, done, doubted, influence, readings)


def _chosen(
    readings: Readings,
    wheel: Wheel,
    influence: Influence,
    problem: Problem,
    wishes: Wishes,
    earlier: Sequence[Round],
    known: Known,
) -> tuple[Chosen, tuple[str, ...]]:
    """Choose the turns where nothing forbids them, and say what to look at before them."""
    chosen = choose(
        problem,
        wheel,
        things_to_know(readings, wheel, problem),
        doubts=doubts(problem, readings, coarse_steps_mm(readings, earlier)),
        first=not any(done.turns.any() for done in earlier),
        unseen=known.unseen,
    )
    slip = slips(readings, wheel, influence, problem, wishes.checked, known.measured)
    if not (chosen.refused or chosen.eighths.any()):
        doubted = (slip, misread(readings, wheel, influence, problem, wishes.checked, turns=False))
        return replace(chosen, notes=(*chosen.notes, *(words for words in doubted if words is not None))), ()
    looks = first_looks(readings, wheel, influence, problem, wishes.checked, known.axle)
    if slip is not None:
        looks = (f"Before you turn a nipple: {slip}", *looks)
    near = () if "spokes" in wishes.checked else may_pass_limit(readings, wheel, problem, chosen.eighths)
    return chosen, near + looks + out_of_reach(problem, chosen.eighths)


def _written(problem: Problem, wheel: Wheel, chosen: Chosen, wishes: Wishes, over: tuple[str, ...]) -> Plan:
    """Write down what was chosen, in order of work, and what it does; over: what is said of tension over its limit."""
    order = order_of_work(problem, chosen.eighths)
    return Plan(
        round=1,
        corrections=_corrections(order, wheel, chosen.eighths, wishes),
        predicted=_state(problem, chosen.eighths),
        before=_state(problem, np.zeros(problem.nipples)),
        bound=chosen.bound,
        cautions=_cautions(problem, chosen),
        refused=chosen.refused,
        notes=(*over, *_notes(problem, chosen, order)),
    )


def _cautions(problem: Problem, chosen: Chosen) -> tuple[str, ...]:
    """The usual cautions, as far as there is anything to turn, now or once what a refusal names was seen to."""
    if not (chosen.eighths.any() or chosen.refused):
        return LET_BE
    return CAUTIONS if problem.tension_known else (*CAUTIONS[:-1], ASSUMED_TENSION, CAUTIONS[-1])


def _notes(problem: Problem, chosen: Chosen, order: IntArray) -> tuple[str, ...]:
    """Put what else is to know into order: radial runout first, then what was seen, then what is left."""
    if chosen.refused:
        return chosen.notes
    steps = radial_steps(problem, chosen.eighths, order)
    fewer = fewer_nipples(problem, chosen.eighths, order)
    return (*steps, *fewer, *chosen.notes, *left_over(problem, chosen.eighths))


def _check(readings: Readings, wheel: Wheel, influence: Influence) -> None:
    spokes = len(wheel.flanges)
    if len(readings.lateral_mm) != spokes:
        raise BadInput(f"the readings are of {len(readings.lateral_mm)} spokes, but the wheel has {spokes}")
    if set(wheel.flanges) != {"right", "left"}:
        raise BadInput("the wheel needs spokes on both flanges, right and left")
    places = influence.angle_deg
    if len(places) != spokes or np.abs(places - wheel.spoke_angles_deg).max() > 1e-6:
        raise BadInput("the influence of the nipples must be given at the angles of the wheel's spokes")
    with np.errstate(invalid="ignore"):
        if (readings.tension_n < 0).any():
            raise BadInput(f"spoke {int(np.argmax(readings.tension_n < 0)) + 1} has a tension below zero")
    for side in ("right", "left"):
        read_n = readings.tension_n[[flange == side for flange in wheel.flanges]]
        if np.isfinite(read_n).any() and np.nansum(read_n) == 0.0:
            raise BadInput(
                f"every tension read on the {side} side is 0; leave empty what wasn't read, or bring the tension up evenly first"
            )
    for name in ("lateral_mm", "radial_mm", "tension_n"):
        if np.isinf(getattr(readings, name)).any():
            raise BadInput(f"the readings hold a value of {name} that is not finite")


def _state(problem: Problem, eighths: FloatArray | IntArray) -> WheelState:
    """Work out the wheel after a plan; what was not read stays unknown."""
    tension = problem.tension_n + problem.tension_step_n @ eighths
    right, left = (
        float(np.std(tension[side.spokes]) / np.mean(tension[side.spokes])) if side.read else None
        for side in problem.sides
    )
    dish = problem.dish_start_mm + float(problem.dish_step_mm @ eighths)
    return WheelState(
        lateral_mm=problem.lateral.reading_after_mm(eighths) if problem.lateral.known else None,
        radial_mm=problem.radial.reading_after_mm(eighths) if problem.radial.known else None,
        dish_mm=dish if problem.dish_aim_mm is not None else None,
        tension_spread_right=right,
        tension_spread_left=left,
        highest_tension_n=float(tension.max()) if problem.tension_known else None,
    )


def _corrections(order: IntArray, wheel: Wheel, eighths: IntArray, wishes: Wishes) -> tuple[Correction, ...]:
    return tuple(
        Correction(
            order=place,
            spoke=int(nipple) + 1,
            side=wheel.flanges[nipple],
            turns=float(eighths[nipple] * EIGHTH),
            words=correction_words(
                int(nipple) + 1, wheel.flanges[nipple], int(eighths[nipple]), wishes.seen_from
            ),
        )
        for place, nipple in enumerate(order, start=1)
    )
