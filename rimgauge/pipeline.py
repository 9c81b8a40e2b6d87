"""Where the rooms are wired together; each function takes records and gives one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rimgauge.errors import BadInput
from rimgauge.plan import Wishes, make_plan
from rimgauge.records import Direction, FloatArray, Plan, Readings, Runout, Wheel
from rimgauge.wheel import influence
from rimgauge.wheel.learning import learn


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
    lateral, radial : Runout or None
        Measurements of the same wheel in the same state.
    spokes : int
        How many spokes the wheel has.
    tension_n : (spokes,) array or None
        Tension of each spoke [N].
    centred : bool
        The lateral values are from the centre plane.

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
) -> Plan:
    """Plan a round of corrections: the wheel's influence, corrected by the last round if given, and the plan.

    Parameters
    ----------
    readings : Readings
        Runout at each spoke now, and tension where it was read.
    wheel : Wheel
        Its build.
    wishes : Wishes or None
        What the person asks of the plan; None: the usual.
    round_number : int
        Number of this round, from 1.
    previous : (Plan, Readings) or None
        The last round as it was done, and the readings from before it.

    """
    answer = influence(wheel)
    learnt: tuple[str, ...] = ()
    if previous is not None:
        answer, learnt = learn(answer, previous[0], previous[1], readings)
    plan = make_plan(readings, wheel, answer, wishes=wishes or Wishes(), round_number=round_number)
    return replace(plan, notes=(*learnt, *plan.notes))
