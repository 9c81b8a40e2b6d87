"""A runout reading that the rest of the rim doesn't agree with: a slip of eye or pencil, or a sharp bend."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rimgauge.plan.apart import HIDDEN, MEDIAN_TO_DEVIATION
from rimgauge.plan.gauge import GAUGE_NOISE
from rimgauge.plan.problem import Problem, flange_spokes
from rimgauge.plan.regression import about_means, likeliest_scales, put_together
from rimgauge.plan.wishes import Checked
from rimgauge.plan.wording import named_spokes
from rimgauge.records import BoolArray, Direction, FloatArray, Influence, IntArray, Readings, Wheel, record

LEAST_OFF = 5.0
"""From so many standard deviations, of the others' own scatter where that is larger than usual, a reading is named."""
LEAST_OFF_MM = 0.15
"""Less is within what a careful hand reads, and what is turned for it is small; our choice."""
MOST_NAMED = 5
MANY = 1 / 3
"""Where more than this share of the spokes would be listed to be read again, all are: a list so long is misread itself."""
LEFT_OUT_MM = 10.0
"""Standard deviation that is given to a reading that is left out: against what the rim tells it weighs nothing."""

MEAN_MM = 1.0
"""How far the mean of a direction's readings may be from the rim's own: as good as anything."""


@record
class OutOfLine:
    """A spoke (from 0) whose runout as read doesn't fit all other readings: expected_mm, what they make one expect of it."""

    spoke: int
    direction: Direction
    read_mm: float
    expected_mm: float


def out_of_line(
    readings: Readings, tension_n: FloatArray, influence: Influence, sides: Sequence[IntArray]
) -> tuple[OutOfLine, ...]:
    """Find the runout readings, MOST_NAMED at most, that the rim's stiffness and the others don't agree with.

    The worst is left out, as it makes the rim seem more bent than it is, and judged by the others; then the next. One may
    hide behind a second, so that the search ends only after HIDDEN that don't stand out; what is found is judged once more
    with all of it left out. tension_n (n,): at every spoke, as far as it is known [N].
    """
    n = len(tension_n)
    values = np.concatenate([readings.lateral_mm, readings.radial_mm])
    filled, out, kept = values.copy(), np.zeros(2 * n, dtype=bool), np.zeros(2 * n, dtype=bool)
    judged = _judged(readings, filled, out, tension_n, influence, sides)
    most = min(MOST_NAMED, int(np.isfinite(values).sum()))
    while out.sum() < most and out.sum() - kept.sum() < HIDDEN:
        # Where all that is left fits to the last digit, as where a dial is stuck, one that was left out must not come again.
        off = np.where(np.isfinite(values) & ~out, np.abs(values - judged[0]) / judged[1], -1.0)
        worst = int(np.argmax(off))
        out[worst], filled[worst] = True, judged[0][worst]
        judged = _judged(readings, filled, out, tension_n, influence, sides)
        kept = out.copy() if _standing_out(values, *judged, out)[worst] else kept
    if not kept.any():
        return ()
    filled = np.where(kept, filled, values)
    judged = _judged(readings, filled, kept, tension_n, influence, sides)
    return tuple(
        OutOfLine(
            spoke=int(place) % n,
            direction="lateral" if place < n else "radial",
            read_mm=float(values[place]),
            expected_mm=float(judged[0][place]),
        )
        for place in np.flatnonzero(kept & _standing_out(values, *judged, kept))
    )


def _standing_out(values: FloatArray, expected: FloatArray, spread: FloatArray, out: BoolArray) -> BoolArray:
    """Which readings (2n,) lie farther from what is expected of them than the others' scatter allows."""
    off_mm = np.abs(values - expected)
    scatter = MEDIAN_TO_DEVIATION * float(np.median((off_mm / spread)[np.isfinite(values) & ~out]))
    return np.asarray(off_mm >= np.maximum(LEAST_OFF_MM, LEAST_OFF * spread * max(scatter, 1.0)))


