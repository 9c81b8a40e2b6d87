"""What a round leaves, and what of it no round of even tension can reach."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rimgauge.plan.order import no_worse_on_the_way, radial_in_after
from rimgauge.plan.prices import objective
from rimgauge.plan.problem import EVEN_FLOOR, Line, Problem, rms
from rimgauge.plan.relaxed import relax
from rimgauge.plan.safety import BENT_ANYHOW_MM
from rimgauge.records import IntArray

MOST_SPREAD = 0.15
"""Standard deviation over mean that is tried at most: more would be no wheel to ride (our choice)."""
PEAK_SHARE = 2.0
"""One spoke may be so many standard deviations from its side's mean."""
NEARLY_SURE_MM = 0.001
"""Doubt that is left of the runout while nothing but evenness is asked about: the price of risk needs some."""
MOST_EIGHTHS = 24
"""Turns of several rounds at one nipple."""
HALVINGS = 5
"""Bisections for the least spread that serves, which is then known to half a per cent."""


def unevenness_needed(problem: Problem) -> float | None:
    """Find out how uneven tension must be for the lateral runout to come within its tolerance in some rounds.

    Returns
    -------
    float or None
        Standard deviation over mean of the worse side, at least; zero where the limits of the plan will do,
        None where even MOST_SPREAD won't.

    """
    enough = _uneven(problem, MOST_SPREAD)
    if enough is None:
        return None
    if _uneven(problem, 0.0) is not None:
        return 0.0
    low, high = 0.0, MOST_SPREAD
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        found = _uneven(problem, middle)
        if found is None:
            low = middle
        else:
            high, enough = middle, found
    return enough


def _uneven(problem: Problem, spread: float) -> float | None:
    """How uneven the worse side is where limits of at least this spread bring the rim within; None where they don't."""
    line = problem.lateral
    sides = tuple(
        replace(
            side,
            largest_rms_n=max(side.largest_rms_n, spread * side.mean_n),
            largest_peak_n=max(side.largest_peak_n, PEAK_SHARE * spread * side.mean_n),
        )
        for side in problem.sides
    )
    wider = replace(
        problem,
        most_eighths=np.where(problem.most_eighths > 0, MOST_EIGHTHS, 0),
        sides=sides,
        lateral=replace(line, aim_mm=line.tolerance_mm, miss_mm=0.0, unsure_mm=NEARLY_SURE_MM),
    )
    found = relax(wider)
    if found is None or line.reading_after_mm(found.eighths) > line.tolerance_mm + 1e-6:
        return None
    after = [(side, side.start_n + side.step_n @ found.eighths) for side in sides]
    return max(float(np.sqrt(np.mean(deviation**2))) / side.mean_n for side, deviation in after)


MANY_SHARE = 0.5
"""A plan that turns more than this share of the nipples says which may be left out;"""
LEFT_SHARE, SPARED_SHARE = 0.2, 0.33
"""that leaves within its tolerance what is, else at most the first share of what the plan mends, and is said from the second of its steps on (our choice)."""


def radial_steps(problem: Problem, eighths: IntArray, order: IntArray) -> tuple[str, ...]:
    """Say when radial runout is in, where that is before the last step."""
    steps = radial_in_after(problem, eighths, order)
    if steps is None or steps == len(order):
        return ()
    named = "step 1" if steps == 1 else f"steps 1 to {steps}"
    return (
        f"Radial runout comes first: with {named} of {len(order)} (up to spoke {order[steps - 1] + 1}) done in full it "
        f"should be within {problem.radial.tolerance_mm:.2f} mm.",
    )


