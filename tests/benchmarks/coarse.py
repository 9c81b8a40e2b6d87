"""Plan on readings in coarse steps, as from a ruler, and print what became of the wheels.

    python -m tests.benchmarks.coarse [wheels] [first seed] [tolerance mm]

The wheels are those of `closed_loop.py`; each reading is rounded to a whole number of steps. A wheel is worked on until
a plan has no turns, three rounds at most. Of the plans with turns, and of those that end the work, it is told by how much
the true runout lay over the expected one, and in how many of them by more than `FAR_OVER_MM`.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import sys
from dataclasses import replace

import numpy as np

from rimgauge.correcting import correct
from rimgauge.records import FloatArray, Plan, Readings
from tests.benchmarks.true_wheel import TrueWheel, random_wheel

STEPS_MM = (0.01, 0.1, 0.25, 0.5, 1.0)
MOST_ROUNDS = 3
FAR_OVER_MM = 0.2


def in_steps(readings: Readings, step_mm: float) -> Readings:
    """Round the runout to whole steps."""
    lateral, radial = (
        np.round(values / step_mm) * step_mm for values in (readings.lateral_mm, readings.radial_mm)
    )
    return replace(readings, lateral_mm=lateral, radial_mm=radial)


def worked_on(
    wheel: TrueWheel, step_mm: float, random: np.random.Generator
) -> tuple[int, FloatArray, FloatArray]:
    """Work on a wheel by coarse readings: nipples turned, true less expected runout (p, 2), and true runout (r, 2)."""
    nipples, over, left = 0, [], []
    last: tuple[Plan, Readings] | None = None
    for _ in range(MOST_ROUNDS):
        readings = in_steps(wheel.read(random), step_mm)
        plan = correct(readings, wheel.nominal, previous=last)
        turns = np.zeros(len(readings.lateral_mm))
        for item in plan.corrections:
            turns[item.spoke - 1] = item.turns
        wheel.turn(turns)
        true = np.array([np.ptp(wheel.lateral_mm), np.ptp(wheel.radial_mm)])
        left.append(true)
        over.append(true - [plan.predicted.lateral_mm or 0.0, plan.predicted.radial_mm or 0.0])
        if not turns.any():
            break
        nipples += int(np.count_nonzero(turns))
        last = (plan, readings)
    left += [left[-1]] * (MOST_ROUNDS - len(left))
    return nipples, np.array(over), np.array(left)


def main(wheels: str = "36", first_seed: str = "25000", tolerance_mm: str = "0.5") -> None:
    """Print a row for each step."""
    seeds = range(int(first_seed), int(first_seed) + int(wheels))
    print(
        "step mm  nipples  lateral after 1, 2, 3 rounds  within  radial  over expected, mean, 95 %  far over"
    )
    for step_mm in STEPS_MM:
        found = [
            worked_on(random_wheel(seed, float(tolerance_mm)), step_mm, np.random.default_rng(seed + 10_000))
            for seed in seeds
        ]
        nipples = np.mean([one[0] for one in found])
        over, left = np.vstack([one[1] for one in found]), np.array([one[2] for one in found])
        lateral, radial = left.mean(axis=0).T
        within = np.mean((left[:, -1] <= [float(tolerance_mm), 0.5]).all(axis=1))
        print(
            f"{step_mm:7g}{nipples:9.1f}  {lateral[0]:8.2f}{lateral[1]:9.2f}{lateral[2]:9.2f}{within:10.0%}{radial[2]:8.2f}"
            f"{over.mean():+16.3f}{np.quantile(over, 0.95):+8.3f}{np.mean(over > FAR_OVER_MM):10.0%}",
            flush=True,
        )


if __name__ == "__main__":
    main(*sys.argv[1:])
