"""Learning from a round: what the wheel did against what it was to do, by groups."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.linalg import block_diag

from rimgauge.errors import BadInput
from rimgauge.records import FloatArray, Influence, Readings, Round, Wheel
from rimgauge.wheel.groups import Group, groups_of, summed
from rimgauge.wheel.missed import nipples_missed, round_words
from rimgauge.wheel.movement import TOO_LITTLE, TURN_SPREAD, Movement, far_more, share_moved
from rimgauge.wheel.stiffness import influence


def learn(
    wheel: Wheel, rounds: Sequence[Round], after: Readings, *, told: bool = False
) -> tuple[Influence, tuple[str, ...]]:
    """Correct the influence of the nipples by what the rounds so far did.

    Six factors are fitted to the movement, lateral and radial, and to the change of tension in every round:
    how far the rim moves sideways and radially, how stiff rim and spokes are, and how much a nipple of each
    side does; with them, by how much each turn was missed. They minimise
    |measured − predicted|²/noise² + Σ(factor − 1)²/spread² + Σ missed²/spread², ridge regression toward the
    model: little movement teaches little. Means of the runout are left out, of the lateral one unless both
    readings are centred.

    Parameters
    ----------
    wheel : with n spokes, as assumed before the first round.
    rounds : as they were done, the oldest first; turns of zero where a nipple was not turned.
    after : runout [mm], and tension [N] where it was read, at each spoke after the last round.
    told : the person said which turns of the last round were done: that isn't asked again.

    Returns
    -------
    Influence
        At the spokes, as learnt.
    tuple of str
        What was learnt, and what the last round makes one ask, in words.

    Raises
    ------
    BadInput
        A round or the readings are of a wheel with another number of spokes.

    """
    prior = influence(wheel)
    states = [*(done.readings for done in rounds), after]
    _check(wheel, states)
    steps = list(zip(rounds, states[1:], strict=True))
    if not any(done.turns.any() for done in rounds):
        return prior, ()
    groups = groups_of(wheel, prior)
    believed = [
        (Movement.between(wheel, done.readings, then), done.turns)
        for done, then in steps[len(steps) - len(believable(wheel, rounds, after)) :]
        if done.turns.any()
    ]
    factors = _fitted(groups, prior, believed)
    learnt = prior
    for group, factor in zip(groups, factors, strict=True):
        learnt = summed(learnt, group.gain, float(factor))
    return learnt, round_words(wheel, prior, groups, learnt, steps[-1], told=told)


def _check(wheel: Wheel, states: Sequence[Readings]) -> None:
    if any(len(state.lateral_mm) != len(wheel.flanges) for state in states):
        raise BadInput(
            f"the last round's plan or readings are not of this wheel, which has {len(wheel.flanges)} spokes"
        )


def believable(wheel: Wheel, rounds: Sequence[Round], after: Readings) -> tuple[Round, ...]:
    """Keep the last rounds, back to one that can't be what was planned.

    After it the rim had hardly moved, or far more, or as no one nipple missed explains: it is asked after, and until that is
    answered (`--done`) it teaches nothing.
    """
    prior = influence(wheel)
    groups = groups_of(wheel, prior)
    then = after
    for count, done in enumerate(reversed(rounds)):
        if _doubtful(wheel, prior, groups, done, then):
            return tuple(rounds[len(rounds) - count :])
        then = done.readings
    return tuple(rounds)


def _doubtful(wheel: Wheel, prior: Influence, groups: Sequence[Group], done: Round, then: Readings) -> bool:
    for name in ("lateral_mm", "radial_mm"):
        share = share_moved(prior, done, then, name)
        if (share is not None and share < TOO_LITTLE) or far_more(prior, done, then, name):
            return True
    missed = nipples_missed(wheel, prior, groups, done, then) if done.turns.any() else None
    return missed is not None and not missed.nipples


def _fitted(
    groups: Sequence[Group], prior: Influence, believed: Sequence[tuple[Movement, FloatArray]]
) -> FloatArray:
    """What each factor grows by (g,): the ridge estimate from the rounds that are believed.

    Each nipple turned may have been missed by an amount of its own, which is estimated with them: or else a
    hand's errors would be taken for another stiffness.
    """
    if not believed:
        return np.zeros(len(groups))
    gains = [
        np.column_stack([moved.foretold(group.gain, turns) for group in groups]) for moved, turns in believed
    ]
    missed = [
        np.column_stack([moved.foretold(prior, one) for one in np.eye(len(turns))[turns != 0]])
        for moved, turns in believed
    ]
    left = [moved.measured - moved.foretold(prior, turns) for moved, turns in believed]
    unknown = np.hstack([np.vstack(gains), block_diag(*missed)])
    spread = np.full(unknown.shape[1], TURN_SPREAD)
    spread[: len(groups)] = [group.spread for group in groups]
    rows = np.vstack([np.diag(1 / spread), unknown])
    found: FloatArray = np.linalg.lstsq(rows, np.concatenate([np.zeros(len(spread)), *left]), rcond=None)[0]
    return found[: len(groups)]