def fewer_nipples(problem: Problem, eighths: IntArray, order: IntArray) -> tuple[str, ...]:
    """Say of a long plan which steps may be left out, one after the other those that do least, and what is left then.

    Only where that spares a good part of them, and leaves tension no less even than it is now.
    """
    if len(order) <= MANY_SHARE * problem.nipples:
        return ()
    lines = {
        name: line for name, line in (("lateral", problem.lateral), ("radial", problem.radial)) if line.known
    }
    fewer = _without_the_least(problem, list(lines.values()), eighths)
    spared = [step for step, nipple in enumerate(order, start=1) if not fewer[nipple]]
    kept = order[fewer[order] != 0]
    if len(spared) < SPARED_SHARE * len(order) or not no_worse_on_the_way(problem, fewer, kept):
        return ()
    left = " and ".join(f"{line.reading_after_mm(fewer):.2f} mm of {name}" for name, line in lines.items())
    return (
        f"Too many nipples? Leave out steps {', '.join(str(step) for step in spared)}: with the other "
        f"{len(kept)} done in full, about {left} runout should be left.",
    )


def _without_the_least(problem: Problem, lines: Sequence[Line], eighths: IntArray) -> IntArray:
    """Leave out, one after the other, the turns that do least, as long as enough of the runout is mended."""
    most = [
        max(
            line.tolerance_mm,
            LEFT_SHARE * line.reading_before_mm + (1 - LEFT_SHARE) * line.reading_after_mm(eighths),
        )
        for line in lines
    ]
    fewer = eighths
    while fewer.any():
        tries = [np.where(np.arange(len(fewer)) == nipple, 0, fewer) for nipple in np.flatnonzero(fewer)]
        out = [
            max(line.reading_after_mm(turns) / most_mm for line, most_mm in zip(lines, most, strict=True))
            for turns in tries
        ]
        good = [
            one if _as_even(problem, turns) and np.isfinite(objective(problem, turns)) else np.inf
            for one, turns in zip(out, tries, strict=True)
        ]
        if min(good) > 1.0:
            break
        fewer = tries[int(np.argmin(good))]
    return fewer


def _as_even(problem: Problem, eighths: IntArray) -> bool:
    """Whether no side's tension is less even than it is now, as far as that is known."""
    return all(
        rms(side.start_n + side.step_n @ eighths) <= max(rms(side.start_n), EVEN_FLOOR * side.mean_n)
        for side in problem.sides
    )


def left_over(problem: Problem, eighths: IntArray) -> tuple[str, ...]:
    """Say what this round will not reach."""
    if not eighths.any():
        return ()
    notes = []
    for name, line in (("lateral", problem.lateral), ("radial", problem.radial)):
        after = line.reading_after_mm(eighths)
        hidden = line.hidden_mm > 0 and line.seen_after_mm(eighths) <= line.aim_mm
        if line.known and after > line.tolerance_mm and not hidden:
            over = "over" if round(after, 2) > round(line.tolerance_mm, 2) else "hardly over"
            notes.append(
                f"This round leaves about {after:.2f} mm of {name} runout, {over} the tolerance of "
                f"{line.tolerance_mm:.2f} mm, to keep turns small and tension even: measure again and plan the next"
                " round."
            )
    if not _far_off(problem, eighths):
        notes += [words[0].upper() + words[1:] for words in _cost_in_evenness(problem, eighths)]
    return tuple(notes)


def _far_off(problem: Problem, eighths: IntArray) -> bool:
    """Whether a round leaves the wheel so far out that what nipples can't mend comes before the steps."""
    return problem.lateral.reading_after_mm(eighths) > BENT_ANYHOW_MM


def out_of_reach(problem: Problem, eighths: IntArray) -> tuple[str, ...]:
    """Say before the steps what is out of their reach, where that is much."""
    if not _far_off(problem, eighths):
        return ()
    return tuple(f"Before you turn a nipple: {words}" for words in _cost_in_evenness(problem, eighths))


def _cost_in_evenness(problem: Problem, eighths: IntArray) -> list[str]:
    """Say what reaching the lateral tolerance, if a round doesn't, would cost in evenness, where it would cost any.

    Coarse readings can't tell that.
    """
    line = problem.lateral
    if not problem.tension_known or line.hidden_mm or line.reading_after_mm(eighths) <= line.tolerance_mm:
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
