"""From measurements to a plan: the readings at each spoke, and a round of corrections that learns from those before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rimgauge.errors import BadInput
from rimgauge.plan import Known, Wishes, assumed_side, make_plan
from rimgauge.records import Direction, FloatArray, Plan, Readings, Round, Runout, Wheel
from rimgauge.signal import axle_first
from rimgauge.wheel.learning import believable, learn
from rimgauge.wheel.missed import moved_opposite


def readings_from_passes(
    lateral: Runout | None,
    radial: Runout | None,
    *,
    spokes: int,
    tension_n: FloatArray | None = None,
    centred: bool = False,
) -> Readings:
    """Take the runout at each spoke from a lateral and a radial measurement; NaN where there is none.

    Where both edges of the rim were measured, the rim's movement is the mean of the two: what they differ by
    is its width, which no nipple changes.

    Parameters
    ----------
    lateral, radial : measurements of the same wheel in the same state.
    spokes : how many spokes the wheel has.
    tension_n : (spokes,), tension of each spoke [N].
    centred : the lateral values are from the centre plane.

    Raises
    ------
    BadInput
        A measurement is of the other direction or of another number of spokes.

    """
    unread = np.full(spokes, np.nan)
    return Readings(
        lateral_mm=unread if lateral is None else _at_spokes(lateral, "lateral", spokes),
        radial_mm=unread if radial is None else _at_spokes(radial, "radial", spokes),
        tension_n=unread if tension_n is None else tension_n,
        centred=centred,
    )


def _at_spokes(runout: Runout, direction: Direction, spokes: int) -> FloatArray:
    if runout.direction != direction:
        raise BadInput(f"the measurement given as {direction} is a {runout.direction} one")
    counts = {len(side.spoke_mm) for side in runout.sides}
    if counts != {spokes}:
        measured = " and ".join(str(count) for count in sorted(counts))
        raise BadInput(f"the {direction} measurement is of {measured} spokes, but the wheel has {spokes}")
    values: FloatArray = np.mean([side.spoke_mm for side in runout.sides], axis=0)
    return values


def correct(
    readings: Readings,
    wheel: Wheel,
    *,
    wishes: Wishes | None = None,
    round_number: int = 1,
    previous: tuple[Plan, Readings] | None = None,
    measured: Sequence[Runout] = (),
    unseen: Sequence[Direction] = (),
    told: bool = False,
) -> Plan:
    """Plan a round of corrections: the wheel's influence, corrected by what earlier rounds did, and the plan.

    Parameters
    ----------
    readings : runout at each spoke now, and tension where it was read.
    wheel : its build.
    wishes : what the person asks of the plan; None: the usual.
    round_number : number of this round, from 1.
    previous : the last round as it was done, which holds the rounds before it, and the readings from before it.
    measured : the measurements that the readings are of, for what they say of the axle.
    unseen : known not to have been within their tolerance before the last round, and not measured since.
    told : the person said which corrections of the last round were done.

    Raises
    ------
    BadInput
        Readings or rounds are not of this wheel, or a wish can't be meant.

    """
    rounds = () if previous is None else rounds_done(*previous)
    answer, learnt = learn(wheel, rounds, readings, told=told)
    wishes = wishes or Wishes()
    believed = believable(wheel, rounds, readings)
    last = None if "turns" in wishes.checked or not rounds else rounds[-1]
    plan = make_plan(
        readings,
        wheel,
        answer,
        wishes=wishes,
        round_number=round_number,
        earlier=believed,
        doubted=rounds[: len(rounds) - len(believed)],
        known=_known(
            readings, wheel, last, measured, frozenset({*unseen, *_over_before(wheel, rounds, readings)})
        ),
    )
    first = (*_see_to_first(plan, wheel, last, readings), *plan.see_to_first)
    return replace(plan, notes=(*learnt, *plan.notes), see_to_first=first)


def _known(
    readings: Readings,
    wheel: Wheel,
    last: Round | None,
    measured: Sequence[Runout],
    unseen: frozenset[Direction],
) -> Known:
    """What measurements and the last round tell beside the readings; last: None where it is not to be judged."""
    turned_back = None if last is None else _turned_back(wheel, last, readings)
    return Known(
        stop=turned_back or _finer_than_told(measured, readings, wheel),
        axle=_of_the_axle(measured),
        unseen=unseen,
        measured=frozenset(runout.direction for runout in measured),
    )


def _finer_than_told(measured: Sequence[Runout], readings: Readings, wheel: Wheel) -> str | None:
    """Say why to stop where a tolerance is finer than what was measured tells; None where anything else is out.

    A reading whose uncertainty is as large as the tolerance is never shown to be within it, whatever is turned; one that is
    larger than its uncertainty is worth mending all the same.
    """
    if _out_beside(measured, readings, wheel):
        return None
    too_fine = None
    for runout in measured:
        total, tolerance_mm = runout.total_runout, _tolerance_mm(wheel, runout.direction)
        if total.expanded_uncertainty >= max(tolerance_mm, total.value):
            too_fine = (
                f"{runout.direction} runout reads {total.value:.2f} ± {total.expanded_uncertainty:.2f} mm, no more than it is "
                f"unsure by: whether it is over the tolerance of {tolerance_mm:g} mm can't be told, and nothing as unsure as "
                "that could be shown to be within it. Measure more surely (`rimgauge measure` says what would help), or write "
                "a tolerance that can be told into wheel.toml."
            )
        elif total.value > tolerance_mm:
            return None
    return too_fine


def _tolerance_mm(wheel: Wheel, direction: Direction) -> float:
    return wheel.tolerance.lateral_mm if direction == "lateral" else wheel.tolerance.radial_mm


def _out_beside(measured: Sequence[Runout], readings: Readings, wheel: Wheel) -> bool:
    """Whether the rim is off the middle, or out in a direction that was typed in and not measured."""
    by_hand: tuple[tuple[Direction, FloatArray], ...] = (
        ("lateral", readings.lateral_mm),
        ("radial", readings.radial_mm),
    )
    measured_ones = {runout.direction for runout in measured}
    for direction, values_mm in by_hand:
        read_mm = values_mm[np.isfinite(values_mm)]
        if direction == "lateral" and readings.centred and abs(read_mm.mean()) > wheel.tolerance.dish_mm:
            return True
        if (
            direction not in measured_ones
            and len(read_mm)
            and np.ptp(read_mm) > _tolerance_mm(wheel, direction)
        ):
            return True
    return False


def _see_to_first(plan: Plan, wheel: Wheel, last: Round | None, readings: Readings) -> tuple[str, ...]:
    """What to look at before a nipple is turned: turns of the last round that moved the rim the opposite way, and sides."""
    moved = None if last is None or plan.refused is not None else moved_opposite(wheel, last, readings)
    sides = assumed_side(wheel) if plan.corrections else None
    words = (None if moved is None else f"Before you turn a nipple: {moved}", sides)
    return tuple(each for each in words if each is not None)


def _of_the_axle(measured: Sequence[Runout]) -> str | None:
    """What the measurements say of the axle, if anything."""
    said = (axle_first(runout.direction, runout.sides) for runout in measured)
    return next((words for words in said if words is not None), None)


def _over_before(wheel: Wheel, rounds: Sequence[Round], now: Readings) -> tuple[Direction, ...]:
    """Directions over their tolerance when last read, before a round, that are not read now."""
    tolerances: tuple[tuple[Direction, float], ...] = (
        ("lateral", wheel.tolerance.lateral_mm),
        ("radial", wheel.tolerance.radial_mm),
    )
    over = []
    for direction, tolerance_mm in tolerances:
        *before, read_now = (
            values[np.isfinite(values)]
            for values in (
                getattr(state, f"{direction}_mm") for state in (*(done.readings for done in rounds), now)
            )
        )
        read = [values for values in before if len(values)]
        if read and not len(read_now) and np.ptp(read[-1]) > tolerance_mm:
            over.append(direction)
    return tuple(over)


def _turned_back(wheel: Wheel, last: Round, readings: Readings) -> str | None:
    """Say why to stop after a round that surely moved the rim the opposite way; None after any other."""
    moved = moved_opposite(wheel, last, readings, surely=True)
    if moved is None:
        return None
    return (
        f"{moved} If the sides are mistaken, correct wheel.toml and plan again; if they are right and the turns were "
        "the wrong way round, plan with --checked turns."
    )


def rounds_done(plan: Plan, before: Readings) -> tuple[Round, ...]:
    """All rounds up to the last one, the oldest first: its plan as it was done, which holds those before, and what was read before it.

    Raises
    ------
    BadInput
        The plan turns a spoke that the readings don't have.

    """
    return (*plan.earlier, _as_done(plan, before))


def _as_done(plan: Plan, before: Readings) -> Round:
    """Put a round together from its plan, whose corrections are those that were turned."""
    spokes = len(before.lateral_mm)
    turns = np.zeros(spokes)
    for item in plan.corrections:
        if item.spoke > spokes:
            raise BadInput(
                f"the last round's plan turns spoke {item.spoke}, but its readings are of {spokes} spokes"
            )
        turns[item.spoke - 1] += item.turns
    return Round(readings=before, turns=turns)
