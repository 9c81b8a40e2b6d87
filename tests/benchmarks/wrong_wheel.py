"""Does the plan ask whether it is the same wheel after a round done on another, and say and learn nothing of it?

    python -m tests.benchmarks.wrong_wheel [wheels] [first seed]

Each round is read again as it was done, each turn missed by 15 %; with half of its turns done; and on another wheel of its kind.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import sys

import numpy as np

from rimgauge.correcting import correct
from rimgauge.records import FloatArray, Readings, Round
from rimgauge.wheel import influence
from rimgauge.wheel.learning import learn
from rimgauge.wheel.movement import share_moved
from tests.benchmarks.true_wheel import TrueWheel, random_wheel

TURN_MISSED, GOAL_MM = 0.15, 0.2
NAMES = ("lateral_mm", "radial_mm")


def _read_after(
    wheel: TrueWheel, other: TrueWheel | None, turns: FloatArray, seed: int
) -> dict[str, Readings]:
    random = np.random.default_rng(seed)
    read = {} if other is None else {"on another wheel": other.read(random)}
    turns = turns * random.normal(1, TURN_MISSED, len(turns))
    half = random.random(len(turns)) < 0.5
    wheel.turn(turns * half)
    read["half of its turns"] = wheel.read(random)
    wheel.turn(turns * ~half)
    return {**read, "as planned": wheel.read(random)}


def main(wheels: int, first: int) -> None:
    """Print a row a way of doing the round."""
    pool = [random_wheel(seed, GOAL_MM) for seed in range(first, first + wheels)]
    found: dict[str, list[tuple[list[float], bool, bool, bool]]] = {}
    for index, wheel in enumerate(pool):
        alike = (each for each in pool[index + 1 :] + pool[:index] if each.nominal.kind == wheel.nominal.kind)
        before = wheel.read(np.random.default_rng(first + index))
        plan = correct(before, wheel.nominal)
        turns = np.zeros(len(before.lateral_mm))
        for item in plan.corrections:
            turns[item.spoke - 1] = item.turns
        done, prior = Round(readings=before, turns=turns), influence(wheel.nominal)
        for how, after in _read_after(wheel, next(alike, None), turns, first + index).items():
            learnt, words = learn(wheel.nominal, (done,), after)
            shares = [share for name in NAMES if (share := share_moved(prior, done, after, name)) is not None]
            asked = any("?" in each for each in words)
            said = any("the plan counts on that" in each for each in words)
            taught = any(not np.array_equal(getattr(learnt, n), getattr(prior, n)) for n in NAMES)
            found.setdefault(how, []).append((shares, asked, said, taught))
    print("| done | rounds | moved, of what was planned | asked | a property of the rim said | learnt from |")
    print("|---|---|---|---|---|---|")
    for how, rounds in found.items():
        moved = [share for shares, *_ in rounds for share in shares]
        asked, said, taught = (sum(column) for column in zip(*(each[1:] for each in rounds), strict=True))
        print(
            f"| {how} | {len(rounds)} | {min(moved):.2f} to {max(moved):.2f} | {asked} | {said} | {taught} |"
        )


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
