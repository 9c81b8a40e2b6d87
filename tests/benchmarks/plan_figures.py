"""How well a plan knows what it is made on and foretells: the figures of docs/method-plan.md.

    python -m tests.benchmarks.plan_figures [wheels] [first seed]

Wheels of the closed loop (`true_wheel.py`), turned exactly as planned in their first round at a goal of 0.2 mm, and read in steps
before it.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import sys

import numpy as np

from rimgauge.plan import make_plan
from rimgauge.plan.likely import likely_deviations, runout_behind
from rimgauge.plan.problem import flange_spokes
from rimgauge.records import FloatArray, Influence, Readings, Wheel
from rimgauge.wheel import influence
from tests.benchmarks.coarse import in_steps
from tests.benchmarks.true_wheel import TrueWheel, random_wheel

GOAL_MM = 0.2
STEPS_MM = (0.25, 0.5, 1.0)


def off_in_tension(true: TrueWheel, read: Readings, answer: Influence) -> tuple[float, float]:
    """Root mean square of what tensions as read, and the likeliest ones, are off about each side's mean, as shares of it."""
    sides = flange_spokes(true.nominal)
    likely = likely_deviations(read, read.tension_n, answer, sides).deviation_n
    squares = []
    for spokes in sides:
        mean_n = true.tension_n[spokes].mean()
        about = true.tension_n[spokes] - mean_n
        as_read = read.tension_n[spokes] - read.tension_n[spokes].mean()
        squares.append(
            [np.mean(((as_read - about) / mean_n) ** 2), np.mean(((likely[spokes] - about) / mean_n) ** 2)]
        )
    as_read_off, likely_off = np.sqrt(np.mean(squares, axis=0))
    return float(as_read_off), float(likely_off)


def off_in_runout(true: TrueWheel, read: Readings, answer: Influence, step_mm: float) -> tuple[float, float]:
    """Root mean square of what lateral readings in steps, and the smooth rim behind them, are off at a spoke [mm]."""
    coarse = in_steps(read, step_mm)
    (behind, _) = runout_behind(
        coarse, read.tension_n, answer, flange_spokes(true.nominal), steps_mm=(step_mm, step_mm)
    )
    assert behind is not None
    about = true.lateral_mm - true.lateral_mm.mean()
    as_read = coarse.lateral_mm - coarse.lateral_mm.mean()
    return tuple(
        float(np.sqrt(np.mean((each - each.mean() - about) ** 2))) for each in (as_read, behind.runout_mm)
    )


def over_foretold(true: TrueWheel, read: Readings, nominal: Wheel, answer: Influence) -> tuple[float, float]:
    """Lateral runout before the round, and by how much more than foretold it comes out [mm]."""
    before_mm = float(np.ptp(true.lateral_mm))
    plan = make_plan(read, nominal, answer)
    turns = np.zeros(len(nominal.flanges))
    for step in plan.corrections:
        turns[step.spoke - 1] = step.turns
    true.turn(turns)
    return before_mm, float(np.ptp(true.lateral_mm)) - (plan.predicted.lateral_mm or 0.0)


def main(wheels: int = 60, first: int = 29200) -> None:
    """Print the tables."""
    tension, runout, foretold = [], {step_mm: [] for step_mm in STEPS_MM}, []
    for seed in range(first, first + wheels):
        true = random_wheel(seed, GOAL_MM)
        answer, read = influence(true.nominal), true.read(np.random.default_rng(seed + 10_000))
        tension.append(off_in_tension(true, read, answer))
        for step_mm, told in runout.items():
            told.append(off_in_runout(true, read, answer, step_mm))
        foretold.append(over_foretold(true, read, true.nominal, answer))
    print(f"{wheels} wheels, seeds {first} to {first + wheels - 1}\n")
    print("| known of | as read | likeliest |\n|---|---|---|")
    print("| a spoke's tension | {:.1%} | {:.1%} |".format(*_rms(tension)))
    for step_mm, told in runout.items():
        print("| lateral runout, in steps of {} mm | {:.3f} mm | {:.3f} mm |".format(step_mm, *_rms(told)))
    before_mm, over_mm = np.array(foretold).T
    print("\n| lateral runout before, mm | more than foretold, mm | standard deviation, mm |\n|---|---|---|")
    for part in np.array_split(np.argsort(before_mm), 4):
        print(
            f"| {before_mm[part].min():.1f} to {before_mm[part].max():.1f} | {over_mm[part].mean():.3f} | "
            f"{over_mm[part].std():.3f} |"
        )


def _rms(values: list[tuple[float, float]]) -> FloatArray:
    return np.sqrt(np.mean(np.square(values), axis=0))


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
