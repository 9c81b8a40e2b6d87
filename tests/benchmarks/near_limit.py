"""Where no tension was read, are the spokes named that a plan brings over the limit?

    python -m tests.benchmarks.near_limit [wheels] [first seed]

Wheels of the closed loop with a tension limit so many times the mean tension of their tighter side, read without tension; the
plan's turns are made on the wheel itself, which finds its own balance.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import sys
from dataclasses import replace

import numpy as np

from rimgauge.plan import make_plan
from rimgauge.records import BoolArray, FloatArray
from rimgauge.wheel import influence
from tests.benchmarks.true_wheel import random_wheel

GOAL_MM = 0.2
LIMITS = (1.05, 1.15, 1.2, 1.25)
"""Times the mean tension of the tighter side."""


def tightened(seed: int, limit: float) -> tuple[FloatArray, BoolArray]:
    """Plan for one wheel; of the spokes (k,) that it tightens, the tension after it over the limit, and which are named."""
    true = random_wheel(seed, GOAL_MM)
    nominal = true.nominal
    limit_n = limit * max(nominal.tension.right_n, nominal.tension.left_n)
    nominal = replace(nominal, tension=replace(nominal.tension, limit_n=limit_n))
    plan = make_plan(true.read(np.random.default_rng(seed), tension=False), nominal, influence(nominal))
    turns = np.zeros(len(nominal.flanges))
    for step in plan.corrections:
        turns[step.spoke - 1] = step.turns
    true.turn(turns)
    warned = next((words for words in plan.see_to_first if "may be brought over the limit" in words), "")
    listed = warned.partition(" N: ")[2].partition(". Pluck")[0]
    numbers = listed.replace("spokes", "").replace("spoke", "").replace(" and ", ",")
    named = {int(number) for number in numbers.split(",") if number.strip()}
    up = np.flatnonzero(turns > 0)
    return true.tension_n[up] / limit_n, np.isin(up + 1, sorted(named))


def main(wheels: int = 24, first: int = 28300) -> None:
    """Print the table."""
    print(f"{wheels} wheels, seeds {first} to {first + wheels - 1}\n")
    print(
        "| limit, of the mean | tightened | named | on wheels | over the limit | of these not named | farthest over |"
    )
    print("|---|---|---|---|---|---|---|")
    for limit in LIMITS:
        told = [tightened(seed, limit) for seed in range(first, first + wheels)]
        share, named = (np.concatenate(parts) for parts in zip(*told, strict=True))
        missed = (share > 1.0) & ~named
        farthest = f"{share[missed].max() - 1.0:.1%}" if missed.any() else "–"
        print(
            f"| {limit:g} | {len(share)} | {named.sum()} | {sum(each.any() for _, each in told)} | {(share > 1.0).sum()} | "
            f"{missed.sum()} | {farthest} |",
            flush=True,
        )


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
