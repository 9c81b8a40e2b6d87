"""Readings in coarse steps, as from a ruler: the smooth rim behind them, and the runout that they can't tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rimgauge.plan.likely import Behind, runout_behind
from rimgauge.plan.problem import Line, Problem
from rimgauge.records import FloatArray, Influence, IntArray, Readings, Round

DRAWS = 400
"""Rims drawn by lot that the readings allow; the mean of their runout is known to a hundredth of it then."""
LEAST_SHARE = 0.65
"""So much of a step at least is hidden, full indicator reading: readings of one or two values tell less than rounding by
chance would. On simulated wheels it is 0.5 of a step where they take many values, 0.7 where two, 0.6 where one."""
FINE_STEP_MM = 0.1
"""Readings in such steps are as good as fine ones: the rim's smoothness makes up for them."""
WORTH_SEEING = 0.5
"""Runout seen in the readings is flattened down to this share of what they hide: below, next to nothing is won."""


def coarse_steps_mm(readings: Readings, earlier: Sequence[Round]) -> tuple[float, float]:
    """Steps of lateral and radial readings where they are coarse, else 0; where all are alike, those of the round before."""
    states = [readings, *(done.readings for done in reversed(earlier))]
    told = (state.steps_mm for state in states if _differ(state.lateral_mm) or _differ(state.radial_mm))
    return next(told, (0.0, 0.0))


def _differ(values: FloatArray) -> bool:
    read = values[np.isfinite(values)]
    return bool(len(read) and np.ptp(read) > 0)


def lines_behind(
    lines: tuple[Line, Line],
    readings: Readings,
    steps_mm: tuple[float, float],
    tension_n: FloatArray,
    influence: Influence,
    sides: Sequence[IntArray],
) -> tuple[Line, Line]:
    """Put the smooth rim behind coarse readings in their place, in the lateral and the radial line; fine ones stay."""
    behind = runout_behind(readings, tension_n, influence, sides, steps_mm=steps_mm)
    lateral, radial = (
        line if found is None else _behind(line, found, step_mm)
        for line, found, step_mm in zip(lines, behind, steps_mm, strict=True)
    )
    return lateral, radial


def _behind(line: Line, behind: Behind, step_mm: float) -> Line:
    """Put the likeliest runout in place of the one read; ends are met by what is seen and what is hidden together.

    What is hidden adds to what is seen like noise, by its square, as it is the largest where the other is by chance only.
    """
    size, axes = np.linalg.eigh(behind.covariance)
    normal = np.random.default_rng(0).normal(size=(len(size), DRAWS))
    drawn = np.ptp((axes * np.sqrt(np.maximum(size, 0.0))) @ normal, axis=0)
    hidden_mm = max(float(drawn.mean()), LEAST_SHARE * step_mm)
    least_mm = WORTH_SEEING * hidden_mm
    end_mm = max(float(np.sqrt(max(line.tolerance_mm**2 - hidden_mm**2, 0.0))), least_mm)
    return replace(
        line,
        start_mm=line.start_mm.mean() + behind.runout_mm,
        aim_mm=max(line.aim_mm, least_mm),
        miss_mm=line.miss_mm + line.tolerance_mm - end_mm,
        unsure_mm=float(np.hypot(line.unsure_mm, drawn.std())),
        hidden_mm=hidden_mm,
    )


def doubts(problem: Problem, readings: Readings, steps_mm: tuple[float, float]) -> tuple[str, ...]:
    """Say which readings are all alike, which are coarse, and how much runout they can't tell."""
    return (*_alike_words(readings, steps_mm), *_coarse_words(problem, steps_mm))


def _alike_words(readings: Readings, steps_mm: tuple[float, float]) -> tuple[str, ...]:
    """Doubt readings of a direction that are one and the same number, unless they are known to be coarse."""
    read = (("lateral", readings.lateral_mm), ("radial", readings.radial_mm))
    alike = [
        f"{name} reading is {values[np.isfinite(values)][0]:g} mm"
        for (name, values), step_mm in zip(read, steps_mm, strict=True)
        if np.isfinite(values).any() and not _differ(values) and step_mm == 0
    ]
    if not alike:
        return ()
    return (
        f"Every {' and every '.join(alike)}, and hardly a wheel runs that true: is the gauge stuck, or the sheet not filled "
        "in? Read a few spokes again, and leave empty what you did not read.",
    )


def _coarse_words(problem: Problem, steps_mm: tuple[float, float]) -> tuple[str, ...]:
    """Say which readings are coarse, and how much runout they can't tell."""
    lines = (("lateral", problem.lateral), ("radial", problem.radial))
    coarse = [
        (name, line.hidden_mm, step_mm)
        for (name, line), step_mm in zip(lines, steps_mm, strict=True)
        if line.hidden_mm > 0
    ]
    if not coarse:
        return ()
    steps = " and ".join(f"{name} runout in steps of {step_mm:g} mm" for name, _, step_mm in coarse)
    hidden = " and ".join(f"{hidden_mm:.1f} mm of {name} runout" for name, hidden_mm, _ in coarse)
    return (
        f"You read {steps}, as from a ruler: the plan takes the smooth rim behind such readings. They hide about "
        f"{hidden}, whatever you turn: for a truer wheel read to {FINE_STEP_MM:g} mm.",
    )


def nothing_to_see(problem: Problem) -> bool:
    """Tell whether what is out of its tolerance is so only by what coarse readings hide."""
    lines = (problem.lateral, problem.radial)
    out = [line for line in lines if line.known and line.reading_before_mm > line.tolerance_mm]
    return bool(out) and all(
        line.hidden_mm > 0 and float(np.ptp(line.start_mm)) <= line.aim_mm for line in out
    )
