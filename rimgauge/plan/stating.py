"""The plan's problem stated from readings, wheel and wishes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rimgauge.errors import BadInput
from rimgauge.plan.coarse import coarse_steps_mm, lines_behind
from rimgauge.plan.gauge import GaugeReading, read_again, turned_since
from rimgauge.plan.likely import Likely, likely_deviations
from rimgauge.plan.problem import (
    DISH_AIM_SHARE,
    DISH_HOLD_MM,
    EVEN_FLOOR,
    INDUCED_PEAK,
    INDUCED_SPREAD,
    LATERAL_AIM_SHARE,
    MEAN_TENSION_DROP,
    MEAN_TENSION_RISE,
    MISS_MM,
    MISS_SHARE,
    PEAK_FLOOR,
    RADIAL_AIM_SHARE,
    SLACK_SHARE,
    UNSEEN_HARM_SHARE,
    UNSURE_MM,
    UNSURE_SHARE,
    Line,
    Problem,
    SideTension,
    flange_spokes,
    rms,
    side_means,
    starting_tension,
)
from rimgauge.plan.wishes import Wishes
from rimgauge.records import (
    EIGHTH,
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


def state_problem(
    readings: Readings,
    wheel: Wheel,
    influence: Influence,
    wishes: Wishes,
    earlier: Sequence[Round] = (),
) -> Problem:
    """Put readings, wheel and wishes into the form that the relaxed program and the search work on.

    Readings that are missing (NaN) are left out of the runout; a missing tension is taken as its side's mean before the
    first round, with what was turned since. earlier: the rounds before, the oldest first. What was read then counts too; dish,
    mean tension and evenness are held to what they were before the first, and the likeliest tensions looked for as of then: a
    wheel that was planned to be even need not be so.
    """
    since = turned_since(earlier, len(wheel.flanges))
    turned = since[0] if since else np.zeros(len(wheel.flanges))
    read, steps_mm = _tension(readings, influence, earlier, since), coarse_steps_mm(readings, earlier)
    # What wasn't read is assumed of the wheel before the first round: what was turned since counts for every spoke.
    moved_n = influence.tension_n @ turned
    before_n, counts = starting_tension(read.mean_n - moved_n, wheel)
    tension_n = before_n + moved_n
    # A reading caps its own spoke, though its side has too few to count or it was read lower before.
    highest_n = np.fmax(tension_n, np.fmax(read.mean_n, readings.tension_n))
    read = replace(read, mean_n=np.where(counts, read.mean_n, np.nan))
    readings = replace(readings, tension_n=np.where(counts, readings.tension_n, np.nan))
    lines, sides = _lines(readings, influence, wheel.tolerance), flange_spokes(wheel)
    lateral, radial = lines_behind(lines, readings, steps_mm, tension_n, influence, sides)
    centre = _Centre.of(readings, influence, wheel.tolerance)
    at_first = _at_first(readings, steps_mm, read, before_n, influence, sides, turned)
    before = [_Before.of(spokes, tension_n, at_first) for spokes in sides]
    return Problem(
        most_eighths=_most_eighths(wishes, len(wheel.flanges)),
        lateral=lateral,
        radial=radial,
        dish_start_mm=centre.start_mm,
        dish_step_mm=influence.dish_mm * EIGHTH,
        dish_range_mm=centre.limits_mm(float(influence.dish_mm @ turned)),
        centring_eighths=centre.centring_eighths,
        dish_aim_mm=centre.aim_mm,
        dish_tolerance_mm=wheel.tolerance.dish_mm,
        tension_n=tension_n,
        tension_step_n=influence.tension_n * EIGHTH,
        tension_rise_n=np.maximum(wheel.tension.limit_n - highest_n, 0.0),
        tension_fall_n=np.maximum(tension_n - SLACK_SHARE * side_means(tension_n, wheel), 0.0),
        sides=tuple(
            _side(side, influence, turned, centre.centring_eighths, known=bool(counts[side.spokes].all()))
            for side in before
        ),
    )


def held_too(
    problem: Problem, other: Problem, doubted: Sequence[Round], influence: Influence, readings: Readings
) -> Problem:
    """Hold a problem to the limits that another one has too, stated as if doubted rounds had been done; turning nothing keeps both.

    Any part of their turns may have been made: where tension wasn't read room is left for those that would tighten a spoke, and
    for those that would loosen it.
    """
    ranges_mm = (problem.dish_range_mm, other.dish_range_mm)
    unread = np.isnan(readings.tension_n)
    rise_n, fall_n = (
        unread * sum(np.maximum(way * influence.tension_n * one.turns, 0.0).sum(axis=1) for one in doubted)
        for way in (1.0, -1.0)
    )
    return replace(
        problem,
        dish_range_mm=(max(low for low, _ in ranges_mm), min(high for _, high in ranges_mm)),
        tension_rise_n=np.maximum(np.minimum(problem.tension_rise_n - rise_n, other.tension_rise_n), 0.0),
        tension_fall_n=np.maximum(np.minimum(problem.tension_fall_n - fall_n, other.tension_fall_n), 0.0),
        sides=tuple(
            replace(
                side,
                largest_rise_n=min(side.largest_rise_n, its.largest_rise_n),
                largest_drop_n=min(side.largest_drop_n, its.largest_drop_n),
            )
            for side, its in zip(problem.sides, other.sides, strict=True)
        ),
    )


def _at_first(
    readings: Readings,
    steps_mm: tuple[float, float],
    read: GaugeReading,
    before_n: FloatArray,
    influence: Influence,
    sides: Sequence[IntArray],
    turned: FloatArray,
) -> Likely:
    """Likeliest deviations of tension before the first round, before_n (n,), from what stands now less what was turned (n,)."""
    start = replace(
        readings,
        lateral_mm=readings.lateral_mm - influence.lateral_mm @ turned,
        radial_mm=readings.radial_mm - influence.radial_mm @ turned,
        tension_n=read.mean_n,
    )
    return likely_deviations(start, before_n, influence, sides, steps_mm=steps_mm, gauge_readings=read.count)


def _tension(
    readings: Readings, influence: Influence, earlier: Sequence[Round], since: Sequence[FloatArray]
) -> GaugeReading:
    """What the gauge reads now and read before."""
    before_n = [done.readings.tension_n for done in earlier]
    return read_again(readings.tension_n, before_n, [influence.tension_n @ turned for turned in since])


@record
class _Centre:
    """Where the rim's mean stands, and how near the middle it shall be: aim_mm, None where that is not known.

    centring_eighths (n,): alike on each side, would bring it inside the aim; zero where it is near.
    """

    start_mm: float
    aim_mm: float | None
    centring_eighths: FloatArray

    @classmethod
    def of(cls, readings: Readings, influence: Influence, tolerance: Tolerance) -> _Centre:
        """Take it from lateral readings that are from the centre plane; others say nothing of it."""
        known = readings.centred and bool(np.isfinite(readings.lateral_mm).any())
        start_mm = _mean(readings.lateral_mm) if known else 0.0
        aim_mm = DISH_AIM_SHARE * tolerance.dish_mm
        return cls(
            start_mm=start_mm,
            aim_mm=aim_mm if known else None,
            centring_eighths=_centring_eighths(start_mm, aim_mm, influence.dish_mm * EIGHTH),
        )

    def limits_mm(self, moved_mm: float) -> tuple[float, float]:
        """Limits on it; where it shall stay, it stays where it was before the first round, which has moved it so far."""
        if self.centring_eighths.any():
            return -abs(self.start_mm), abs(self.start_mm)
        before_mm = self.start_mm - moved_mm
        return min(self.start_mm, before_mm - DISH_HOLD_MM), max(self.start_mm, before_mm + DISH_HOLD_MM)


def _centring_eighths(dish_mm: float, aim_mm: float, step_mm: FloatArray) -> FloatArray:
    """Work out the eighths (n,) that move the whole rim inside the aim: one side tighter, the other looser.

    The sides' mean tensions must move apart a little with it, as the spokes pull at other angles then.
    """
    over_mm = max(abs(dish_mm) - aim_mm, 0.0)
    eighths: FloatArray = -np.sign(dish_mm) * np.sign(step_mm) * np.ceil(over_mm / np.abs(step_mm).sum())
    return eighths


def _most_eighths(wishes: Wishes, spokes: int) -> IntArray:
    most = np.full(spokes, wishes.most_eighths)
    for spoke in wishes.seized:
        if not 1 <= spoke <= spokes:
            raise BadInput(f"there is no spoke {spoke} to be seized; this wheel has spokes 1 to {spokes}")
        most[spoke - 1] = 0
    return most


def _mean(values: FloatArray) -> float:
    read = np.isfinite(values)
    return float(values[read].mean()) if read.any() else 0.0


def _lines(readings: Readings, influence: Influence, tolerance: Tolerance) -> tuple[Line, Line]:
    """Lateral and radial runout."""
    lateral = _line(
        readings.lateral_mm - (0.0 if readings.centred else _mean(readings.lateral_mm)),
        influence.lateral_mm,
        tolerance.lateral_mm,
        LATERAL_AIM_SHARE,
    )
    radial = _line(
        readings.radial_mm - _mean(readings.radial_mm),
        influence.radial_mm,
        tolerance.radial_mm,
        RADIAL_AIM_SHARE,
    )
    return lateral, radial


def _line(values_mm: FloatArray, per_turn_mm: FloatArray, tolerance_mm: float, aim_share: float) -> Line:
    """State one runout from its values (n,), NaN where not read, and what a turn of each nipple adds (n, n)."""
    read: BoolArray = np.isfinite(values_mm)
    step_mm = per_turn_mm * EIGHTH
    if not read.any():
        harm_mm = UNSEEN_HARM_SHARE * tolerance_mm
        return Line(
            start_mm=np.zeros(len(values_mm)),
            step_mm=step_mm,
            aim_mm=harm_mm,
            tolerance_mm=harm_mm,
            miss_mm=0.0,
            unsure_mm=UNSURE_MM,
            known=False,
        )
    reading_mm = float(np.ptp(values_mm[read]))
    return Line(
        start_mm=values_mm[read],
        step_mm=step_mm[read],
        aim_mm=aim_share * tolerance_mm,
        tolerance_mm=tolerance_mm,
        miss_mm=MISS_MM + MISS_SHARE * reading_mm,
        unsure_mm=float(np.hypot(UNSURE_MM, UNSURE_SHARE * reading_mm)),
        known=True,
    )


@record
class _Before:
    """A side before the first round: its spokes (s,), their mean tension now, deviations from the mean then (s,).

    unsure_n (s, s): R of their covariance RᵀR.
    """

    spokes: IntArray
    mean_n: float
    deviation_n: FloatArray
    unsure_n: FloatArray

    @classmethod
    def of(cls, spokes: IntArray, tension_n: FloatArray, likely: Likely) -> _Before:
        """Take it from all spokes."""
        values, vectors = np.linalg.eigh(likely.covariance[np.ix_(spokes, spokes)])
        return cls(
            spokes=spokes,
            mean_n=float(tension_n[spokes].mean()),
            deviation_n=likely.deviation_n[spokes],
            unsure_n=np.sqrt(np.maximum(values, 0.0))[:, None] * vectors.T,
        )


def _side(
    before: _Before, influence: Influence, turned: FloatArray, centring: FloatArray, *, known: bool
) -> SideTension:
    """State a side from what it was before the first round, and the turns (n,) since."""
    answer = influence.tension_n[before.spokes]
    mean, mean_answer = before.mean_n, answer.mean(axis=0)
    start = before.deviation_n + (answer - mean_answer) @ turned
    spread_floor, peak_floor = (EVEN_FLOOR, PEAK_FLOOR) if known else (INDUCED_SPREAD, INDUCED_PEAK)
    # Of deviations t of covariance C, |t + d|² − |t|² has the variance 4·dᵀCd.
    doubt = 2 / len(before.spokes) * before.unsure_n @ (answer - mean_answer)
    moved_n, centring_n = float(mean_answer @ turned), float(mean_answer @ centring) * EIGHTH
    return SideTension(
        spokes=before.spokes,
        read=known,
        start_n=start,
        step_n=(answer - mean_answer) * EIGHTH,
        mean_n=mean,
        mean_step_n=mean_answer * EIGHTH,
        rms_end_n=max(rms(before.deviation_n), EVEN_FLOOR * mean),
        doubt_start_n2=doubt @ turned,
        doubt_step_n2=doubt * EIGHTH,
        largest_rms_n=max(rms(start), rms(before.deviation_n), spread_floor * mean),
        largest_peak_n=max(
            float(np.abs(start).max()), float(np.abs(before.deviation_n).max()), peak_floor * mean
        ),
        largest_rise_n=max(MEAN_TENSION_RISE * mean - moved_n, 0.0) + max(centring_n, 0.0),
        largest_drop_n=max(MEAN_TENSION_DROP * mean + moved_n, 0.0) + max(-centring_n, 0.0),
    )
