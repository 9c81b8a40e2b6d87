"""Does the plan name what nipples don't mend, and only that?

    python -m tests.benchmarks.faults [wheels of each kind] [processes] [first seed]

Each fault is made on wheels of all kinds of `true_wheel.py`, up to 20 % stiffer or softer than believed, that find
their own balance and are read with noise, with and without tension. Before the fault a wheel is nearly true: its
nipples are off by 0.06 turn, at random. Sound wheels without a fault, nearly true and out of true, tell how
often one is named that isn't there.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")

import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial

import numpy as np

from rimgauge.correcting import correct
from rimgauge.records import FloatArray, Plan, Readings, Wheel
from rimgauge.wheel import complete_wheel
from tests.benchmarks.true_wheel import (
    KINDS,
    RADIAL_GOAL_MM,
    TrueWheel,
    _waves,
    other_stiffness,
    random_wheel,
)

GOAL_MM = 0.2
NIPPLE_OFF = 0.06
"""Standard deviation of what a nipple of a nearly true wheel is off [turns]."""
WORDS = {
    "broken": "is slack or broken",
    "lost": "had lost its tension",
    "tilt": "one swing a turn",
    "tilted": "is tilted",
    "flat spot": "flat spot",
    "bent": "rim itself seems bent",
    "bent, for its price": "Before you turn a nipple: within",
    "bent, out of reach": "Before you turn a nipple: not even",
    "bent, asked": "sideways is far out",
    "limit": "is over the limit",
    "too few": "too few readings",
}
"""What a plan's refusal, its notes and what it asks to see to first say of each finding; the first that is found counts."""

Case = tuple[Wheel, Readings, set[str]]
"""A wheel as believed, what was read of it, and the findings that are right."""
Fault = Callable[[Wheel, np.random.Generator, bool], Case]
"""Make a case of the nominal wheel, read with tension or without."""


def _nearly_true(
    nominal: Wheel,
    random: np.random.Generator,
    *,
    lateral: FloatArray | float = 0.0,
    radial: FloatArray | float = 0.0,
) -> TrueWheel:
    none = np.zeros(len(nominal.flanges))
    made = TrueWheel(
        nominal=nominal, true=other_stiffness(nominal, random), bend=(none + lateral, none + radial)
    )
    made.turn(random.normal(0, NIPPLE_OFF, len(none)))
    return made


def _read(made: TrueWheel, random: np.random.Generator, tension: bool) -> Readings:
    seen = made.read(random, tension=tension)
    return replace(seen, tension_n=np.maximum(seen.tension_n, 0.0))


def _loosen_one(made: TrueWheel, random: np.random.Generator, share: float) -> int:
    spokes = len(made.nominal.flanges)
    spoke = int(random.integers(spokes))
    start, turn = made.tension_n[spoke], np.zeros(spokes)
    turn[spoke] = -0.1
    while made.tension_n[spoke] > share * start:
        made.turn(turn)
    return spoke


def one_loosened(share: float) -> Fault:
    """One spoke is loosened to a share of its tension at most."""

    def make(nominal: Wheel, random: np.random.Generator, tension: bool) -> Case:
        made = _nearly_true(nominal, random)
        named = f"{'broken' if tension else 'lost'} {_loosen_one(made, random, share) + 1}"
        return nominal, _read(made, random, tension), {named}

    return make


def slack_and_out(nominal: Wheel, random: np.random.Generator, tension: bool) -> Case:
    """A wheel out of true besides, one spoke of which has a tenth of its tension left."""
    made = random_wheel_of(nominal, random)
    named = f"{'broken' if tension else 'lost'} {_loosen_one(made, random, 0.1) + 1}"
    return made.nominal, _read(made, random, tension), {named}


def flat_spot(nominal: Wheel, random: np.random.Generator, tension: bool) -> Case:
    """A knock: the rim goes in by 0.9 to 1.8 mm over a tenth of its length."""
    angle = nominal.spoke_angles_deg - random.uniform(0, 360)
    apart = (angle + 180) % 360 - 180
    dent = -random.uniform(0.9, 1.8) * np.exp(-((apart / random.uniform(16, 26)) ** 2))
    return nominal, _read(_nearly_true(nominal, random, radial=dent), random, tension), {"flat spot"}


def bent_rim(nominal: Wheel, random: np.random.Generator, tension: bool) -> Case:
    """A short, sharp bend that no pull of spokes undoes: waves of two spokes of each side, 2 to 4 mm high."""
    waves = len(nominal.flanges) // 4
    bend = random.uniform(1, 2) * np.cos(np.radians(waves * nominal.spoke_angles_deg) + random.uniform(0, 7))
    return nominal, _read(_nearly_true(nominal, random, lateral=bend), random, tension), {"bent"}


def bent_long(nominal: Wheel, random: np.random.Generator, tension: bool) -> Case:
    """A rim bent in a few long waves, 4 to 6 mm high, at even tension."""
    bend = random.uniform(4, 6) * _waves(np.radians(nominal.spoke_angles_deg), (2, 3, 4), random)
    seen = _read(_nearly_true(nominal, random, lateral=bend), random, tension)
    return nominal, seen, {"bent", "bent, for its price", "bent, out of reach", "bent, asked"}


