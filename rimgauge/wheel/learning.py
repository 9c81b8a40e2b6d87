"""Learning from a round: what the wheel did against what it was to do, by groups."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.linalg import block_diag

from rimgauge.errors import BadInput
from rimgauge.records import FloatArray, Influence, Readings, Round, Wheel, record
from rimgauge.wheel.stiffness import influence

PRIOR_SPREAD = {"movement": 0.15, "stiffness": 0.15, "side": 0.05}
"""Standard deviation of each kind of factor about 1 before anything is measured (our estimate)."""
MOVEMENT_NOISE_MM = 0.03
"""Standard deviation of a measured movement: two readings, what the groups can't say."""
TENSION_NOISE = 0.045
"""The same of a change of tension, as a share of the tension: two readings of a gauge of 3 %."""
TURN_SPREAD = 0.02
"""Standard deviation of what a hand and a spoke that winds up make of one turn [turns]; a judgement."""
STEP = 0.1
"""Step of the difference quotients: ten per cent stiffer."""
WORTH_SAYING = 0.05
TOO_LITTLE = 0.4
"""A rim that moved by less than this share was hardly turned as planned."""
LITTLE = 0.65
"""Of a rim that moved by less than this share some turns may have been left out (our judgement)."""
ALL_DONE = "Were all turns of the last round done? If some were left out, plan again with --done."
HOW_DONE = (
    "were all turns of the last round done, the right way round, at the right spokes? If some were left out, plan again "
    "with --done."
)
NAMED_DONE = "were the turns that --done names done the right way round, at the right spokes?"
OPPOSITE = 0.15
"""A rim that moved against its plan by that share was not only read with noise (our estimate)."""
SURELY_OPPOSITE, SURELY_MM = 0.5, 0.2
"""By this share of a movement planned as large as that, no noise moves it: more turns would harm too (our judgement)."""
MISSED_TURNS = 0.1
MISSED_SURELY = 20.0
"""A nipple is named if another turn of it, by this much, takes so much off the weighted squares. Of 284 simulated rounds
done as well as a hand does them four came so far, of those with a turn done the wrong way round all."""
MISSED_TOO = 12.0
"""Where one more nipple would take off so much again, no single one is to blame."""
MISSED_ALIKE = 6.0
MOST_NAMED = 3
"""Nipples that explain it nearly as well are named with it; more than so many say nothing."""


@record
class _Movement:
    """How rim and tensions moved from one reading to the next at each of n spokes; NaN where not read both times.

    mean_n (n,): mean tension of each spoke's side, by which the gauge's noise goes. noise_mm: of a lateral and a radial
    movement. centred: both lateral readings are from the centre plane, so that the mean of their movement counts.
    """

    lateral_mm: FloatArray
    radial_mm: FloatArray
    tension_n: FloatArray
    mean_n: FloatArray
    noise_mm: tuple[float, float]
    centred: bool

    @classmethod
    def between(cls, wheel: Wheel, before: Readings, after: Readings) -> _Movement:
        """Take the difference of two readings; steps they were read in make it noisy."""
        steps = zip(before.steps_mm, after.steps_mm, strict=True)
        lateral, radial = (
            float(np.sqrt(MOVEMENT_NOISE_MM**2 + (one**2 + two**2) / 12)) for one, two in steps
        )
        return cls(
            lateral_mm=after.lateral_mm - before.lateral_mm,
            radial_mm=after.radial_mm - before.radial_mm,
            tension_n=after.tension_n - before.tension_n,
            mean_n=wheel.mean_tensions_n,
            noise_mm=(lateral, radial),
            centred=before.centred and after.centred,
        )

    @property
    def measured(self) -> FloatArray:
        """All that was read (r,), in standard deviations of its noise."""
        return self._in_noise(self.lateral_mm, self.radial_mm, self.tension_n)

    def foretold(self, answer: Influence, turns: FloatArray) -> FloatArray:
        """What turns (n,) should have made of the same readings (r,), in the same units."""
        return self._in_noise(answer.lateral_mm @ turns, answer.radial_mm @ turns, answer.tension_n @ turns)

    def _in_noise(self, lateral_mm: FloatArray, radial_mm: FloatArray, tension_n: FloatArray) -> FloatArray:
        lateral_mm = lateral_mm[np.isfinite(self.lateral_mm)]
        lateral_mm = lateral_mm if self.centred else _about_mean(lateral_mm)
        radial_mm = _about_mean(radial_mm[np.isfinite(self.radial_mm)])
        read = np.isfinite(self.tension_n)
        return np.concatenate(
            [
                lateral_mm / self.noise_mm[0],
                radial_mm / self.noise_mm[1],
                tension_n[read] / (TENSION_NOISE * self.mean_n[read]),
            ]
        )


