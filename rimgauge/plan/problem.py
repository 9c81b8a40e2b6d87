"""The plan as an integer program: what is wanted, what is forbidden, and what each costs.

The unknowns are whole eighths of a turn, one a nipple. Everything that matters moves linearly with them:
the rim at each spoke, sideways and radially, its mean (dish) and the tension of each spoke.

The objective is in *turns*. Turning costs what it is; a touched nipple, and loosening, cost a little more.
Runout past the aim costs many turns a millimetre. What is to be reached, runout within its tolerance and tension as
even as before, is never quite sure: the risk to miss it is priced by its logarithm, so that all ends together are kept
as likely as can be, at so many turns for what makes it less likely by a factor e. So tolerances are ends and not
weights: a plan reaches them where it can, and turns as little as it can on the way there.
Tension, dish and mean tension are limits: a plan outside them is no plan. Doing nothing is always inside.
A figure without a source beside it is our choice; docs/method-plan.md says what it was weighed against.
"""

from __future__ import annotations

import numpy as np

from rimgauge.records import (
    BoolArray,
    FloatArray,
    IntArray,
    Wheel,
    record,
)

TOUCH_TURNS = 0.15
"""Price of touching a nipple at all: finding it and fitting the key is worth about an eighth of a turn."""
LOOSEN_FACTOR = 1.25
"""Loosening is that much dearer than tightening: tighten rather than loosen (common practice)."""
AIM_PRICE = 80.0
"""Price of a millimetre past the aim [turns/mm]."""
RISK_PRICE = 30.0
"""Price of what makes it less likely by a factor e that an end is kept [turns]."""

LATERAL_AIM_SHARE = 0.5
RADIAL_AIM_SHARE = 0.8
"""Aim as a share of the tolerance, so that what is left of error stays inside it. Radial movement is a third of lateral and so is the error of predicting
it; asking for as much room there would cost many turns for nothing."""
MISS_MM, MISS_SHARE = 0.020, 0.011
UNSURE_MM, UNSURE_SHARE = 0.020, 0.018
"""By how much more than foretold runout is taken to come out, mean and standard deviation: so many millimetres, and
such a share of the runout before. On simulated wheels turned exactly the millimetres are 0.004 and 0.010; the rest is
for the hand."""
DISH_AIM_SHARE = 0.5
"""The same of the rim's mean, where the centre is known."""
UNSEEN_HARM_SHARE = 0.3
"""Share of its tolerance by which a direction that nobody measured may get worse."""
DISH_HOLD_MM = 0.05
"""The rim's mean stays within this unless the readings say that it is off centre."""
MEAN_TENSION_DROP = 0.01
MEAN_TENSION_RISE = 0.03
"""How far a side's mean tension may move in a round; up rather than down, as tightening is preferred."""
SLACK_SHARE = 0.2
"""A spoke under this share of its side's mean tension carries next to nothing and may come loose."""
EVEN_FLOOR = 0.03
"""Tension more even than this (standard deviation over mean) is not asked for: gauges tell no finer."""
INDUCED_SPREAD = 0.08
"""Without tension readings: how uneven tension may get, as far as the runout tells of it (the same)."""
SAME_SPREAD = 0.002
"""Tension is as even as before within this share of its mean: no gauge tells less."""
PEAK_FLOOR = 0.17
INDUCED_PEAK = 0.2
"""The same two for the spoke farthest from its side's mean: 20 % is common practice for a good wheel, less
the 3 % by which a gauge may be wrong."""


@record
class Line:
    """Runout at a row of p places, whose full indicator reading is to come under an aim.

    start_mm (p,): before any turn. step_mm (p, n): what an eighth of a turn of each nipple adds.
    tolerance_mm: what is true enough; of a direction that nobody measured, by how much it may get worse.
    miss_mm, unsure_mm: by how much more than foretold the reading comes out, mean and standard deviation.
    known: whether it was measured. hidden_mm: runout that coarse readings can't tell and no turn takes away; start_mm
    is the smooth rim behind them then.
    """

    start_mm: FloatArray
    step_mm: FloatArray
    aim_mm: float
    tolerance_mm: float
    miss_mm: float
    unsure_mm: float
    known: bool
    hidden_mm: float = 0.0

    @property
    def surely_within_mm(self) -> float:
        """What may be foretold for the tolerance to be kept by a standard deviation."""
        return self.tolerance_mm - self.miss_mm - self.unsure_mm

    @property
    def reading_before_mm(self) -> float:
        """Full indicator reading before any turn."""
        return float(np.hypot(np.ptp(self.start_mm), self.hidden_mm))

    def reading_after_mm(self, eighths: FloatArray | IntArray) -> float:
        """Full indicator reading to be expected after turns of all nipples (n,)."""
        return float(np.hypot(self.seen_after_mm(eighths), self.hidden_mm))

    def seen_after_mm(self, eighths: FloatArray | IntArray) -> float:
        """That of it which the readings show, after turns of all nipples (n,)."""
        return float(np.ptp(self.start_mm + self.step_mm @ eighths))