def bent_axle(nominal: Wheel, random: np.random.Generator, tension: bool) -> Case:
    """The whole rim is tilted by 0.8 to 2.4 mm."""
    seen = _read(_nearly_true(nominal, random), random, tension)
    tilt = random.uniform(0.4, 1.2) * np.cos(np.radians(nominal.spoke_angles_deg) - random.uniform(0, 7))
    return nominal, replace(seen, lateral_mm=seen.lateral_mm + tilt), {"tilt", "tilted"}


def over_limit(nominal: Wheel, random: np.random.Generator, tension: bool) -> Case:
    """The limit is 3 to 10 % under the mean tension of the tighter side."""
    low = random.uniform(0.90, 0.97) * max(nominal.tension.right_n, nominal.tension.left_n)
    tight = replace(nominal, tension=replace(nominal.tension, limit_n=low))
    return tight, _read(_nearly_true(tight, random), random, tension), {"limit"}


def too_few(nominal: Wheel, random: np.random.Generator, tension: bool) -> Case:
    """Three to five spokes in a row were not read."""
    seen = _read(random_wheel_of(nominal, random), random, tension)
    lateral, first = seen.lateral_mm.copy(), int(random.integers(len(seen.lateral_mm)))
    lateral[(first + np.arange(random.integers(3, 6))) % len(lateral)] = np.nan
    return nominal, replace(seen, lateral_mm=lateral), {"too few"}


def nearly_true(nominal: Wheel, random: np.random.Generator, tension: bool) -> Case:
    """Sound, nipples a little off."""
    return nominal, _read(_nearly_true(nominal, random), random, tension), set()


def out_of_true(nominal: Wheel, random: np.random.Generator, tension: bool) -> Case:
    """Sound, a wheel of the closed loop."""
    return nominal, _read(random_wheel_of(nominal, random), random, tension), set()


def random_wheel_of(nominal: Wheel, random: np.random.Generator) -> TrueWheel:
    """A wheel of the closed loop of this kind."""
    kind = [spec.get("kind") for spec in KINDS.values()].index(nominal.kind)
    return random_wheel(int(random.integers(10**6)) * len(KINDS) + kind, GOAL_MM)


FAULTS: dict[str, Fault] = {
    "broken spoke": one_loosened(0.0),
    "slack spoke": one_loosened(0.1),
    "slack spoke, out of true": slack_and_out,
    "flat spot": flat_spot,
    "bent rim": bent_rim,
    "bent in long waves": bent_long,
    "tilted": bent_axle,
    "over the limit": over_limit,
    "too few readings": too_few,
    "sound, nearly true": nearly_true,
    "sound, out of true": out_of_true,
}


def named(plan: Plan) -> str | None:
    """The finding that a plan names first, with its spoke where it is one spoke's; None: none."""
    for text in (plan.refused or "", *plan.see_to_first, *plan.notes):
        for name, words in WORDS.items():
            if words in text:
                spoke = text.split("spoke ")[1].split()[0] if name in ("broken", "lost") else ""
                return f"{name} {spoke}".strip()
    return None


def run(seed: int, fault: str, tension: bool) -> tuple[bool, str | None, bool]:
    """Make one wheel and plan: whether the finding is right, the finding, and whether it was refused."""
    random = np.random.default_rng(seed)
    plain = complete_wheel(KINDS[list(KINDS)[seed % len(KINDS)]])
    limit_n = 1.25 * max(plain.tension.right_n, plain.tension.left_n)
    nominal = replace(
        plain,
        tension=replace(plain.tension, limit_n=limit_n),
        tolerance=replace(plain.tolerance, lateral_mm=GOAL_MM, radial_mm=RADIAL_GOAL_MM, dish_mm=1.0),
    )
    wheel, readings, right = FAULTS[fault](nominal, random, tension)
    plan = correct(readings, wheel)
    found = named(plan)
    return (found in right if right else found is None), found, plan.refused is not None


def main(wheels: int = 10, processes: int = 2, first_seed: int = 14000) -> None:
    """Print the table."""
    seeds = range(first_seed, first_seed + wheels * len(KINDS))
    print("| wheel | tension | wheels | named rightly | something else | nothing | refused | not right |")
    print("|" + "---|" * 8)
    with ProcessPoolExecutor(processes) as pool:
        for fault in FAULTS:
            for tension in (True, False):
                runs = list(pool.map(partial(run, fault=fault, tension=tension), seeds, chunksize=4))
                right = sum(ok for ok, _, _ in runs)
                nothing = sum(found is None and not ok for ok, found, _ in runs)
                missed = [
                    f"{seed}: {found}"
                    for seed, (ok, found, _) in zip(seeds, runs, strict=True)
                    if not ok and found
                ]
                cells = (fault, "read" if tension else "–", len(runs), right, len(missed), nothing)
                refused = sum(stop for _, _, stop in runs)
                print(
                    f"| {' | '.join(map(str, cells))} | {refused} | {'; '.join(missed[:4])} |",
                    flush=True,
                )


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:4]))