@record
class _Group:
    """One factor to learn: what the influence gains where the factor grows by 1."""

    spread: float
    gain: Influence


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
    if any(len(state.lateral_mm) != len(wheel.flanges) for state in states):
        raise BadInput(
            f"the last round's plan or readings are not of this wheel, which has {len(wheel.flanges)} spokes"
        )
    steps = list(zip(rounds, states[1:], strict=True))
    if not any(done.turns.any() for done in rounds):
        return prior, ()
    groups = _groups(wheel, prior)
    believed = [
        (_Movement.between(wheel, done.readings, then), done.turns)
        for done, then in steps[len(steps) - len(believable(prior, rounds, after)) :]
        if done.turns.any()
    ]
    factors = _fitted(groups, prior, believed)
    learnt = prior
    for group, factor in zip(groups, factors, strict=True):
        learnt = _sum(learnt, group.gain, float(factor))
    return learnt, _words(wheel, prior, groups, learnt, steps[-1], told=told)


def believable(answer: Influence, rounds: Sequence[Round], after: Readings) -> tuple[Round, ...]:
    """Keep the last rounds, back to one whose turns can't all have been done: the rim hardly moved."""
    then = after
    for count, done in enumerate(reversed(rounds)):
        shares = (_share_moved(answer, done, then, name) for name in ("lateral_mm", "radial_mm"))
        if any(share is not None and share < TOO_LITTLE for share in shares):
            return tuple(rounds[len(rounds) - count :])
        then = done.readings
    return tuple(rounds)


def _share_moved(
    answer: Influence, done: Round, after: Readings, name: str, least_mm: float = MOVEMENT_NOISE_MM
) -> float | None:
    """How far the rim moved along its foretold movement, as a share of that; None where it was to move little."""
    moved = getattr(after, name) - getattr(done.readings, name)
    read = np.isfinite(moved)
    foretold = _about_mean((getattr(answer, name) @ done.turns)[read])
    coarse_mm = max(state.steps_mm[name == "radial_mm"] for state in (done.readings, after))
    if not read.any() or np.ptp(foretold) < max(least_mm, coarse_mm):
        return None
    return float(foretold @ _about_mean(moved[read]) / (foretold @ foretold))


def _fitted(
    groups: Sequence[_Group], prior: Influence, believed: Sequence[tuple[_Movement, FloatArray]]
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
    groups: Sequence[_Group],
    learnt: Influence,
    last: tuple[Round, Readings],
    *,
    told: bool,
) -> tuple[str, ...]:
    done, after = last
    notes, shares = [], []
    for how, name in (("sideways", "lateral_mm"), ("radially", "radial_mm")):
        as_read = _share_moved(prior, done, after, name)
        if as_read is not None:
            shares.append(as_read)
            foretold, as_learnt = (
                _about_mean(getattr(answer, name) @ done.turns) for answer in (prior, learnt)
            )
            notes.append(
                _moved_words(as_read, float(foretold @ as_learnt / (foretold @ foretold)), how, told=told)
            )
    # Where all turns failed, or there were none, no single nipple is to blame.
    if done.turns.any() and (not shares or max(shares) >= TOO_LITTLE):
        moved = _Movement.between(wheel, done.readings, after)
        missed = _missed_words(wheel, prior, groups, done.turns, moved, told=told)
        half_done = bool(shares) and TOO_LITTLE <= min(shares) < LITTLE
        notes.append(missed or (ALL_DONE if half_done and not told else None))
    asking = [note for note in notes if note is not None and note.endswith((HOW_DONE, NAMED_DONE))]
    return tuple(note for note in notes if note is not None and note not in asking[1:])  # asked once