@record
class SideTension:
    """The spokes of one flange: tension about its mean, and how uneven it may get.

    read: whether its tension was read, at enough of its spokes.
    start_n (s,): deviation from the side's mean; step_n (s, n): what an eighth of a turn of each nipple adds.
    mean_n, mean_step_n (n,): the mean itself.
    rms_end_n: root mean square of the deviations that is to be kept, which is that of before the first round.
    doubt_start_n2 (s,), doubt_step_n2 (s, n) [N²]: after a plan, the length of this vector is the standard deviation
    of how much the mean square of the deviations has changed since then.
    largest_rms_n, largest_peak_n: limits on the deviations after the round.
    largest_rise_n, largest_drop_n: limits on the movement of the mean.
    """

    spokes: IntArray
    read: bool
    start_n: FloatArray
    step_n: FloatArray
    mean_n: float
    mean_step_n: FloatArray
    rms_end_n: float
    doubt_start_n2: FloatArray
    doubt_step_n2: FloatArray
    largest_rms_n: float
    largest_peak_n: float
    largest_rise_n: float
    largest_drop_n: float


@record
class Problem:
    """One round as an integer program over n nipples; every step is what an eighth of a turn of each nipple adds.

    most_eighths (n,): largest turn of each nipple, 0 where it does not turn.
    dish_start_mm, dish_step_mm (n,): the rim's mean. dish_range_mm: limits on it. dish_aim_mm: where its price
    begins, None where the centre is not known. dish_tolerance_mm: what is true enough.
    centring_eighths (n,): alike on each side, would bring the rim to the centre; zero where it is near.
    tension_n (n,): read or assumed, tension_step_n (n, n); tension_rise_n, tension_fall_n (n,): how far each may move;
    up no farther than any reading of its own leaves room for.
    sides: the right one and the left one.
    """

    most_eighths: IntArray
    lateral: Line
    radial: Line
    dish_start_mm: float
    dish_step_mm: FloatArray
    dish_range_mm: tuple[float, float]
    dish_aim_mm: float | None
    dish_tolerance_mm: float
    centring_eighths: FloatArray
    tension_n: FloatArray
    tension_step_n: FloatArray
    tension_rise_n: FloatArray
    tension_fall_n: FloatArray
    sides: tuple[SideTension, ...]

    @property
    def tension_known(self) -> bool:
        """Whether the tension of both sides was read."""
        return all(side.read for side in self.sides)

    @property
    def nipples(self) -> int:
        """Number of nipples."""
        return len(self.dish_step_mm)


def starting_tension(read_n: FloatArray, wheel: Wheel) -> tuple[FloatArray, BoolArray]:
    """Tension of each spoke (n,) [N] and whether its side was read (n,): at least two thirds of its spokes must be.

    The other side of a wheel of which one was read pulls as much tighter or looser than the wheel file says as that one
    does: the rim stands still between them. Few readings of a side don't count.
    """
    tension, counts = wheel.mean_tensions_n.copy(), np.zeros(len(read_n), dtype=bool)
    for spokes in flange_spokes(wheel):
        read = np.isfinite(read_n[spokes])
        if read.sum() * 3 >= len(spokes) * 2:
            counts[spokes] = True
            tension[spokes] = np.where(read, read_n[spokes], read_n[spokes][read].mean())
    if counts.any() and not counts.all():
        tension[~counts] *= tension[counts].mean() / wheel.mean_tensions_n[counts].mean()
    return tension, counts


def flange_spokes(wheel: Wheel) -> list[IntArray]:
    """Sort the indices of the spokes into those of the right and those of the left flange."""
    flanges = np.array(wheel.flanges)
    return [np.flatnonzero(flanges == side) for side in ("right", "left")]


def side_means(tension_n: FloatArray, wheel: Wheel) -> FloatArray:
    """Mean tension of each spoke's own side (n,) [N]."""
    means = np.empty_like(tension_n)
    for spokes in flange_spokes(wheel):
        means[spokes] = tension_n[spokes].mean()
    return means


def rms(values: FloatArray) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(values**2)))
