"""The plan as an integer program: what is wanted, what is forbidden, and what each costs.

The unknowns are whole eighths of a turn, one a nipple. Everything that matters moves linearly with them:
the rim at each spoke, sideways and radially, its mean (dish) and the tension of each spoke.

The objective is in *turns*. Turning costs what it is; a touched nipple, and loosening, cost a little more.
Runout past the aim costs many turns a millimetre, past the tolerance far more, so that the tolerances are
ends and not weights: a plan reaches them where it can, and turns as little as it can on the way there.
Tension, dish and mean tension are limits: a plan outside them is no plan. Doing nothing is always inside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rimgauge.errors import BadInput
from rimgauge.plan.likely import GaugeReading, Likely, likely_deviations, read_again, turned_since
from rimgauge.plan.wishes import EIGHTH, Wishes
from rimgauge.records import (
    BoolArray,
    FloatArray,
    Influence,
    IntArray,
    Readings,
    Round,
    Tolerance,
    Wheel,
    record,
)

TOUCH_TURNS = 0.15
"""Price of touching a nipple at all: finding it and fitting the key is worth about an eighth of a turn."""
LOOSEN_FACTOR = 1.25
"""Loosening is that much dearer than tightening: tighten rather than loosen (common practice)."""
AIM_PRICE = 80.0
"""Price of a millimetre between aim and tolerance [turns/mm]."""
END_PRICE = 1000.0
"""Price of a millimetre past the guard, on top [turns/mm]."""
EVEN_PRICE = 0.6
"""Price of a newton of unevenness (root mean square of a side) past the aim [turns/N]."""
EVEN_END_PRICE = 1.5
"""Price of a newton past the guard, on top [turns/N]."""

LATERAL_AIM_SHARE = 0.5
RADIAL_AIM_SHARE = 0.8
"""Aim as a share of the tolerance. Radial movement is a third of lateral and so is the error of predicting
it; asking for as much room there would cost many turns for nothing."""
GUARD_SHARE = 0.9
"""The dear price begins at this share of the tolerance, as a wheel never answers quite as foretold."""
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
EVEN_AIM, EVEN_GUARD = 2.5, 1.0
"""How far the aim of unevenness lies inside its limit, so that what is not known of tension does not spoil it, and
the guard, where it begins to be dear: in standard deviations of its mean square."""
EVEN_AIM_LEAST, EVEN_GUARD_LEAST = 0.65, 0.85
"""Neither is less than this share of the limit."""
PEAK_FLOOR = 0.17
INDUCED_PEAK = 0.2
"""The same two for the spoke farthest from its side's mean: 20 % is common practice for a good wheel, less
the 3 % by which a gauge may be wrong."""


@record
class Line:
    """A row of places whose full indicator reading is to come under an aim: start (p,), per eighth (p, n).

    end: the tolerance. guard: a little inside it, where runout begins to be dear.
    """

    start: FloatArray
    step: FloatArray
    aim: float
    guard: float
    end: float
    known: bool

    @property
    def reading_before(self) -> float:
        """Full indicator reading before any turn [mm]."""
        return float(np.ptp(self.start))


@record
class SideTension:
    """The spokes of one flange: tension about its mean, and how uneven it may get.

    start (s,): deviation from the side's mean [N]; step (s, n): per eighth.
    mean_n, mean_step (n,): the mean itself.
    rms_aim_n: unevenness that costs nothing. rms_guard_n: where it begins to be dear. rms_end_n: what it was
    before the first round.
    largest_rms_n, largest_peak_n: limits on the deviations after the round.
    largest_rise_n, largest_drop_n: limits on the movement of the mean.
    """

    spokes: IntArray
    start: FloatArray
    step: FloatArray
    mean_n: float
    mean_step: FloatArray
    rms_aim_n: float
    rms_guard_n: float
    rms_end_n: float
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


def state_problem(
    readings: Readings,
    wheel: Wheel,
    influence: Influence,
    wishes: Wishes,
    earlier: Sequence[Round] = (),
) -> Problem:
    """Put readings, wheel and wishes into the form that the relaxed program and the search work on.

    Readings that are missing (NaN) are left out of the runout; a missing tension is taken as its side's mean.
    earlier: the rounds before, the oldest first. What was read then counts too, and dish, mean tension and
    evenness are held to what they were before the first of them. The likeliest tensions are looked for as they
    were then, and those of now follow from the turns: a wheel that was planned to be even need not be so.
    """
    tolerance = wheel.tolerance
    since = turned_since(earlier, len(wheel.flanges))
    turned = since[0] if since else np.zeros(len(wheel.flanges))
    read = _tension(readings, influence, earlier, since)
    tension_n, tension_known = starting_tension(read.mean_n, wheel)
    lateral, radial = _lines(readings, influence, tolerance, wishes)
    centred = readings.centred and lateral.known
    dish = _mean(readings.lateral_mm) if centred else 0.0
    dish_aim = wishes.dish_aim_mm or DISH_AIM_SHARE * tolerance.dish_mm
    centring = _centring(dish, dish_aim, influence.dish_mm * EIGHTH)
    at_first = _at_first(readings, read, tension_n, influence, flange_spokes(wheel), turned)
    return Problem(
        most=_most(wishes, len(wheel.flanges)),
        lateral=lateral,
        radial=radial,
        dish_start=dish,
        dish_step=influence.dish_mm * EIGHTH,
        dish_range=_dish_range(dish, float(influence.dish_mm @ turned), off_centre=bool(centring.any())),
        centring=centring,
        dish_aim=dish_aim if centred else None,
        dish_end=max(dish_aim, min(tolerance.dish_mm, dish_aim / DISH_AIM_SHARE)),
        tension_n=tension_n,
        tension_step=influence.tension_n * EIGHTH,
        tension_rise=np.maximum(wheel.tension.limit_n - tension_n, 0.0),
        tension_fall=np.maximum(tension_n - SLACK_SHARE * side_means(tension_n, wheel), 0.0),
        tension_known=tension_known,
        sides=tuple(
            _side(
                _Before.of(spokes, tension_n, at_first),
                influence.tension_n[spokes],
                turned,
                centring,
                known=tension_known,
            )
            for spokes in flange_spokes(wheel)
        ),
    )


def _at_first(
    readings: Readings,
    read: GaugeReading,
    tension_n: FloatArray,
    influence: Influence,
    sides: Sequence[IntArray],
    turned: FloatArray,
) -> Likely:
    """Likeliest deviations of tension before the first round, from what stands now less what was turned (n,)."""
    start = replace(
        readings,
        lateral_mm=readings.lateral_mm - influence.lateral_mm @ turned,
        radial_mm=readings.radial_mm - influence.radial_mm @ turned,
        tension_n=read.mean_n,
    )
    before_n = tension_n - influence.tension_n @ turned
    return likely_deviations(start, before_n, influence, sides, taken=read.readings)


def _tension(
    readings: Readings, influence: Influence, earlier: Sequence[Round], since: Sequence[FloatArray]
) -> GaugeReading:
    """What the gauge reads now and read before."""
    before_n = [done.readings.tension_n for done in earlier]
    return read_again(readings.tension_n, before_n, [influence.tension_n @ turned for turned in since])


def _dish_range(dish: float, moved: float, *, off_centre: bool) -> tuple[float, float]:
    """Limits on the rim's mean; where it shall stay, it stays where it was before the first round."""
    if off_centre:
        return -abs(dish), abs(dish)
    return min(dish, dish - moved - DISH_HOLD_MM), max(dish, dish - moved + DISH_HOLD_MM)


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