def _moved_words(as_read: float, as_learnt: float, how: str, *, told: bool) -> str | None:
    if as_read < -OPPOSITE:
        return None  # `moved_opposite` says it
    if as_read < TOO_LITTLE:
        return (
            f"The rim moved {how} only {max(as_read, 0.0):.0%} as far as planned: "
            f"{NAMED_DONE if told else HOW_DONE}"
        )
    if abs(as_learnt - 1) < WORTH_SAYING:
        return None
    more = "more" if as_learnt > 1 else "less"
    return f"This rim moves {abs(as_learnt - 1):.0%} {more} {how} than assumed; the plan counts on that."


def moved_opposite(wheel: Wheel, last: Round, after: Readings, *, surely: bool = False) -> str | None:
    """Say that the rim moved against what was planned in the last round; None where it didn't.

    The other parameters are those of `learn`. surely: only where it moved so far that there is no doubt.
    """
    least, least_mm = (SURELY_OPPOSITE, SURELY_MM) if surely else (OPPOSITE, MOVEMENT_NOISE_MM)
    prior = influence(wheel)
    for how, name in (("sideways", "lateral_mm"), ("radially", "radial_mm")):
        share = _share_moved(prior, last, after, name, least_mm)
        if share is not None and share < -least:
            return (
                f"the rim moved {how} the opposite way in the last round, by {-share:.0%} of what "
                "was planned. The nipples seem to have been turned the wrong way round, or the wheel's sides are "
                "mistaken (first_spoke_side in wheel.toml): find out which first."
            )
    return None


def _missed_words(
    wheel: Wheel,
    prior: Influence,
    groups: Sequence[_Group],
    turns: FloatArray,
    moved: _Movement,
    *,
    told: bool,
) -> str | None:
    """Name the nipple that seems to have turned by another amount than planned, or ask after all of them."""
    left = moved.measured - moved.foretold(prior, turns)
    columns = np.column_stack([moved.foretold(prior, one) for one in np.eye(len(turns))])
    usual = np.column_stack(
        [
            *(group.spread * moved.foretold(group.gain, turns) for group in groups),
            TURN_SPREAD * columns[:, turns != 0],
        ]
    )
    off, gained = _one_missed(columns, usual, left)
    spoke = int(np.argmax(gained))
    if gained[spoke] < MISSED_SURELY or abs(off[spoke]) < MISSED_TURNS:
        return None
    _, gained_too = _one_missed(columns, np.column_stack([usual, columns[:, spoke]]), left)
    alike = np.flatnonzero(gained > gained[spoke] - MISSED_ALIKE)
    if gained_too.max() > MISSED_TOO or len(alike) > MOST_NAMED:
        return f"The rim didn't move as planned, and no single nipple explains it: {NAMED_DONE if told else HOW_DONE}"
    planned = "be left alone" if turns[spoke] == 0.0 else f"turn {_turned_words(turns[spoke])}"
    seems = f"turned {_turned_words(turns[spoke] + off[spoke])}, and was to {planned}"
    named = " or ".join(f"{one + 1} ({wheel.flanges[one]} side)" for one in alike)
    return (
        f"Spoke {named} seems {f'to have {seems}' if len(alike) == 1 else 'not to have turned as planned'}: the key "
        "slipped or was on the wrong nipple, or the spoke turned with its nipple. The new readings count, so carry on."
    )


def _turned_words(turns: float) -> str:
    """Say how far a nipple turned, and which way, without a sign; + tightens."""
    return (
        "hardly at all"
        if abs(turns) < 0.05
        else f"{abs(turns):.2f} turns {'tighter' if turns > 0.0 else 'looser'}"
    )


def _one_missed(columns: FloatArray, usual: FloatArray, left: FloatArray) -> tuple[FloatArray, FloatArray]:
    """By how much each nipple alone was missed (n,) [turns], and what that takes off the weighted squares (n,).

    Generalised least squares: beside its noise, what is left (r,) varies along `usual` (r, k), each a standard deviation.
    """
    weighted = np.linalg.solve(np.eye(len(left)) + usual @ usual.T, columns)
    squares = (columns * weighted).sum(axis=0)
    off: FloatArray = (weighted.T @ left) / squares
    return off, off**2 * squares
