"""The closed loop on kinds of wheel that no plan was built on, and under worse conditions than usual.

    python -m tests.benchmarks.other_wheels [wheels of each kind] [processes] [first seed]

Shares are of the wheels that turns of any size, the truth being known, bring to 0.2 mm.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import sys
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from typing import Any

import numpy as np

from tests.benchmarks.closed_loop import (
    HAND_TURNS,
    Outcome,
    by_plan,
    by_plan_blind,
    least_lateral_mm,
    run,
)
from tests.benchmarks.true_wheel import KINDS, OTHER_KINDS, random_wheel

GOAL_MM = 0.2
ROUNDS = 3
CONDITIONS: dict[str, dict[str, Any]] = {
    "as usual": {"way": by_plan},
    "gauge of 5 %": {"way": by_plan, "gauge": 0.05},
    "turns missed by 0.03": {"way": by_plan, "hand_turns": HAND_TURNS},
    "no tension readings": {"way": by_plan_blind},
}


def one(seed: int, kinds: dict[str, dict[str, Any]], condition: str) -> tuple[bool, Outcome]:
    """Whether turns of any size can true one wheel, and how it went."""
    options = {"hand_turns": 0.0, **CONDITIONS[condition]}
    can = least_lateral_mm(random_wheel(seed, GOAL_MM, kinds)) <= GOAL_MM
    return can, run(seed, GOAL_MM, most_rounds=ROUNDS, kinds=kinds, **options)


def row(names: tuple[str, ...], runs: list[tuple[bool, Outcome]]) -> str:
    """One row of the table."""
    able = [outcome for can, outcome in runs if can]

    def share(attribute: str, rounds: int) -> str:
        found = [getattr(outcome, attribute) for outcome in able]
        return f"{sum(value is not None and value <= rounds for value in found) / max(len(able), 1):.0%}"

    cells = [
        *names,
        f"{len(able)}/{len(runs)}",
        *(share(attribute, rounds) for attribute in ("rounds", "true_in") for rounds in (1, 2, 3)),
        f"{np.median([outcome.nipples for _, outcome in runs]):g}",
        f"{max(outcome.dish_mm for _, outcome in runs):.2f}",
        f"{max(outcome.seconds for _, outcome in runs):.2f}",
        str(sum(outcome.refused for _, outcome in runs)),
    ]
    return f"| {' | '.join(cells)} |"


def main(wheels: int = 20, processes: int = 2, first_seed: int = 15000) -> None:
    """Print the table."""
    head = "kind|condition|any size|done in 1|2|3|true in 1|2|3|nipples|worst dish mm|s, most|refused"
    print(f"| {head.replace('|', ' | ')} |")
    print("|" + "---|" * len(head.split("|")))
    tables: Mapping[str, dict[str, dict[str, Any]]] = {
        "as usual": OTHER_KINDS,
        **dict.fromkeys(list(CONDITIONS)[1:], KINDS),
    }
    with ProcessPoolExecutor(processes) as pool:
        for condition, kinds in tables.items():
            seeds = range(first_seed, first_seed + wheels * len(kinds))
            runs = list(pool.map(partial(one, kinds=kinds, condition=condition), seeds))
            for number, kind in enumerate(kinds):
                first = (number - first_seed) % len(kinds)
                print(row((kind, condition), runs[first :: len(kinds)]), flush=True)
            print(row(("all of these", condition), runs), flush=True)


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:4]))