def _centring(dish: float, aim: float, step: FloatArray) -> FloatArray:
    """Work out the eighths (n,) that move the whole rim inside the aim, one side up and the other down.

    The sides' mean tensions must move apart a little with it, as the spokes pull at other angles then.
    """
    over = max(abs(dish) - aim, 0.0)
    turns: FloatArray = -np.sign(dish) * np.sign(step) * np.ceil(over / np.abs(step).sum())
    return turns


def _most(wishes: Wishes, spokes: int) -> IntArray:
    most = np.full(spokes, wishes.most_eighths)
    for spoke in wishes.seized:
        if not 1 <= spoke <= spokes:
            raise BadInput(f"there is no spoke {spoke} to be seized; this wheel has spokes 1 to {spokes}")
        most[spoke - 1] = 0
    return most


def _mean(values: FloatArray) -> float:
    read = np.isfinite(values)
    return float(values[read].mean()) if read.any() else 0.0


def _lines(
    readings: Readings, influence: Influence, tolerance: Tolerance, wishes: Wishes
) -> tuple[Line, Line]:
    """Lateral and radial runout."""
    lateral = _line(
        readings.lateral_mm - (0.0 if readings.centred else _mean(readings.lateral_mm)),
        influence.lateral_mm,
        wishes.lateral_aim_mm,
        tolerance.lateral_mm,
        LATERAL_AIM_SHARE,
    )
    radial = _line(
        readings.radial_mm - _mean(readings.radial_mm),
        influence.radial_mm,
        wishes.radial_aim_mm,
        tolerance.radial_mm,
        RADIAL_AIM_SHARE,
    )
    return lateral, radial