def slips(
    readings: Readings,
    wheel: Wheel,
    influence: Influence,
    problem: Problem,
    checked: frozenset[Checked],
    measured: frozenset[Direction],
) -> str | None:
    """Name the spokes whose runout as read doesn't fit the rim, and say what to do; None for none.

    measured: directions that were measured, which nobody can read again at one spoke.
    """
    if "rim" in checked:
        return None
    found = out_of_line(readings, problem.tension_n, influence, flange_spokes(wheel))
    if not found:
        return None
    each = "; ".join(
        f"{one.read_mm:.2f} mm {one.direction} at spoke {one.spoke + 1} doesn't fit how the rest of the rim runs, about "
        f"{round(one.expected_mm, 2) + 0.0:.2f} mm would"
        for one in found
    )
    return f"{each}. {_read_again(found, measured, problem.nipples)} (--checked rim leaves this out)."


def _read_again(found: tuple[OutOfLine, ...], measured: frozenset[Direction], spokes: int) -> str:
    """Say how to tell a misread spoke from a rim that does run so, and what to look for then."""
    there = "there" if len({one.spoke for one in found}) == 1 else "at one of them"
    bent = (
        f"the rim is bent sharply {there}: look for a dent, a crack or the rim's joint, which no nipple mends"
    )
    directions = {one.direction for one in found}
    if directions <= measured:
        return f"Measure again, and if it isn't so any more, plan on that; if it is, {bent}"
    also = (
        ""
        if directions.isdisjoint(measured)
        else f", measure {' and '.join(directions & measured)} runout anew"
    )
    return f"Read {_to_read(found, measured, spokes)} again{also}, and if one was misread, plan again; if none was, {bent}"


def _to_read(found: tuple[OutOfLine, ...], measured: frozenset[Direction], spokes: int) -> str:
    """Name what was typed and is to be read again: direction and spokes, those beside too, or all where that is many.

    Of two neighbours misread alike it is sound ones beside them that stand out.
    """
    parts = []
    for direction in sorted({one.direction for one in found} - measured):
        there = np.array([one.spoke for one in found if one.direction == direction])
        beside = np.unique((there[:, None] + [-1, 0, 1]) % spokes)
        named = "all spokes" if len(beside) > MANY * spokes else named_spokes(beside)
        parts.append(f"the {direction} runout of {named}")
    return " and ".join(parts)


def _judged(
    readings: Readings,
    filled_mm: FloatArray,
    out: BoolArray,
    tension_n: FloatArray,
    influence: Influence,
    sides: Sequence[IntArray],
) -> tuple[FloatArray, FloatArray]:
    """What all else makes one expect of each runout, and its standard deviation with its reading's noise (2n,) [mm].

    filled_mm (2n,): lateral, then radial, those that are left out (out) being filled in; NaN where not read, as in what is
    returned.
    """
    n = len(tension_n)
    state = replace(readings, lateral_mm=filled_mm[:n], radial_mm=filled_mm[n:])
    about = about_means(n, sides)
    seen = put_together(state, tension_n, influence, about, GAUGE_NOISE, readings.steps_mm)
    read = np.isfinite(filled_mm)
    added = np.concatenate([np.zeros(n), np.where(out[read], LEFT_OUT_MM**2, 0.0)])
    # The mean that was taken off each direction is of all its readings, those left out among them: it is unknown.
    of_direction = np.concatenate([np.zeros(n), np.where(np.arange(2 * n) < n, 1.0, 2.0)[read]])
    alike = (of_direction > 0) & (of_direction[:, None] == of_direction)
    seen = replace(seen, noise=seen.noise + added, tilted=seen.tilted + MEAN_MM**2 * alike)
    inverse = np.linalg.inv(seen.covariance(likeliest_scales(seen)))
    # Of a Gaussian, as in `apart`: value less (K⁻¹y)/(K⁻¹), of variance 1/(K⁻¹).
    weight = np.diag(inverse)[n:]
    expected, spread = np.full(2 * n, np.nan), np.full(2 * n, np.nan)
    expected[read] = filled_mm[read] - (inverse @ seen.values)[n:] / weight
    spread[read] = np.sqrt(1 / weight - added[n:])
    return expected, spread
