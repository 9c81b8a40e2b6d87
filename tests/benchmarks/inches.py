"""Does the plan ask after runout typed in inches, also after a round, and only after such?

    python -m tests.benchmarks.inches [wheels] [first seed]

The wheels of `misread.py` are read, turned as planned, each turn missed by 15 %, and read again as each row says.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import sys
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from rimgauge.correcting import correct
from rimgauge.plan import typed_in
from rimgauge.records import FloatArray, Readings
from tests.benchmarks.true_wheel import KINDS, OTHER_KINDS, READING_NOISE_MM, random_wheel

MM_PER_INCH = 25.4
GOALS_MM = (0.1, 0.2, 0.5)
TURN_MISSED = 0.15


def changed(readings: Readings, change: Callable[[FloatArray], FloatArray]) -> Readings:
    """Change both directions' values alike."""
    return replace(readings, lateral_mm=change(readings.lateral_mm), radial_mm=change(readings.radial_mm))


def in_inches(values_mm: FloatArray) -> FloatArray:
    """Type them as inches, to a thousandth."""
    return np.round(values_mm / MM_PER_INCH, 3)


def rows(seed: int) -> Iterator[tuple[str, Readings, list[Readings]]]:
    """Read one wheel in all ways: a name, the readings, and those before the round."""
    true = random_wheel(seed, GOALS_MM[seed % 3], {**KINDS, **OTHER_KINDS} if seed % 2 else KINDS)
    random = np.random.default_rng(seed)
    first = true.read(random)
    yield "before any round, mm", first, []
    yield "before any round, inches", changed(first, in_inches), []
    turns = np.zeros(len(first.lateral_mm))
    for one in correct(first, true.nominal).corrections:
        turns[one.spoke - 1] += one.turns
    true.turn(turns * random.normal(1, TURN_MISSED, len(turns)))
    now = true.read(random)
    yield "after a round, mm", now, [first]
    yield "after a round, in steps of 0.05 mm", changed(now, lambda mm: np.round(mm / 0.05) * 0.05), [first]
    flat = changed(now, lambda mm: random.normal(0, READING_NOISE_MM, len(mm)))
    yield "a wheel truer than any, mm", flat, [first]
    yield "after a round, inches", changed(now, in_inches), [first]
    yield "after a round that was not done, inches", changed(first, in_inches), [first]


def main(wheels: int = 40, first: int = 29850) -> None:
    """Print the table."""
    told = defaultdict(list)
    for seed in range(first, first + wheels):
        for name, read, before in rows(seed):
            alone = replace(read, radial_mm=np.full(len(read.radial_mm), np.nan))
            told[name].append(
                [
                    any("inches" in words for words in typed_in(each, turns=True, before=before))
                    for each in (read, alone)
                ]
            )
    print(f"{wheels} wheels, seeds {first} to {first + wheels - 1}\n")
    print("| runout | sets of readings | asked after | laterally alone |")
    print("|---|---|---|---|")
    for name, asked in told.items():
        both, alone_asked = np.sum(asked, axis=0).astype(int)
        print(f"| {name} | {len(asked)} | {both} | {alone_asked} |")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
