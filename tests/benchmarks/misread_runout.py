"""Does the plan notice a runout reading that was misread, and only such?

    python -m tests.benchmarks.misread_runout [wheels] [first seed]

The wheels of `misread.py`, read as they are and with some runout readings changed by so much, either way, at spokes drawn by
lot; two neighbours are changed alike, and of the last row the reading farthest out has the wrong sign. The words ask to read
again what is named and the spokes beside it.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from rimgauge.plan.out_of_line import out_of_line
from rimgauge.plan.problem import flange_spokes
from rimgauge.plan.stating import state_problem
from rimgauge.plan.wishes import Wishes
from rimgauge.records import Influence, Readings
from rimgauge.wheel import influence
from tests.benchmarks.misread import rows
from tests.benchmarks.true_wheel import TrueWheel

Place = tuple[str, int]
"""A direction and a spoke, from 0."""


def slipped(seed: int, read: Readings) -> Iterator[tuple[str, Readings, set[Place]]]:
    """Change some of what was read of one wheel: a name, the readings, and where."""
    random = np.random.default_rng(seed)
    n = len(read.lateral_mm)
    unread = np.full(n, np.nan)
    for direction in ("lateral", "radial"):
        for by_mm, count in ((0.2, 1), (0.3, 1), (0.5, 1), (1.0, 1), (0.5, 2), (0.5, 3)):
            spokes = random.choice(n, count, replace=False)
            values = getattr(read, f"{direction}_mm").copy()
            values[spokes] += by_mm * random.choice([-1.0, 1.0], count)
            slips = replace(read, **{f"{direction}_mm": values})
            where = {(direction, int(spoke)) for spoke in spokes}
            yield f"{count} {direction} by {by_mm:g} mm", slips, where
            if (by_mm, count) == (0.5, 1):
                yield f"the same, tension not read, {direction}", replace(slips, tension_n=unread), where
    for direction in ("lateral", "radial"):
        for by_mm in (0.5, 1.0):
            first = int(random.integers(n))
            beside = [first, (first + 1) % n]
            values = getattr(read, f"{direction}_mm").copy()
            values[beside] += by_mm * random.choice([-1.0, 1.0])
            alike = replace(read, **{f"{direction}_mm": values})
            yield (
                f"2 neighbours alike, {direction} by {by_mm:g} mm",
                alike,
                {(direction, spoke) for spoke in beside},
            )
    turned = read.lateral_mm.copy()
    farthest = int(np.argmax(np.abs(turned)))
    turned[farthest] *= -1
    yield "wrong sign where it is farthest out", replace(read, lateral_mm=turned), {("lateral", farthest)}


def named(true: TrueWheel, read: Readings, answer: Influence) -> set[Place]:
    """Which readings the plan names."""
    tension_n = state_problem(read, true.nominal, answer, Wishes()).tension_n
    found = out_of_line(read, tension_n, answer, flange_spokes(true.nominal))
    return {(one.direction, one.spoke) for one in found}


def told_of(found: set[Place], where: set[Place], spokes: int) -> tuple[bool, bool, bool, bool]:
    """Whether any is named, all that were misread are, a sound one is, and all that were are to be read again."""
    asked = {(direction, (spoke + beside) % spokes) for direction, spoke in found for beside in (-1, 0, 1)}
    return bool(found), found >= where, bool(found - where), asked >= where


def main(wheels: int = 40, first: int = 29420) -> None:
    """Print the table."""
    told = defaultdict(list)
    for seed in range(first, first + wheels):
        for name, true, read, misread in rows(seed):
            answer = influence(true.nominal)
            if name == "sound":
                for row, slips, where in slipped(seed, read):
                    found = named(true, slips, answer)
                    told[row].append(told_of(found, where, len(slips.lateral_mm)))
            kind = "tensions misread, runout sound" if misread.any() else name
            found = named(true, read, answer)
            told[kind].append((bool(found), False, bool(found), False))
    print(f"{wheels} wheels, seeds {first} to {first + wheels - 1}\n")
    print(
        "| runout | sets of readings | some named | all of those that were | a sound one | to be read again, all that were |"
    )
    print("|---|---|---|---|---|---|")
    for row, each in told.items():
        counts = np.sum(each, axis=0).astype(int)
        print(f"| {row} | {len(each)} | {' | '.join(str(count) for count in counts)} |")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
