"""Is any state on the way worse than the start, and does radial runout fall first where it is bad?

    python -m tests.benchmarks.way_of_working [wheels] [processes] [first seed]

The first round of the wheels of `true_wheel.py` is turned step by step, once each nipple in one go and once in
laps of half a turn, by the model that plans and by the wheel itself. A state is worse where lateral or radial
runout is larger than at the start and than is aimed at, or the rim's mean over 0.1 mm from where it was.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np

from rimgauge.correcting import correct
from rimgauge.plan.problem import RADIAL_AIM_SHARE
from rimgauge.records import AT_ONCE_EIGHTHS, Correction, FloatArray
from rimgauge.wheel import influence
from tests.benchmarks.closed_loop import GOALS_MM
from tests.benchmarks.true_wheel import RADIAL_GOAL_MM, random_wheel

WORSE_MM = 0.005
"""What no indicator tells."""
CENTRE_MM = 0.1


@dataclass
class Way:
    """One first round: the worst harm on the way by the model and by the wheel [mm], and when radial came in.

    is_walk: the order goes at most twice round the wheel.
    radial_in, lateral_in: share of the steps after which radial runout is within 0.5 mm, and lateral within
    the goal, to stay so; None where it was within at the start or does not come in.
    """

    model_mm: float
    wheel_mm: float
    is_walk: bool
    radial_in: float | None
    lateral_in: float | None


def steps(corrections: tuple[Correction, ...], spokes: int, at_once: float) -> Iterator[FloatArray]:
    """Give the turns so far (spokes,) after each step, lap by lap."""
    left, done = np.zeros(spokes), np.zeros(spokes)
    for item in corrections:
        left[item.spoke - 1] = item.turns
    while left.any():
        for item in corrections:
            part = np.clip(left[item.spoke - 1], -at_once, at_once)
            if part:
                left[item.spoke - 1] -= part
                done[item.spoke - 1] += part
                yield done.copy()


def run(seed: int, goal_mm: float) -> Way:
    """Plan and turn one first round."""
    start = random_wheel(seed, goal_mm)
    readings = start.read(np.random.default_rng(seed + 10_000))
    plan = correct(readings, start.nominal)
    answer = influence(start.nominal)
    aims = (0.5 * goal_mm, RADIAL_AIM_SHARE * RADIAL_GOAL_MM)
    harms = {"model": [0.0], "wheel": [0.0]}
    left = np.zeros((0, 2))
    for at_once in (AT_ONCE_EIGHTHS / 8, 100.0):
        wheel, done, seen = random_wheel(seed, goal_mm), np.zeros(len(start.nominal.flanges)), []
        for turns in steps(plan.corrections, len(done), at_once):
            wheel.turn(turns - done)
            done = turns
            model = (
                readings.lateral_mm + answer.lateral_mm @ turns,
                readings.radial_mm + answer.radial_mm @ turns,
            )
            harms["model"].append(
                _worse((readings.lateral_mm, readings.radial_mm), model, aims, answer.dish_mm @ turns)
            )
            true = (wheel.lateral_mm, wheel.radial_mm)
            harms["wheel"].append(_worse((start.lateral_mm, start.radial_mm), true, aims, wheel.dish_mm))
            seen.append([float(np.ptp(values)) for values in model])
        left = np.array(seen).reshape(-1, 2)
    return Way(
        model_mm=max(harms["model"]),
        wheel_mm=max(harms["wheel"]),
        is_walk=_laps(plan.corrections, len(readings.lateral_mm)) <= 2,
        radial_in=_came_in(left[:, 1], np.ptp(readings.radial_mm), RADIAL_GOAL_MM),
        lateral_in=_came_in(left[:, 0], np.ptp(readings.lateral_mm), goal_mm),
    )


def _worse(
    start: tuple[FloatArray, FloatArray],
    now: tuple[FloatArray, FloatArray],
    aims: tuple[float, float],
    dish: float,
) -> float:
    over = [np.ptp(one) - max(np.ptp(before), aim) for before, one, aim in zip(start, now, aims, strict=True)]
    return float(max(*over, abs(dish) - CENTRE_MM))


def _laps(corrections: tuple[Correction, ...], spokes: int) -> int:
    """How many times round the wheel the order goes, the way round that takes fewer."""
    ahead = np.diff([item.spoke for item in corrections]) % spokes
    return 1 + int(min(ahead.sum(), (spokes - ahead).sum()) // spokes)


def _came_in(left: FloatArray, start: float, goal: float) -> float | None:
    """Share of the steps after which a reading (m,) stays within the goal."""
    if start <= goal or not len(left) or left[-1] > goal:
        return None
    return float(np.flatnonzero(np.append(np.inf, left) > goal)[-1] + 1) / len(left)


def main(wheels: int = 100, processes: int = 2, first_seed: int = 7200) -> None:
    """Print the table."""
    seeds = range(first_seed, first_seed + wheels)
    print(
        "| goal mm | wheels | never worse, model | worst mm | never worse, wheel | worst mm "
        "| at most twice round | radial out | came in | lateral |"
    )
    print("|" + "---|" * 10)
    with ProcessPoolExecutor(processes) as pool:
        for goal_mm in GOALS_MM:
            ways = list(pool.map(partial(run, goal_mm=goal_mm), seeds, chunksize=4))
            print(_row(goal_mm, ways), flush=True)


def _row(goal_mm: float, ways: list[Way]) -> str:
    model, wheel = ([getattr(way, name) for way in ways] for name in ("model_mm", "wheel_mm"))
    out = [way for way in ways if way.radial_in is not None]
    lateral = [way.lateral_in for way in out if way.lateral_in is not None]
    cells = [
        f"{goal_mm:g}",
        f"{len(ways)}",
        *(
            text
            for harm in (model, wheel)
            for text in (f"{sum(mm <= WORSE_MM for mm in harm)}", f"{max(harm):.3f}")
        ),
        f"{sum(way.is_walk for way in ways)}",
        f"{len(out)}",
        f"{np.median([way.radial_in for way in out]):.0%}" if out else "–",
        f"{np.median(lateral):.0%}" if lateral else "–",
    ]
    return f"| {' | '.join(cells)} |"


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:4]))
