"""Two measurements of a wheel side by side, and several of an unchanged one as a gauge study."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np

from rimgauge.errors import BadInput
from rimgauge.records import Direction, FloatArray, Measured, Runout, SideRunout, record
from rimgauge.signal.bending import LENS_LINE
from rimgauge.signal.budget import DEPTH_LINE, PLACE_LINE, coverage_factor

GROWING_LINES = ("scale", DEPTH_LINE, LENS_LINE)
"""What grows with the reading."""
SHARED_LINES = (*GROWING_LINES, PLACE_LINE)
"""What a camera that wasn't moved does to both measurements alike."""
CLEARLY_BETTER = 0.4
"""A curve laid otherwise fits clearly better if no more than that share of the misfit is left (a judgement)."""
BETTER_IN_PART = 0.35
"""The same where any share will do, which fits more by chance (0.4 took up to 0.4 % of sound wheels for turned round)."""
PARTS_IN_SIX = 6.0
"""A process of standard deviation s spreads over 6 s, which is set beside the tolerance (common practice)."""
DIFFER_FACTOR = 1.959964 * math.sqrt(2.0)
"""Two readings differ by less than 1.96·√2·s in 95 of 100 cases (repeatability limit, ISO 5725-6; from memory)."""


@record
class SideChange:
    """What changed on one side: at each of s spokes [mm], with its standard uncertainty, and of the total.

    shifted_spokes: by how many the second must be turned back to fit clearly better, 0 as a rule. other_way_round: it
    fits clearly better with its spokes counted the other way round.
    """

    side: str
    before_mm: FloatArray
    after_mm: FloatArray
    standard_uncertainty_mm: FloatArray
    total_change: Measured
    shifted_spokes: int
    other_way_round: bool


class Spread(NamedTuple):
    """A standard deviation [mm] and its degrees of freedom; NaN and 0 where it can't be told."""

    standard_deviation_mm: float
    degrees_of_freedom: int


@record
class Study:
    """Several passes of an unchanged wheel.

    totals_mm (p,): total runout of each. total_sd_mm: their standard deviation. tolerance_share: 6 total_sd/T.
    repeatability, day, set_up: of a reading at one spoke, of its means over a day and over a set-up of the camera.
    """

    totals_mm: FloatArray
    total_sd_mm: float
    repeatability: Spread
    day: Spread
    set_up: Spread
    differ_mm: float
    tolerance_mm: float
    tolerance_share: float


def changes(before: Runout, after: Runout) -> tuple[SideChange, ...]:
    """Compare two measurements spoke by spoke, + the rim went right or outward.

    Raises
    ------
    BadInput
        They are of different directions, sides or numbers of spokes.
    """
    _check_alike((before, after))
    shared = _shared(before, after)
    return tuple(
        _change(one, _same_side(after, one.side), before, after, shared)
        for one in before.sides
        if any(two.side == one.side for two in after.sides)
    )


def other_way_round(passes: Sequence[Runout]) -> dict[int, int]:
    """Find among a wheel's measurements, in their order, those of it turned round in the stand, or of spokes counted backward.

    Returns
    -------
    By its place the place of the one that it shows the other way round: of the last before it that is not such a one
    itself, and of the same direction, sides and number of spokes. The first is taken to be of the wheel as it stands.
    """
    against: dict[int, int] = {}
    upright: list[int] = []
    for place, runout in enumerate(passes):
        before = next((each for each in reversed(upright) if _alike(passes[each], runout)), None)
        if before is not None and all(side.other_way_round for side in changes(passes[before], runout)):
            against[place] = before
        else:
            upright.append(place)
    return against


def _alike(one: Runout, two: Runout) -> bool:
    """Whether two measurements can be compared."""
    try:
        _check_alike((one, two))
    except BadInput:
        return False
    return True


def _change(one: SideRunout, two: SideRunout, before: Runout, after: Runout, shared: bool) -> SideChange:
    if shared:
        # What the rim's look does to its edge, it does to both.
        parts = [one.spoke_repeatability_mm, two.spoke_repeatability_mm]
        parts.append(_relative(before) * np.abs(two.spoke_mm - one.spoke_mm))
    else:
        parts = [one.spoke_standard_uncertainty_mm, two.spoke_standard_uncertainty_mm]
        for side, runout in ((one, before), (two, after)):
            parts += [
                _relative(runout) * np.abs(side.spoke_mm),
                np.full_like(side.spoke_mm, _place_mm(runout)),
            ]
    change_mm = two.total_runout.value - one.total_runout.value
    other_way_round = _other_way_round(one.spoke_mm, two.spoke_mm, before.direction)
    return SideChange(
        side=one.side,
        before_mm=one.spoke_mm,
        after_mm=two.spoke_mm,
        standard_uncertainty_mm=np.sqrt(np.sum(np.square(parts), axis=0)),
        total_change=Measured(
            value=change_mm, expanded_uncertainty=_difference_uncertainty(before, after, change_mm, shared)
        ),
        shifted_spokes=0 if other_way_round else _shifted(one.spoke_mm, two.spoke_mm),
        other_way_round=other_way_round,
    )


