"""One round of corrections, from readings to words."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np

from rimgauge.errors import BadInput
from rimgauge.plan.order import order_of_work, radial_in_after
from rimgauge.plan.patterns import first_looks
from rimgauge.plan.prices import objective, surely_even
from rimgauge.plan.problem import Problem
from rimgauge.plan.relaxed import relax
from rimgauge.plan.safety import (
    ASSUMED_TENSION,
    BENT_ANYHOW_MM,
    CAUTIONS,
    over_limit,
    reason_to_refuse,
    things_to_know,
)
from rimgauge.plan.search import Found, search
from rimgauge.plan.stating import state_problem
from rimgauge.plan.unevenness import MOST_SPREAD, unevenness_needed
from rimgauge.plan.wishes import Wishes
from rimgauge.plan.wording import correction_words
from rimgauge.records import (
    EIGHTH,
    Bound,
    Correction,
    Direction,
    FloatArray,
    Influence,
    IntArray,
    Plan,
    Readings,
    Round,
    Wheel,
    WheelState,
    record,
)

WORTH_DOING = 0.9
"""A round that leaves more than this share of the objective of doing nothing is not worth the risk."""
SURE_ENOUGH, WORTH_MORE = 1.5, 0.5
"""After the first round a true wheel is let be where it is so by so many standard deviations, and its tension as even as
before; turns that make it surer by less than that many are not worth the risk."""
READING_DOUBT_MM = 0.010
"""Standard deviation of a runout as read, where nothing was turned since: the noise of the closed loop's readings."""
NEAR_LIMIT = 0.97
"""Tension this near to the limit counts as the limit being in the way."""
DEFAULT_WISHES = Wishes()
LEAVE_IT = "The wheel is within its tolerances, true enough: leave it."
BACK_TO_EVEN = (
    "The wheel is within its tolerances. Tension may have become a little less even than it was before the "
    "first round: these turns only make it as even again; leave them if you like."
)
NEAR_THE_END = (
    "The wheel is within its tolerances, but by less than a reading is sure of: these turns only make that "
    "surer; leave them if you like."
)


