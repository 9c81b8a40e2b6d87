"""The plan's problem stated from readings, wheel and wishes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rimgauge.errors import BadInput
from rimgauge.plan.likely import GaugeReading, Likely, likely_deviations, read_again, turned_since
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
    since = turned_since(earlier, len(wheel.flanges))
    turned = since[0] if since else np.zeros(len(wheel.flanges))
    read = _tension(readings, influence, earlier, since)
    tension_n, tension_known = starting_tension(read.mean_n, wheel)
    lateral, radial = _lines(readings, influence, wheel.tolerance, wishes)
    centre = _Centre.of(readings, influence, wheel.tolerance, wishes)
    at_first = _at_first(readings, read, tension_n, influence, flange_spokes(wheel), turned)
    return Problem(
        most=_most(wishes, len(wheel.flanges)),
        lateral=lateral,
        radial=radial,
        dish_start=centre.start,
        dish_step=influence.dish_mm * EIGHTH,
        dish_range=centre.limits(float(influence.dish_mm @ turned)),
        centring=centre.centring,
        dish_aim=centre.aim,
        dish_end=centre.end,
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
                centre.centring,
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


@record
class _Centre:
    """Where the rim's mean stands and shall stand [mm]: start; aim, None where it is not known; end, true enough.

    centring (n,): eighths, alike on each side, that would bring it inside the aim; zero where it is near.
    """

    start: float
    aim: float | None
    end: float
    centring: FloatArray

    @classmethod
    def of(cls, readings: Readings, influence: Influence, tolerance: Tolerance, wishes: Wishes) -> _Centre:
        """Take it from lateral readings that are from the centre plane; others say nothing of it."""
        known = readings.centred and bool(np.isfinite(readings.lateral_mm).any())
        start = _mean(readings.lateral_mm) if known else 0.0
        aim = wishes.dish_aim_mm or DISH_AIM_SHARE * tolerance.dish_mm
        return cls(
            start=start,
            aim=aim if known else None,
            end=max(aim, min(tolerance.dish_mm, aim / DISH_AIM_SHARE)),
            centring=_centring(start, aim, influence.dish_mm * EIGHTH),
        )

    def limits(self, moved: float) -> tuple[float, float]:
        """Limits on it; where it shall stay, it stays where it was before the first round, moved ago."""
        if self.centring.any():
            return -abs(self.start), abs(self.start)
        before = self.start - moved
        return min(self.start, before - DISH_HOLD_MM), max(self.start, before + DISH_HOLD_MM)


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
        return Line(
            start=np.zeros(len(values)),
            step=step,
            aim=harm,
            end=harm,
            miss=0.0,
            unsure=UNSURE_MM,
            known=False,
        )
    aim = wish if wish is not None else share * tolerance
    end = max(aim, min(tolerance, aim / share))
    start = values[read]
    reading = float(np.ptp(start))
    return Line(
        start=start,
        step=step[read],
        aim=aim,
        end=end,
        miss=MISS_MM + MISS_SHARE * reading,
        unsure=float(np.hypot(UNSURE_MM, UNSURE_SHARE * reading)),
        known=True,
    )


@record
class _Before:
    """A side before the first round: its spokes (s,), their mean tension now, deviations then (s,).

    unsure_n (s, s): a square root of their covariance, that times its transpose from the left.
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
    before: _Before, answer: FloatArray, turned: FloatArray, centring: FloatArray, *, known: bool
) -> SideTension:
    """State a side from what it was before the first round, and the turns since.

    answer (s, n): of its tensions to a turn of each nipple. turned (n,): since before the first round.
    """
    mean, mean_answer = before.mean_n, answer.mean(axis=0)
    start = before.deviation_n + (answer - mean_answer) @ turned
    even = (EVEN_FLOOR, PEAK_FLOOR) if known else (INDUCED_SPREAD, INDUCED_PEAK)
    limit = max(rms(before.deviation_n), even[0] * mean)
    # Of deviations t of covariance C, |t + d|² − |t|² has the variance 4·dᵀCd.
    doubt = 2 / len(before.spokes) * before.unsure_n @ (answer - mean_answer)
    moved_n, centring_n = float(mean_answer @ turned), float(mean_answer @ centring) * EIGHTH
    return SideTension(
        spokes=before.spokes,
        start=start,
        step=(answer - mean_answer) * EIGHTH,
        mean_n=mean,
        mean_step=mean_answer * EIGHTH,
        rms_end_n=max(rms(before.deviation_n), EVEN_FLOOR * mean),
        doubt_start=doubt @ turned,
        doubt_step=doubt * EIGHTH,
        largest_rms_n=max(limit, rms(start)),
        largest_peak_n=max(
            float(np.abs(start).max()), float(np.abs(before.deviation_n).max()), even[1] * mean
        ),
        largest_rise_n=max(MEAN_TENSION_RISE * mean - moved_n, 0.0) + max(centring_n, 0.0),
        largest_drop_n=max(MEAN_TENSION_DROP * mean + moved_n, 0.0) + max(-centring_n, 0.0),
    )
