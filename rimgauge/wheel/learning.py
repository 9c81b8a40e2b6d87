"""Learning from a round: what the wheel did against what it was to do, by groups."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from rimgauge.errors import BadInput
from rimgauge.records import FloatArray, Influence, Plan, Readings, Wheel, record
from rimgauge.wheel.influence import influence

PRIOR_SPREAD = {"movement": 0.15, "stiffness": 0.15, "side": 0.05}
"""Standard deviation of each kind of factor about 1 before anything is measured (our estimate)."""
MOVEMENT_NOISE_MM = 0.03
"""Standard deviation of a measured movement: two readings, a hand's error, what the groups can't say."""
TENSION_NOISE = 0.045
"""The same of a change of tension, as a share of the tension: two readings of a gauge of 3 %."""
STEP = 0.1
"""Step of the difference quotients: ten per cent stiffer."""
WORTH_SAYING = 0.05
TOO_LITTLE = 0.4
"""A rim that moved by less than this share was hardly turned as planned."""
MISSED_TURNS = 0.1
MISSED_SHARE = 0.5
"""A nipple is named if another turn of it, by this much, explains this share of what is left of the squares."""


@record
class _Group:
    """One factor to learn: what the influence gains where the factor grows by 1."""

    spread: float
    gain: Influence


def learn(wheel: Wheel, plan: Plan, before: Readings, after: Readings) -> tuple[Influence, tuple[str, ...]]:
    """Correct the influence of the nipples by what the last round did.

    Six factors are fitted to the movement, lateral and radial, and to the change of tension: how far the rim
    moves sideways and radially, how stiff rim and spokes are, and how much a nipple of each side does. They
    minimise |measured − predicted|²/noise² + Σ(factor − 1)²/spread², ridge regression toward the model:
    little movement teaches little. Means of the runout are left out, of the lateral one unless both readings
    are centred.

    Parameters
    ----------
    wheel : Wheel
        With n spokes, as assumed before the round.
    plan : Plan
        The round as it was done: its corrections are those that were turned.
    before, after : Readings
        Runout [mm], and tension [N] where it was read, at each spoke before and after the round.

    Returns
    -------
    Influence
        At the spokes, as learnt.
    tuple of str
        What was learnt, in words.

    Raises
    ------
    BadInput
        The plan or the readings are of a wheel with another number of spokes.

    """
    prior = influence(wheel)
    turns = turns_done(plan, before, after, spokes=len(wheel.flanges))
    if not turns.any():
        return prior, ()
    groups = _groups(wheel, prior)
    measure = _measure(wheel, before, after)
    gains = np.column_stack([measure(group.gain, turns) for group in groups])
    left = measure(None, turns) - measure(prior, turns)
    ridge = np.diag([group.spread**-2 for group in groups])
    factors = np.linalg.solve(gains.T @ gains + ridge, gains.T @ left)
    learnt = prior
    for group, factor in zip(groups, factors, strict=True):
        learnt = _sum(learnt, group.gain, float(factor))
    return learnt, _words(wheel, prior, learnt, turns, (measure, before, after))


def steadier_tension(answer: Influence, plan: Plan, before: Readings, after: Readings) -> Readings:
    """Readings after a round whose tension is the mean of two: as read now, and as read before plus the change.

    Two readings of the same gauge halve the square of its noise, and the change is known much better.
    """
    turns = turns_done(plan, before, after, spokes=len(answer.dish_mm))
    expected = before.tension_n + answer.tension_n @ turns
    mean = (after.tension_n + expected) / 2
    return replace(after, tension_n=np.where(np.isfinite(mean), mean, after.tension_n))


def turns_done(plan: Plan, before: Readings, after: Readings, *, spokes: int) -> FloatArray:
    """Turns of each nipple in a round (spokes,), once plan and readings are known to be of this wheel."""
    turns = np.zeros(spokes)
    highest = max((item.spoke for item in plan.corrections), default=0)
    if highest > spokes or len(before.lateral_mm) != spokes or len(after.lateral_mm) != spokes:
        raise BadInput(f"the last round's plan or readings are not of this wheel, which has {spokes} spokes")
    for item in plan.corrections:
        turns[item.spoke - 1] += item.turns
    return turns


def _groups(wheel: Wheel, prior: Influence) -> list[_Group]:
    nothing = _scaled(prior, 0.0)
    sideways = replace(nothing, lateral_mm=prior.lateral_mm, dish_mm=prior.dish_mm)
    radially = replace(nothing, radial_mm=prior.radial_mm)
    rim = replace(
        wheel.rim,
        lateral_bending_n_m2=wheel.rim.lateral_bending_n_m2 * (1 + STEP),
        radial_bending_n_m2=wheel.rim.radial_bending_n_m2 * (1 + STEP),
        torsion_n_m2=wheel.rim.torsion_n_m2 * (1 + STEP),
    )
    thicker = float(np.sqrt(1 + STEP))
    spoke = replace(
        wheel.spoke,
        right_diameter_mm=wheel.spoke.right_diameter_mm * thicker,
        left_diameter_mm=wheel.spoke.left_diameter_mm * thicker,
    )
    stiffer = [replace(wheel, rim=rim), replace(wheel, spoke=spoke)]
    right = np.array(wheel.flanges) == "right"
    return [
        *(_Group(spread=PRIOR_SPREAD["movement"], gain=gain) for gain in (sideways, radially)),
        *(
            _Group(
                spread=PRIOR_SPREAD["stiffness"],
                gain=_scaled(_sum(influence(other), prior, -1.0), 1 / STEP),
            )
            for other in stiffer
        ),
        *(_Group(spread=PRIOR_SPREAD["side"], gain=_columns(prior, side)) for side in (right, ~right)),
    ]


_Measure = Callable[[Influence | None, FloatArray], FloatArray]


def _measure(wheel: Wheel, before: Readings, after: Readings) -> _Measure:
    """Make the function that tells what was read of a movement, in units of its noise; None: as measured."""
    means = np.where(np.array(wheel.flanges) == "right", wheel.tension.right_n, wheel.tension.left_n)
    keep_mean = before.centred and after.centred
    measured = (
        after.lateral_mm - before.lateral_mm,
        after.radial_mm - before.radial_mm,
        after.tension_n - before.tension_n,
    )
    read = [np.isfinite(values) for values in measured]

    def measure(answer: Influence | None, turns: FloatArray) -> FloatArray:
        moved = measured
        if answer is not None:
            moved = (answer.lateral_mm @ turns, answer.radial_mm @ turns, answer.tension_n @ turns)
        lateral, radial, tension = (values[known] for values, known in zip(moved, read, strict=True))
        lateral = lateral if keep_mean else _about_mean(lateral)
        noise_n = TENSION_NOISE * means[read[2]]
        return np.concatenate(
            [lateral / MOVEMENT_NOISE_MM, _about_mean(radial) / MOVEMENT_NOISE_MM, tension / noise_n]
        )

    return measure


def _about_mean(values: FloatArray) -> FloatArray:
    return values - values.mean() if len(values) else values


def _sum(one: Influence, other: Influence, factor: float) -> Influence:
    return replace(
        one,
        lateral_mm=one.lateral_mm + factor * other.lateral_mm,
        radial_mm=one.radial_mm + factor * other.radial_mm,
        dish_mm=one.dish_mm + factor * other.dish_mm,
        tension_n=one.tension_n + factor * other.tension_n,
    )


def _scaled(one: Influence, factor: float) -> Influence:
    return _sum(one, one, factor - 1)


def _columns(one: Influence, nipples: FloatArray) -> Influence:
    return replace(
        one,
        lateral_mm=one.lateral_mm * nipples,
        radial_mm=one.radial_mm * nipples,
        dish_mm=one.dish_mm * nipples,
        tension_n=one.tension_n * nipples,
    )


def _words(
    wheel: Wheel,
    prior: Influence,
    learnt: Influence,
    turns: FloatArray,
    round_done: tuple[_Measure, Readings, Readings],
) -> tuple[str, ...]:
    measure, before, after = round_done
    notes = []
    for how, name in (("sideways", "lateral_mm"), ("radially", "radial_mm")):
        moved = getattr(after, name) - getattr(before, name)
        read = np.isfinite(moved)
        predicted = _about_mean((getattr(prior, name) @ turns)[read])
        if not read.any() or np.ptp(predicted) < MOVEMENT_NOISE_MM:
            continue
        square = float(predicted @ predicted)
        as_read = float(predicted @ _about_mean(moved[read])) / square
        as_learnt = float(predicted @ _about_mean((getattr(learnt, name) @ turns)[read])) / square
        notes.append(_moved_words(as_read, as_learnt, how))
    notes.append(_missed_words(wheel, prior, turns, measure))
    return tuple(note for note in notes if note is not None)


def _moved_words(as_read: float, as_learnt: float, how: str) -> str | None:
    if as_read < TOO_LITTLE:
        return (
            f"The rim moved {how} only {max(as_read, 0.0):.0%} as far as planned: were all turns of the last "
            "round done, the right way round, at the right spokes?"
        )
    if abs(as_learnt - 1) < WORTH_SAYING:
        return None
    more = "more" if as_learnt > 1 else "less"
    return f"This rim moves {abs(as_learnt - 1):.0%} {more} {how} than assumed; the plan counts on that."


def _missed_words(wheel: Wheel, prior: Influence, turns: FloatArray, measure: _Measure) -> str | None:
    """Name the nipple that seems to have turned by another amount than planned."""
    left = measure(None, turns) - measure(prior, turns)
    columns = np.column_stack([measure(prior, one) for one in np.eye(len(turns))])
    squares = (columns**2).sum(axis=0)
    off = (columns.T @ left) / squares
    explained = off**2 * squares / max(float(left @ left), len(left))
    spoke = int(np.argmax(explained))
    if explained[spoke] < MISSED_SHARE or abs(off[spoke]) < MISSED_TURNS:
        return None
    return (
        f"Spoke {spoke + 1} ({wheel.flanges[spoke]} side) seems to have turned by {turns[spoke] + off[spoke]:+.2f} "
        f"instead of {turns[spoke]:+.2f} turns: a slip of the key, or the spoke turned with its nipple. The "
        "new readings count, so carry on."
    )