def _difference_uncertainty(before: Runout, after: Runout, change_mm: float, shared: bool) -> float:
    """Expanded uncertainty of a difference of totals.

    Lines that a camera left in place does to both cancel but for their share of the difference; all others,
    and all of them where the camera was moved, add as squares (JCGM 100:2008, 5.2.2 with r = 1 and r = 0).
    """
    lines = [(line, runout) for runout in (before, after) for line in runout.budget]
    alone = [line for line, _ in lines if not (shared and line.source in SHARED_LINES)]
    squares = sum(line.standard_uncertainty_mm**2 for line in alone)
    squares += (_relative(before) * change_mm) ** 2 if shared else 0.0
    fourths = sum(line.standard_uncertainty_mm**4 / line.degrees_of_freedom for line in alone)
    freedom = squares**2 / fourths if fourths > 0.0 else math.inf
    return coverage_factor(freedom) * math.sqrt(squares)


def _relative(runout: Runout) -> float:
    """What the scale, the outline's depth and the lens do, as a share of a reading."""
    if runout.total_runout.value <= 0.0:
        return 0.0
    parts = [line.standard_uncertainty_mm for line in runout.budget if line.source in GROWING_LINES]
    return math.hypot(*parts) / runout.total_runout.value


def _place_mm(runout: Runout) -> float:
    """What the camera's place does to one spoke's reading: to a total, which is of two places, √2 times as much."""
    parts = [line.standard_uncertainty_mm for line in runout.budget if line.source == PLACE_LINE]
    return math.hypot(*parts) / math.sqrt(2.0)


def _shared(before: Runout, after: Runout) -> bool:
    """Whether both were seen by the same camera in the same place: same scale, same directions in the picture."""
    return _set_up(before) is not None and _set_up(before) == _set_up(after)


def _shifted(before_mm: FloatArray, after_mm: FloatArray) -> int:
    """By how many spokes `after` must be turned back to fit `before` clearly better than as it is; else 0."""
    misfit = _unlike(before_mm, _turned(after_mm, range(len(before_mm))))
    best = int(np.argmin(misfit))
    if misfit[best] > CLEARLY_BETTER * misfit[0]:
        return 0
    return best if best <= len(before_mm) // 2 else best - len(before_mm)


def _other_way_round(before_mm: FloatArray, after_mm: FloatArray, direction: Direction) -> bool:
    """Whether `after`, counted the other way round from the mark, fits `before` clearly better than turned anyhow.

    So does a wheel that was turned round in the stand, which shows the pointer its other side: of a runout to the side
    the sign is the other one then too (p₂(θ) = −p₁(−θ), derived). Part of the runout may have been mended since: then
    any share of `before` will do, but only of this sign. Turned by parts of a spoke's spacing, a wave meets another of its kind
    wherever they stand, and isn't taken for one turned round.
    """
    near_mark = range(-1, 2)  # spoke 1 stands half a spacing after the mark, or at it
    back = {sign: _turned(sign * after_mm[::-1], near_mark) for sign in (1.0, -1.0)}
    as_large = min(_unlike(before_mm, each).min() for each in back.values())
    if as_large < CLEARLY_BETTER * _unlike(before_mm, _turned_finely(after_mm, 2 * len(after_mm))).min():
        return True
    in_part = _unlike(before_mm, back[-1.0 if direction == "lateral" else 1.0], any_share=True).min()
    anyhow = _unlike(before_mm, _turned_finely(after_mm, 720), any_share=True).min()
    return bool(in_part < BETTER_IN_PART * anyhow)


def _turned(values: FloatArray, spokes: range) -> FloatArray:
    """Turn values (s,) back by each of k numbers of spokes: (k, s)."""
    return np.array([np.roll(values, -k) for k in spokes])


def _turned_finely(values: FloatArray, steps: int) -> FloatArray:
    """Turn values (s,) back by each of so many equal steps of a turn, by their waves: (steps, s)."""
    waves = np.fft.rfft(values)
    turn = np.arange(steps) / steps
    ahead = np.exp(2j * np.pi * np.outer(turn, np.arange(len(waves))))
    return np.asarray(np.fft.irfft(waves * ahead, len(values), axis=1))


