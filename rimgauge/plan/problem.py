"""The plan as an integer program: what is wanted, what is forbidden, and what each costs.

The unknowns are whole eighths of a turn, one a nipple. Everything that matters moves linearly with them:
the rim at each spoke, sideways and radially, its mean (dish) and the tension of each spoke.

The objective is in *turns*. Turning costs what it is; a touched nipple, and loosening, cost a little more.
Runout past the aim costs many turns a millimetre. What is to be reached, runout within its tolerance and tension as
even as before, is never quite sure: the risk to miss it is priced by its logarithm, so that all ends together are kept
as likely as can be, at so many turns for what makes it less likely by a factor e. So tolerances are ends and not
weights: a plan reaches them where it can, and turns as little as it can on the way there.
Tension, dish and mean tension are limits: a plan outside them is no plan. Doing nothing is always inside.
"""

from __future__ import annotations

import numpy as np

from rimgauge.records import (
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
"""Aim as a share of the tolerance. Radial movement is a third of lateral and so is the error of predicting
it; asking for as much room there would cost many turns for nothing."""
MISS_MM, MISS_SHARE = 0.020, 0.011
UNSURE_MM, UNSURE_SHARE = 0.020, 0.018
"""By how much more than foretold runout is taken to come out, mean and standard deviation: so many millimetres, and
such a share of the runout before. On simulated wheels turned exactly the millimetres are 0.004 and 0.010; the rest is
for the hand."""
DISH_AIM_SHARE = 0.5
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
    """A row of places whose full indicator reading is to come under an aim: start (p,), per eighth (p, n).

    end: the tolerance. miss, unsure: by how much more than foretold the reading comes out, mean and standard
    deviation.
    """

    start: FloatArray
    step: FloatArray
    aim: float
    end: float
    miss: float
    unsure: float
    known: bool

    @property
    def sure_end(self) -> float:
        """What may be foretold for the end to be kept by a standard deviation [mm]."""
        return self.end - self.miss - self.unsure

    @property
    def reading_before(self) -> float:
        """Full indicator reading before any turn [mm]."""
        return float(np.ptp(self.start))


@record
class SideTension:
    """The spokes of one flange: tension about its mean, and how uneven it may get.

    start (s,): deviation from the side's mean [N]; step (s, n): per eighth.
    mean_n, mean_step (n,): the mean itself.
    rms_end_n: what it was before the first round.
    doubt_start (s,), doubt_step (s, n): the length of this vector is the standard deviation of the change of the mean
    square of the deviations since then [N²].
    largest_rms_n, largest_peak_n: limits on the deviations after the round.
    largest_rise_n, largest_drop_n: limits on the movement of the mean.
    """

    spokes: IntArray
    start: FloatArray
    step: FloatArray
    mean_n: float
    mean_step: FloatArray
    rms_end_n: float
    doubt_start: FloatArray
    doubt_step: FloatArray
    largest_rms_n: float
    largest_peak_n: float
    largest_rise_n: float
    largest_drop_n: float


@record
class Problem:
    """One round as an integer program over n nipples.

    most (n,): largest turn of each nipple [eighths], 0 where it does not turn.
    dish_range: limits on the rim's mean [mm]. dish_aim: where its price begins, None where the centre is not
    known. dish_end: what is true enough.
    centring (n,): eighths, alike on each side, that would bring the rim to the centre; zero where it is near.
    tension_n (n,): read or assumed; tension_rise, tension_fall (n,): how far each may move.
    """

    most: IntArray
    lateral: Line
    radial: Line
    dish_start: float
    dish_step: FloatArray
    dish_range: tuple[float, float]
    dish_aim: float | None
    dish_end: float
    centring: FloatArray
    tension_n: FloatArray
    tension_step: FloatArray
    tension_rise: FloatArray
    tension_fall: FloatArray
    tension_known: bool
    sides: tuple[SideTension, ...]

    @property
    def nipples(self) -> int:
        """Number of nipples."""
        return len(self.dish_step)


def starting_tension(read_n: FloatArray, wheel: Wheel) -> tuple[FloatArray, bool]:
    """Tension of each spoke (n,) [N] and whether it was read: at least two thirds of each side must be."""
    tension = read_n.copy()
    assumed = np.array(
        [wheel.tension.right_n if side == "right" else wheel.tension.left_n for side in wheel.flanges]
    )
    for spokes in flange_spokes(wheel):
        read = np.isfinite(tension[spokes])
        if read.sum() * 3 < len(spokes) * 2:
            return assumed, False
        tension[spokes] = np.where(read, tension[spokes], tension[spokes][read].mean())
    return tension, True


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
