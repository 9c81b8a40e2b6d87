"""Learning from a round: how far the rim moved against how far it was to move."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rimgauge.errors import BadInput
from rimgauge.records import FloatArray, Influence, Plan, Readings

PRIOR_SPREAD = 0.15
"""Standard deviation of true over predicted movement before anything is measured (our estimate)."""
MOVEMENT_NOISE_MM = 0.05
"""Standard deviation of a measured movement: two readings, a hand's error, what one factor can't say."""
WORTH_SAYING = 0.05
TOO_LITTLE = 0.5
"""A rim that moved by less than this share was hardly turned as planned."""


def learn(
    prior: Influence, plan: Plan, before: Readings, after: Readings
) -> tuple[Influence, tuple[str, ...]]:
    """Scale the influence by what the last round did: one factor for lateral and one for radial movement.

    The factor minimises |after − before − factor·predicted|²/noise² + (factor − 1)²/spread², ridge regression
    toward the prior: little movement teaches little. Means are left out, unless both readings are centred.

    Parameters
    ----------
    prior : Influence
        At the spokes of the wheel, as the structural model has it.
    plan : Plan
        The round that was done, in full.
    before, after : Readings
        Runout at each spoke before and after the round [mm].

    Returns
    -------
    Influence
        The prior with lateral (and dish) and radial movement scaled; tension as it was.
    tuple of str
        What was learnt, in words.

    Raises
    ------
    BadInput
        The plan or the readings are of a wheel with another number of spokes.

    """
    turns = _turns(plan, before, after, spokes=len(prior.dish_mm))
    centred = before.centred and after.centred
    lateral = _factor(prior.lateral_mm @ turns, after.lateral_mm - before.lateral_mm, keep_mean=centred)
    radial = _factor(prior.radial_mm @ turns, after.radial_mm - before.radial_mm, keep_mean=False)
    learnt = replace(
        prior,
        lateral_mm=prior.lateral_mm * lateral,
        dish_mm=prior.dish_mm * lateral,
        radial_mm=prior.radial_mm * radial,
    )
    notes = [_words(factor, how) for factor, how in ((lateral, "sideways"), (radial, "radially"))]
    return learnt, tuple(note for note in notes if note is not None)


def _turns(plan: Plan, before: Readings, after: Readings, *, spokes: int) -> FloatArray:
    turns = np.zeros(spokes)
    highest = max((item.spoke for item in plan.corrections), default=0)
    if highest > spokes or len(before.lateral_mm) != spokes or len(after.lateral_mm) != spokes:
        raise BadInput(f"the last round's plan or readings are not of this wheel, which has {spokes} spokes")
    for item in plan.corrections:
        turns[item.spoke - 1] += item.turns
    return turns


def _factor(predicted: FloatArray, measured: FloatArray, *, keep_mean: bool) -> float:
    read = np.isfinite(measured)
    if not read.any():
        return 1.0
    predicted, measured = predicted[read], measured[read]
    if not keep_mean:
        predicted, measured = predicted - predicted.mean(), measured - measured.mean()
    weight, prior_weight = MOVEMENT_NOISE_MM**-2, PRIOR_SPREAD**-2
    top = weight * float(predicted @ measured) + prior_weight
    factor = top / (weight * float(predicted @ predicted) + prior_weight)
    return float(np.clip(factor, 0.25, 4.0))


def _words(factor: float, how: str) -> str | None:
    if factor < TOO_LITTLE:
        return (
            f"The rim moved {how} only {factor:.0%} as far as planned: were all turns of the last round "
            "done, the right way round, at the right spokes?"
        )
    if abs(factor - 1) < WORTH_SAYING:
        return None
    more = "more" if factor > 1 else "less"
    return f"This rim moves {abs(factor - 1):.0%} {more} {how} than assumed; the plan counts on that."
