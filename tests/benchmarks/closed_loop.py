"""Closed loop: true random wheels in the model, by the plan and by three other ways, and print a table.

    python -m tests.benchmarks.closed_loop [wheels]

Each true wheel is up to 20 % stiffer or softer in rim and spokes than the one that plans. Its runout comes
from nipples turned at random (tension 5 to 10 % uneven), from sides pulled against each other in waves, and
from a bent rim: up to 0.4 of the lateral runout, orders 2 to 4, as it stands between its spokes.
Readings carry 0.01 mm noise, tensions 3 %. The true wheel answers linearly, like the model that plans.
A wheel is done when its true lateral runout is at most the goal and its radial runout at most 0.5 mm.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rimgauge.plan import Wishes, make_plan
from rimgauge.records import FloatArray, Influence, Plan, Readings, Tolerance, Wheel
from rimgauge.wheel import complete_wheel, influence
from rimgauge.wheel.learning import learn

KINDS: dict[str, dict[str, Any]] = {
    "front": {"spokes": 36, "crossings": 3, "kind": "box-section alloy"},
    "dished rear": {"spokes": 32, "crossings": 3, "kind": "box-section alloy, dished rear"},
    "touring": {"spokes": 40, "crossings": 4, "kind": "wide heavy alloy"},
    "few spokes": {"spokes": 20, "crossings": 0, "kind": "deep alloy"},
    "disc": {"spokes": 32, "crossings": 3, "kind": "disc-brake alloy"},
    "light": {"spokes": 28, "crossings": 2, "kind": "light alloy"},
}
RADIAL_GOAL_MM = 0.5
MOST_ROUNDS = 6
READING_NOISE_MM = 0.01
TENSION_NOISE = 0.03
STIFFNESS_SPREAD = 0.2
BEND_SHARE = 0.2


@dataclass
class TrueWheel:
    """A wheel on the bench: what it is, and what it looks like after the turns so far (nipples n)."""

    nominal: Wheel
    answer: Influence
    lateral_mm: FloatArray
    radial_mm: FloatArray
    tension_n: FloatArray
    dish_mm: float = 0.0

    def turn(self, turns: FloatArray) -> None:
        self.lateral_mm = self.lateral_mm + self.answer.lateral_mm @ turns
        self.radial_mm = self.radial_mm + self.answer.radial_mm @ turns
        self.tension_n = self.tension_n + self.answer.tension_n @ turns
        self.dish_mm += float(self.answer.dish_mm @ turns)

    def read(self, random: np.random.Generator) -> Readings:
        n = len(self.lateral_mm)
        return Readings(
            lateral_mm=self.lateral_mm + random.normal(0, READING_NOISE_MM, n),
            radial_mm=self.radial_mm + random.normal(0, READING_NOISE_MM, n),
            tension_n=self.tension_n * (1 + random.normal(0, TENSION_NOISE, n)),
        )

    def spread(self) -> float:
        flanges = np.array(self.nominal.flanges)
        sides = [self.tension_n[flanges == side] for side in ("right", "left")]
        return max(float(np.std(side) / np.mean(side)) for side in sides)

    def is_true(self, goal_mm: float) -> bool:
        return bool(np.ptp(self.lateral_mm) <= goal_mm and np.ptp(self.radial_mm) <= RADIAL_GOAL_MM)


def random_wheel(seed: int, goal_mm: float) -> TrueWheel:
    """Draw a wheel of one of the kinds: 1 to 3 mm lateral, 0.3 to 1 mm radial, tensions 5 to 10 % uneven."""
    random = np.random.default_rng(seed)
    nominal = complete_wheel(KINDS[list(KINDS)[seed % len(KINDS)]])
    tension = replace(nominal.tension, limit_n=1.25 * max(nominal.tension.right_n, nominal.tension.left_n))
    tolerance = Tolerance(lateral_mm=goal_mm, radial_mm=RADIAL_GOAL_MM, dish_mm=1.0)
    nominal = replace(nominal, tension=tension, tolerance=tolerance)
    answer = influence(_stiffened(nominal, random))
    right = np.array(nominal.flanges) == "right"
    means = np.where(right, tension.right_n, tension.left_n)
    angle = np.radians(nominal.spoke_angles_deg)
    turned = random.normal(0, 1, len(angle))
    turned *= random.uniform(0.05, 0.10) / np.sqrt(np.mean((answer.tension_n @ turned / means) ** 2))
    target_mm, target_radial_mm = random.uniform(1, 3), random.uniform(0.3, 1.0)
    bend = random.uniform(0, 2 * BEND_SHARE) * target_mm * _waves(angle, (2, 3, 4), random)
    pull = np.where(right, 1.0, -1.0) * _waves(angle, (1, 2, 3, 4), random)
    pulled = _scaled(answer.lateral_mm @ turned + bend, answer.lateral_mm @ pull, target_mm)
    turned = turned + pulled * pull
    radial, dent = answer.radial_mm @ turned, _waves(angle, (2, 3), random)
    return TrueWheel(
        nominal=nominal,
        answer=answer,
        lateral_mm=answer.lateral_mm @ turned + bend,
        radial_mm=radial + _scaled(radial, dent, target_radial_mm) * dent,
        tension_n=means + answer.tension_n @ turned,
    )


def _scaled(start: FloatArray, added: FloatArray, reading: float) -> float:
    """How much of `added` brings the full indicator reading to `reading`, or as near to it as can be."""
    factors = np.linspace(0, 4 * reading / np.ptp(added), 400)
    readings = np.ptp(start[:, None] + added[:, None] * factors, axis=0)
    return float(factors[np.argmin(np.abs(readings - reading))])


def _stiffened(wheel: Wheel, random: np.random.Generator) -> Wheel:
    factors = random.uniform(1 - STIFFNESS_SPREAD, 1 + STIFFNESS_SPREAD, 4)
    rim = replace(
        wheel.rim,
        lateral_bending_n_m2=wheel.rim.lateral_bending_n_m2 * factors[0],
        radial_bending_n_m2=wheel.rim.radial_bending_n_m2 * factors[1],
        torsion_n_m2=wheel.rim.torsion_n_m2 * factors[2],
    )
    thickness = float(np.sqrt(factors[3]))
    spoke = replace(
        wheel.spoke,
        right_diameter_mm=wheel.spoke.right_diameter_mm * thickness,
        left_diameter_mm=wheel.spoke.left_diameter_mm * thickness,
    )
    return replace(wheel, rim=rim, spoke=spoke)


def _waves(angle: FloatArray, orders: tuple[int, ...], random: np.random.Generator) -> FloatArray:
    """A random smooth shape of full indicator reading 1."""
    shape = np.sum(
        [random.normal() / order * np.cos(order * angle + random.uniform(0, 7)) for order in orders], axis=0
    )
    waves: FloatArray = shape / np.ptp(shape)
    return waves


def _centred(values: FloatArray) -> FloatArray:
    centred: FloatArray = values - values.mean()
    return centred


# --- ways to choose the turns of a round --------------------------------------------------------------------

Way = Callable[[Readings, Wheel, Influence, "tuple[Plan, Readings] | None"], "tuple[FloatArray, Plan | None]"]


def by_plan(
    readings: Readings, wheel: Wheel, prior: Influence, last: tuple[Plan, Readings] | None
) -> tuple[FloatArray, Plan | None]:
    answer = prior if last is None else learn(prior, last[0], last[1], readings)[0]
    plan = make_plan(readings, wheel, answer, wishes=Wishes())
    turns = np.zeros(len(wheel.flanges))
    for item in plan.corrections:
        turns[item.spoke - 1] = item.turns
    return turns, plan


def by_rounding(
    readings: Readings, wheel: Wheel, prior: Influence, last: tuple[Plan, Readings] | None
) -> tuple[FloatArray, Plan | None]:
    """Least squares on lateral, radial and tension evenness, damped, then rounded to eighths."""
    means = np.where(np.array(wheel.flanges) == "right", wheel.tension.right_n, wheel.tension.left_n)
    rows = [
        prior.lateral_mm,
        prior.radial_mm,
        0.5 * prior.tension_n / means[:, None],
        0.05 * np.eye(len(means)),
    ]
    uneven = readings.tension_n / means - 1
    aims = [_centred(readings.lateral_mm), _centred(readings.radial_mm), 0.5 * uneven, np.zeros(len(means))]
    wanted = np.linalg.lstsq(np.vstack(rows), -np.concatenate(aims), rcond=None)[0]
    return np.clip(np.round(wanted * 8), -4, 4) / 8, None


def by_hand(
    readings: Readings, wheel: Wheel, prior: Influence, last: tuple[Plan, Readings] | None
) -> tuple[FloatArray, Plan | None]:
    """The worst place first: tighten there on the side away from which the rim strays, by the size of it."""
    lateral = _centred(readings.lateral_mm)
    worst = int(np.argmax(np.abs(lateral)))
    pull = "left" if lateral[worst] > 0 else "right"
    size = abs(lateral[worst])
    eighths = 4 if size > 1 else 2 if size > 0.5 else 1
    n = len(lateral)
    nearby = [(worst + step) % n for step in (0, 1, -1, 2, -2) if wheel.flanges[(worst + step) % n] == pull]
    turns = np.zeros(n)
    turns[nearby[0]] = eighths / 8
    return turns, None


WAYS: dict[str, tuple[Way, int]] = {
    "this plan": (by_plan, MOST_ROUNDS),
    "least squares, rounded": (by_rounding, MOST_ROUNDS),
    "by hand, a nipple a spin": (by_hand, 40),
}


@dataclass
class Outcome:
    """How one wheel went: rounds until done (None: never), and what it took."""

    rounds: int | None
    nipples: int
    turns: float
    first_mm: float
    dish_mm: float
    more_uneven: float
    seconds: float
    gap: float | None


def run(seed: int, goal_mm: float, way: Way, most_rounds: int) -> Outcome:
    """True one wheel by one way."""
    wheel = random_wheel(seed, goal_mm)
    random = np.random.default_rng(seed + 10_000)
    prior = influence(wheel.nominal)
    spread, nipples, turned, seconds = wheel.spread(), 0, 0.0, 0.0
    first_mm, gap = float(np.ptp(wheel.lateral_mm)), None
    last: tuple[Plan, Readings] | None = None
    done: int | None = 0 if wheel.is_true(goal_mm) else None
    for number in range(1, most_rounds + 1):
        if done is not None:
            break
        readings = wheel.read(random)
        start = time.perf_counter()
        turns, plan = way(readings, wheel.nominal, prior, last)
        seconds = max(seconds, time.perf_counter() - start)
        last = None if plan is None else (plan, readings)
        wheel.turn(turns)
        nipples += int(np.count_nonzero(turns))
        turned += float(np.abs(turns).sum())
        if number == 1:
            first_mm = float(np.ptp(wheel.lateral_mm))
            gap = None if plan is None or plan.refused else plan.bound.objective - plan.bound.proved
        done = number if wheel.is_true(goal_mm) else None
    return Outcome(done, nipples, turned, first_mm, abs(wheel.dish_mm), wheel.spread() - spread, seconds, gap)


def main(wheels: int = 30) -> None:
    """Print the table."""
    print(f"{wheels} wheels; done: lateral at the goal and radial <= {RADIAL_GOAL_MM} mm, both true values")
    head = (
        "goal mm",
        "way",
        "done",
        "in 1",
        "in 2",
        "rounds",
        "nipples",
        "turns",
        "left 1st",
        "dish",
        "uneven",
        "s",
    )
    form = "{:>7} {:25}{:>5}{:>5}{:>5}{:>7}{:>8}{:>7}{:>9}{:>6}{:>8}{:>6}"
    print(form.format(*head))
    for goal_mm in (0.5, 0.2, 0.1):
        for name, (way, most_rounds) in WAYS.items():
            outcomes = [run(seed, goal_mm, way, most_rounds) for seed in range(wheels)]
            rounds = [item.rounds for item in outcomes if item.rounds is not None]
            cells = (
                f"{goal_mm:g}",
                name,
                len(rounds),
                sum(count <= 1 for count in rounds),
                sum(count <= 2 for count in rounds),
                f"{np.median(rounds):g}" if rounds else "-",
                f"{np.median([item.nipples for item in outcomes]):g}",
                f"{np.median([item.turns for item in outcomes]):.1f}",
                f"{np.median([item.first_mm for item in outcomes]):.2f}",
                f"{max(item.dish_mm for item in outcomes):.2f}",
                f"{np.median([item.more_uneven for item in outcomes]):+.1%}",
                f"{max(item.seconds for item in outcomes):.1f}",
            )
            print(form.format(*cells), flush=True)
            gaps = [item.gap for item in outcomes if item.gap is not None]
            if gaps:
                print(f"{'':8}gap to the relaxed bound, first round: median {np.median(gaps):.2f} turns")


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:2]))
