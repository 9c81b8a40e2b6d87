"""Wheels out of true for the tests of the plan, drawn from the wheel's own model with a known seed."""

from dataclasses import replace

import numpy as np

from rimgauge.records import FloatArray, Influence, Plan, Readings, Round, Wheel
from rimgauge.wheel import complete_wheel, influence

LIMIT_N = 1300.0


def build(spokes: int = 36, **more: object) -> Wheel:
    return complete_wheel(
        {
            "spokes": spokes,
            "crossings": 3 if spokes >= 20 else 0,
            "tension": {"right_n": 1000.0, "left_n": 1000.0, "limit_n": LIMIT_N},
            **more,
        }
    )


def stiffened(wheel: Wheel, factor: float) -> Wheel:
    """The same wheel with rim and spokes stiffer by a factor."""
    rim = replace(
        wheel.rim,
        lateral_bending_n_m2=wheel.rim.lateral_bending_n_m2 * factor,
        radial_bending_n_m2=wheel.rim.radial_bending_n_m2 * factor,
        torsion_n_m2=wheel.rim.torsion_n_m2 * factor,
    )
    return replace(wheel, rim=rim)


def out_of_true(
    wheel: Wheel, seed: int, *, lateral_mm: float, radial: bool = True, tension: bool = True
) -> Readings:
    """Nipples turned at random and in waves until the full indicator reading is lateral_mm."""
    random = np.random.default_rng(seed)
    answer = influence(wheel)
    n = len(wheel.flanges)
    angle = np.radians(wheel.spoke_angles_deg)
    pull = np.where(np.array(wheel.flanges) == "right", 1.0, -1.0)
    waves = sum(
        random.normal() / order * np.cos(order * angle + random.uniform(0, 7)) for order in (1, 2, 3, 4)
    )
    turned = random.normal(0, 0.1, n) + pull * waves
    turned *= lateral_mm / np.ptp(answer.lateral_mm @ turned)
    unread = np.full(n, np.nan)
    lateral = answer.lateral_mm @ turned
    means = np.where(pull > 0, wheel.tension.right_n, wheel.tension.left_n)
    return Readings(
        lateral_mm=lateral - lateral.mean(),
        radial_mm=answer.radial_mm @ turned if radial else unread,
        tension_n=means + answer.tension_n @ turned if tension else unread,
    )


def turns_of(plan: Plan, spokes: int) -> FloatArray:
    turns = np.zeros(spokes)
    for item in plan.corrections:
        turns[item.spoke - 1] += item.turns
    return turns


def after(readings: Readings, plan: Plan, answer: Influence) -> Readings:
    """What the wheel reads when a plan is done on it."""
    turns = turns_of(plan, len(readings.lateral_mm))
    return replace(
        readings,
        lateral_mm=readings.lateral_mm + answer.lateral_mm @ turns,
        radial_mm=readings.radial_mm + answer.radial_mm @ turns,
        tension_n=readings.tension_n + answer.tension_n @ turns,
    )


def as_done(plan: Plan, before: Readings) -> Round:
    """The round that was done where every correction of a plan was turned."""
    return Round(readings=before, turns=turns_of(plan, len(before.lateral_mm)))