def _unlike(before_mm: FloatArray, turned_mm: FloatArray, *, any_share: bool = False) -> FloatArray:
    """How far each of k curves (k, s) differs from `before` (s,), or from that share of it that it fits best (sd, means apart)."""
    about = before_mm - before_mm.mean()
    if not any_share:
        return np.asarray(np.std(turned_mm - about, axis=1))
    share = np.maximum(turned_mm @ about / max(float(about @ about), np.finfo(float).tiny), 0.0)
    return np.asarray(np.std(turned_mm - share[:, None] * about, axis=1))


def study(passes: tuple[Runout, ...], tolerance_mm: float) -> Study:
    """Gauge study of passes over a wheel that nobody touched in between.

    Passes of one day, by the date in the zone of each record, and one set-up of the camera tell the
    repeatability at a spoke, those of several days and set-ups what more that does; where no two share both,
    all of them stand for it.

    Raises
    ------
    BadInput
        Fewer than two passes, or they aren't of one direction, side and number of spokes.
    """
    if len(passes) < 2:
        raise BadInput("a study needs at least two measurements of the same wheel; five or more tell more")
    _check_alike(passes)
    values = np.array([np.concatenate([side.spoke_mm for side in each.sides]) for each in passes])
    totals = np.array([each.total_runout.value for each in passes])
    levels = nested_sd(values, [each.created[:10] for each in passes], [_set_up(each) for each in passes])
    total_sd = float(np.std(totals, ddof=1))
    return Study(
        totals_mm=totals,
        total_sd_mm=total_sd,
        repeatability=levels[0] if levels[0].degrees_of_freedom else Spread(*pooled_sd(values)),
        day=levels[1],
        set_up=levels[2],
        differ_mm=DIFFER_FACTOR * total_sd,
        tolerance_mm=tolerance_mm,
        tolerance_share=PARTS_IN_SIX * total_sd / tolerance_mm,
    )


def pooled_sd(values: FloatArray) -> tuple[float, int]:
    """Standard deviation within the columns of values (p, s), pooled over them, and its degrees of freedom.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 2.4.4.4: s₁ = √(ΣSSᵢ/Σνᵢ).
    """
    freedom = values.shape[1] * (len(values) - 1)
    return math.sqrt(float(np.sum((values - values.mean(axis=0)) ** 2)) / freedom), freedom


def nested_sd(
    values: FloatArray, days: Sequence[str], set_ups: Sequence[object]
) -> tuple[Spread, Spread, Spread]:
    """Spread of readings (p, s) within a day of a set-up, of the days' means, and of the set-ups' means.

    Parameters
    ----------
    values : p readings of s things that don't change.
    days, set_ups : (p,) of each reading; a day of another set-up is another day.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 2.4.4.1 to 2.4.4.3: standard deviations of the three levels
    of a nested design, each of means over the level below, pooled over the things.
    """
    by_day: dict[tuple[object, str], list[FloatArray]] = {}
    for reading, day, set_up in zip(values, days, set_ups, strict=True):
        by_day.setdefault((set_up, day), []).append(reading)
    by_set_up: dict[object, list[FloatArray]] = {}
    for (set_up, _), readings in by_day.items():
        by_set_up.setdefault(set_up, []).append(np.mean(readings, axis=0))
    means = [np.mean(of_days, axis=0) for of_days in by_set_up.values()]
    return _pooled(by_day.values()), _pooled(by_set_up.values()), _pooled([means])


def _pooled(groups: Iterable[list[FloatArray]]) -> Spread:
    """Pool the spread within groups of readings (s,); NaN where none holds two."""
    told = [pooled_sd(np.array(group)) for group in groups if len(group) > 1]
    freedom = sum(each[1] for each in told)
    squares = sum(sd**2 * each for sd, each in told)
    return Spread(math.sqrt(squares / freedom) if freedom else math.nan, freedom)


def _set_up(runout: Runout) -> object:
    """What tells one set-up of the camera from another: its scale and the directions in its picture."""
    scale = None if runout.basis is None else runout.basis.view.scale
    if runout.basis is None or scale is None:
        return None
    return scale.mm_per_px, *runout.basis.view.positive.tolist()


def _check_alike(passes: tuple[Runout, ...]) -> None:
    first = passes[0]
    for number, each in enumerate(passes[1:], start=2):
        if each.direction != first.direction:
            raise BadInput(
                f"measurement 1 is {first.direction}, measurement {number} {each.direction}; "
                "compare measurements of one direction"
            )
        if {side.side for side in each.sides} != {side.side for side in first.sides}:
            raise BadInput(f"measurements 1 and {number} are of different sides of the rim")
        if len(each.sides[0].spoke_mm) != len(first.sides[0].spoke_mm):
            raise BadInput(
                f"measurement 1 is of {len(first.sides[0].spoke_mm)} spokes, "
                f"measurement {number} of {len(each.sides[0].spoke_mm)}"
            )


def _same_side(runout: Runout, side: str) -> SideRunout:
    return next(each for each in runout.sides if each.side == side)
