"""Does the plan notice tensions that were misread, and only those?

    python -m tests.benchmarks.misread [wheels] [first seed]

Wheels of the kinds of `true_wheel.py`, every other one of those that no plan was looked at on, are read as they are and
with some tensions changed: by the share that the row says, at spokes drawn by lot.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from rimgauge.plan.patterns import doubted
from rimgauge.plan.stating import state_problem
from rimgauge.plan.wishes import Wishes
from rimgauge.records import BoolArray, FloatArray, Influence, Readings
from rimgauge.wheel import influence
from tests.benchmarks.true_wheel import KINDS, OTHER_KINDS, TrueWheel, random_wheel

GOAL_MM = 0.2
MIXED = np.array([0.6, 1.4, 0.7, 1.3, 1.5])
Row = tuple[str, TrueWheel, Readings, BoolArray]
"""A name, a wheel, what was read of it, and which tensions (n,) were misread."""


def rows(seed: int) -> Iterator[Row]:
    """Read one wheel in all ways."""
    true = random_wheel(seed, GOAL_MM, {**KINDS, **OTHER_KINDS} if seed % 2 else KINDS)
    random = np.random.default_rng(seed)
    read = true.read(random)
    n = len(read.tension_n)
    sound, left = np.zeros(n, dtype=bool), np.array([flange == "left" for flange in true.nominal.flanges])
    yield "sound", true, read, sound
    yield "sound, laterally alone", true, replace(read, radial_mm=np.full(n, np.nan)), sound
    noisy = {name: getattr(read, name) + random.normal(0, 0.05, n) for name in ("lateral_mm", "radial_mm")}
    yield "sound, 0.05 mm of noise", true, replace(read, **noisy), sound
    stepped = {name: np.round(getattr(read, name), 1) for name in ("lateral_mm", "radial_mm")}
    yield "sound, in steps of 0.1 mm", true, replace(read, **stepped), sound
    yield (
        "sound, left side alone",
        true,
        replace(read, tension_n=np.where(left, read.tension_n, np.nan)),
        sound,
    )
    yield "sound, gauge of 5 %", true, true.read(random, gauge=0.05), sound
    for name, turn in (("sound, one spoke loose", -1.0), ("sound, one spoke tight", 0.6)):
        made = random_wheel(seed, GOAL_MM, {**KINDS, **OTHER_KINDS} if seed % 2 else KINDS)
        made.turn(np.where(np.arange(n) == random.integers(n), turn, 0.0))
        yield name, made, made.read(random), sound
    for share in (0.5, 0.7, 1.25, 1.4):
        yield _misread(f"1 at {share:g}", true, read, random.choice(n, 1), share)
    for count in (2, 3, 4, 5, 6):
        yield _misread(f"{count} at 0.6", true, read, random.choice(n, count, replace=False), 0.6)
    for count in (4, 6):
        spokes = random.permutation(np.flatnonzero(left))[:count]
        yield _misread(f"{count} at 0.6, on one side", true, read, spokes, 0.6)
    yield _misread("5 at 0.6 to 1.5", true, read, random.choice(n, 5, replace=False), MIXED)


def _misread(
    name: str, true: TrueWheel, read: Readings, spokes: FloatArray, share: float | FloatArray
) -> Row:
    tension_n, off = read.tension_n.copy(), np.zeros(len(read.tension_n), dtype=bool)
    tension_n[spokes] *= share
    off[spokes] = True
    return name, true, replace(read, tension_n=tension_n), off


def judged(true: TrueWheel, read: Readings, answer: Influence) -> tuple[BoolArray, bool]:
    """Which tensions (n,) the plan names, and whether it says that several are misread."""
    problem = state_problem(read, true.nominal, answer, Wishes())
    found, many = doubted(read, true.nominal, answer, problem)
    return np.isin(np.arange(problem.nipples), [one.spoke for one in found]), many


def main(wheels: int = 40, first: int = 28200) -> None:
    """Print the table."""
    found = defaultdict(list)
    for seed in range(first, first + wheels):
        for name, true, read, off in rows(seed):
            named, many = judged(true, read, influence(true.nominal))
            found[name].append(
                (
                    named.any() or many,
                    named.any(),
                    bool(off.any() and named[off].all()),
                    (named & ~off).any(),
                    many,
                )
            )
    print(f"{wheels} wheels, seeds {first} to {first + wheels - 1}\n")
    print("| tensions | noticed | some named | all of those that were | a sound one | said of all together |")
    print("|---|---|---|---|---|---|")
    for name, told in found.items():
        counts = np.sum(told, axis=0).astype(int)
        print(f"| {name} | {' | '.join(str(count) for count in counts)} |")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