def make_plan(
    readings: Readings,
    wheel: Wheel,
    influence: Influence,
    *,
    wishes: Wishes = DEFAULT_WISHES,
    round_number: int = 1,
    earlier: Sequence[Round] = (),
    stop: str | None = None,
    axle: str | None = None,
    unseen: Collection[Direction] = (),
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
    stop : why to refuse the plan, if nothing else does.
    axle : what a measurement says of the axle, in place of what the readings hint at.
    unseen : collection of Direction
        Known to have been over their tolerance before the last round, and not read since: the wheel isn't called true.

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
    problem = state_problem(readings, wheel, influence, wishes, earlier)
    refused = reason_to_refuse(readings, wheel, influence, problem, wishes) or stop
    chosen = _Chosen.nothing(problem, refused)
    looks: tuple[str, ...] = ()
    if refused is None:
        notes = things_to_know(readings, wheel, problem)
        chosen = _choose(problem, wheel, notes, first=not earlier, unseen=unseen)
        if chosen.refused or chosen.eighths.any():
            looks = first_looks(readings, wheel, influence, problem, wishes.checked, axle)
            looks += _out_of_reach(problem, chosen.eighths)
    order = order_of_work(problem, chosen.eighths)
    return Plan(
        round=round_number,
        corrections=_corrections(order, wheel, chosen.eighths, wishes),
        predicted=_state(problem, chosen.eighths),
        before=_state(problem, np.zeros(problem.nipples)),
        bound=chosen.bound,
        cautions=CAUTIONS if problem.tension_known else (*CAUTIONS, ASSUMED_TENSION),
        refused=chosen.refused,
        notes=(*(over_limit(wheel, problem) if refused is None else ()), *_notes(problem, chosen, order)),
        see_to_first=looks,
        readings=readings,
        earlier=tuple(earlier),
    )


@record
class _Chosen:
    """Turns of a round (n,) [eighths], how good they are, why there are none where there should be, and notes."""

    eighths: IntArray
    bound: Bound
    refused: str | None
    notes: tuple[str, ...]

    @classmethod
    def nothing(
        cls, problem: Problem, refused: str | None, notes: tuple[str, ...] = (), bound: Bound | None = None
    ) -> _Chosen:
        """No turns, and why."""
        none = np.zeros(problem.nipples, dtype=np.int64)
        return cls(
            eighths=none, bound=bound or Bound(objective=0.0, proved=0.0), refused=refused, notes=notes
        )


def _notes(problem: Problem, chosen: _Chosen, order: IntArray) -> tuple[str, ...]:
    """Put what else is to know into order: radial runout first, then what was seen, then what is left."""
    if chosen.refused:
        return chosen.notes
    steps = _radial_steps(problem, chosen.eighths, order)
    return (*steps, *chosen.notes, *_left_over(problem, chosen.eighths))


def _choose(
    problem: Problem, wheel: Wheel, notes: tuple[str, ...], *, first: bool, unseen: Collection[Direction]
) -> _Chosen:
    """Choose the turns, unless the wheel is good as it is, as far as it was seen, or they would be no use.

    After the first round a true wheel gets turns where they make surer that it is, or that tension is as even as it was.
    """
    true, nothing = _true_enough(problem), np.zeros(problem.nipples)
    if true and unseen:
        return _Chosen.nothing(problem, None, (_not_seen_since(unseen),))
    if true and (first or min(_sure(problem, nothing)) >= SURE_ENOUGH):
        return _Chosen.nothing(problem, None, (LEAVE_IT,))
    found, proved = _search(problem)
    bound = Bound(objective=found.objective, proved=min(proved, found.objective))
    refused = None if true else _no_way(wheel, problem, found)
    if refused is not None:
        return _Chosen.nothing(problem, refused, notes, bound)
    if true and min(_sure(problem, found.eighths)) < min(_sure(problem, nothing)) + WORTH_MORE:
        return _Chosen.nothing(problem, None, (LEAVE_IT,), bound)
    if true:
        inside, even = _sure(problem, nothing)
        notes = (*notes, BACK_TO_EVEN if even < inside else NEAR_THE_END)
    return _Chosen(eighths=found.eighths, bound=bound, refused=None, notes=notes)


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
    for name in ("lateral_mm", "radial_mm", "tension_n"):
        if np.isinf(getattr(readings, name)).any():
            raise BadInput(f"the readings hold a value of {name} that is not finite")


def _search(problem: Problem) -> tuple[Found, float]:
    """Find the best plan and the bound."""
    relaxed = relax(problem)
    starts = [] if relaxed is None else [relaxed.eighths]
    if problem.centring_eighths.any():
        starts.append(problem.centring_eighths)
    bound = 0.0 if relaxed is None else relaxed.bound
    return search(problem, starts), bound


def _sure(problem: Problem, eighths: FloatArray | IntArray) -> tuple[float, float]:
    """Tell by how many standard deviations a plan leaves runout, as read, within its tolerance and tension as even as before.

    Of both runouts, and of both sides, the less sure; infinite where not read.
    """
    lines = (line for line in (problem.lateral, problem.radial) if line.known)
    inside = min(
        ((line.tolerance_mm - line.reading_after_mm(eighths)) / READING_DOUBT_MM for line in lines),
        default=np.inf,
    )
    if not problem.tension_known:
        return inside, np.inf
    column = np.asarray(eighths, dtype=float)[:, None]
    return inside, min(float(surely_even(side, column)[0]) for side in problem.sides)


def _true_enough(problem: Problem) -> bool:
    off_centre = problem.dish_aim_mm is not None and abs(problem.dish_start_mm) > problem.dish_tolerance_mm
    return not off_centre and all(
        line.reading_before_mm <= line.tolerance_mm for line in (problem.lateral, problem.radial)
    )


def _not_seen_since(unseen: Collection[Direction]) -> str:
    """Say which runout must be measured before the wheel can be called true."""
    names = " and ".join(sorted(unseen))
    return (
        f"What was measured is within its tolerance, but {names} runout was out of its tolerance, or too close to call, "
        "before the last round, and was not measured since: measure that too, and plan again."
    )


def _no_way(wheel: Wheel, problem: Problem, found: Found) -> str | None:
    """Say what is in the way if the best plan is hardly better than leaving the wheel alone."""
    if found.objective <= WORTH_DOING * objective(problem, np.zeros(problem.nipples)):
        return None
    highest = float(problem.tension_n.max())
    if highest >= NEAR_LIMIT * wheel.tension.limit_n:
        return (
            f"the tension limit is in the way: the tightest spoke has {highest:.0f} N of "
            f"{wheel.tension.limit_n:.0f} N, and no turns inside the limit make the wheel much truer. "
            "Tension must first come down a little all round: a job for a mechanic."
        )
    return (
        f"{_what_is_left(problem)} is left, and no turns that keep tension even make it much less. "
        "If that is true enough for you, leave it; the rest is in the rim itself, and holding it straighter "
        "would take uneven tension: ask a mechanic."
    )


def _what_is_left(problem: Problem) -> str:
    known = [
        f"{line.reading_before_mm:.2f} mm of {name} runout"
        for name, line in (("lateral", problem.lateral), ("radial", problem.radial))
        if line.known and line.reading_before_mm > line.aim_mm
    ]
    return " and ".join(known) or "an offset from the centre"


def _left_over(problem: Problem, eighths: IntArray) -> tuple[str, ...]:
    """Say what this round will not reach."""
    if not eighths.any():
        return ()
    notes = []
    for name, line in (("lateral", problem.lateral), ("radial", problem.radial)):
        after = line.reading_after_mm(eighths)
        if line.known and after > line.tolerance_mm:
            notes.append(
                f"This round leaves about {after:.2f} mm of {name} runout, over the tolerance of "
                f"{line.tolerance_mm:.2f} mm, to keep turns small and tension even: measure again and plan the next"
                " round."
            )
    if not _far_off(problem, eighths):
        notes += [words[0].upper() + words[1:] for words in _cost_in_evenness(problem, eighths)]
    return tuple(notes)


def _far_off(problem: Problem, eighths: IntArray) -> bool:
    """Whether a round leaves the wheel so far out that what nipples can't mend comes before the steps."""
    return problem.lateral.reading_after_mm(eighths) > BENT_ANYHOW_MM


def _out_of_reach(problem: Problem, eighths: IntArray) -> tuple[str, ...]:
    """Say before the steps what is out of their reach, where that is much."""
    if not _far_off(problem, eighths):
        return ()
    return tuple(f"Before you turn a nipple: {words}" for words in _cost_in_evenness(problem, eighths))


def _cost_in_evenness(problem: Problem, eighths: IntArray) -> list[str]:
    """Say what reaching the lateral tolerance, if a round doesn't, would cost in evenness, where it would cost any."""
    line = problem.lateral
    if not problem.tension_known or line.reading_after_mm(eighths) <= line.tolerance_mm:
        return []
    needed = unevenness_needed(problem)
    if needed == 0.0:
        return []
    if needed is None:
        return [
            f"not even with a tension spread of {MOST_SPREAD:.0%} would the lateral runout come within its tolerance: the "
            "rim itself is bent."
        ]
    return [
        f"within {problem.lateral.tolerance_mm:.2f} mm sideways, the tension spread of a side would have to be at least "
        f"{needed:.0%}: the rim itself is bent, or these readings of tension say so."
    ]


def _state(problem: Problem, eighths: FloatArray | IntArray) -> WheelState:
    """Work out the wheel after a plan; what was not read stays unknown."""
    tension = problem.tension_n + problem.tension_step_n @ eighths
    right, left = (
        float(np.std(tension[side.spokes]) / np.mean(tension[side.spokes])) for side in problem.sides
    )
    dish = problem.dish_start_mm + float(problem.dish_step_mm @ eighths)
    return WheelState(
        lateral_mm=problem.lateral.reading_after_mm(eighths) if problem.lateral.known else None,
        radial_mm=problem.radial.reading_after_mm(eighths) if problem.radial.known else None,
        dish_mm=dish if problem.dish_aim_mm is not None else None,
        tension_spread_right=right if problem.tension_known else None,
        tension_spread_left=left if problem.tension_known else None,
        highest_tension_n=float(tension.max()) if problem.tension_known else None,
    )


def _radial_steps(problem: Problem, eighths: IntArray, order: IntArray) -> tuple[str, ...]:
    """Say when radial runout is in, where that is before the last step."""
    steps = radial_in_after(problem, eighths, order)
    if steps is None or steps == len(order):
        return ()
    return (
        f"Radial runout comes first: with steps 1 to {steps} of {len(order)} (up to spoke {order[steps - 1] + 1}) "
        f"done in full it should be within "
        f"{problem.radial.tolerance_mm:.2f} mm.",
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