def _line(
    values: FloatArray, per_turn: FloatArray, wish: float | None, tolerance: float, share: float
) -> Line:
    read: BoolArray = np.isfinite(values)
    step = per_turn * EIGHTH
    if not read.any():
        harm = UNSEEN_HARM_SHARE * tolerance
        return Line(start=np.zeros(len(values)), step=step, aim=harm, guard=harm, end=harm, known=False)
    aim = wish if wish is not None else share * tolerance
    end = max(aim, min(tolerance, aim / share))
    return Line(
        start=values[read],
        step=step[read],
        aim=aim,
        guard=max(aim, GUARD_SHARE * end),
        end=end,
        known=True,
    )


@record
class _Before:
    """A side before the first round: its spokes (s,), their mean tension now, deviations then, how unsure.

    unsure_n2: standard deviation of the mean square of the deviations [N²].
    """

    spokes: IntArray
    mean_n: float
    deviation_n: FloatArray
    unsure_n2: float

    @classmethod
    def of(cls, spokes: IntArray, tension_n: FloatArray, likely: Likely) -> _Before:
        """Take it from all spokes. Of t, known as m with covariance C, tᵀt varies by 4 mᵀCm at small C."""
        deviation = likely.deviation_n[spokes]
        variance = float(deviation @ likely.covariance[np.ix_(spokes, spokes)] @ deviation)
        return cls(
            spokes=spokes,
            mean_n=float(tension_n[spokes].mean()),
            deviation_n=deviation,
            unsure_n2=2 * float(np.sqrt(max(variance, 0.0))) / len(spokes),
        )

    def inside(self, limit_n: float, deviations: float, least_share: float) -> float:
        """Root mean square inside a limit by so many standard deviations [N]."""
        square = limit_n**2 - deviations * self.unsure_n2
        return max(float(np.sqrt(max(square, 0.0))), least_share * limit_n)


def _side(
    before: _Before, answer: FloatArray, turned: FloatArray, centring: FloatArray, *, known: bool
) -> SideTension:
    """State a side from what it was before the first round, and the turns since.

    answer (s, n): of its tensions to a turn of each nipple. turned (n,): since before the first round.
    """
    mean, mean_answer = before.mean_n, answer.mean(axis=0)
    start = before.deviation_n + (answer - mean_answer) @ turned
    even = (EVEN_FLOOR, PEAK_FLOOR) if known else (INDUCED_SPREAD, INDUCED_PEAK)
    limit = max(rms(before.deviation_n), even[0] * mean)
    moved_n, centring_n = float(mean_answer @ turned), float(mean_answer @ centring) * EIGHTH
    return SideTension(
        spokes=before.spokes,
        start=start,
        step=(answer - mean_answer) * EIGHTH,
        mean_n=mean,
        mean_step=mean_answer * EIGHTH,
        rms_aim_n=before.inside(limit, EVEN_AIM, EVEN_AIM_LEAST),
        rms_guard_n=before.inside(limit, EVEN_GUARD, EVEN_GUARD_LEAST),
        rms_end_n=limit,
        largest_rms_n=max(limit, rms(start)),
        largest_peak_n=max(
            float(np.abs(start).max()), float(np.abs(before.deviation_n).max()), even[1] * mean
        ),
        largest_rise_n=max(MEAN_TENSION_RISE * mean - moved_n, 0.0) + max(centring_n, 0.0),
        largest_drop_n=max(MEAN_TENSION_DROP * mean + moved_n, 0.0) + max(-centring_n, 0.0),
    )


def rms(values: FloatArray) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(values**2)))
