"""What a round says in words: how the rim moved against its plan, and which nipple was missed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rimgauge.records import FloatArray, Influence, Readings, Round, Wheel, record
from rimgauge.wheel.groups import Group
from rimgauge.wheel.movement import (
    MOVEMENT_NOISE_MM,
    TOO_LITTLE,
    TURN_SPREAD,
    Movement,
    about_mean,
    far_more,
    share_moved,
)
from rimgauge.wheel.stiffness import influence

WORTH_SAYING = 0.05
LITTLE = 0.65
"""Of a rim that moved by less than this share some turns may have been left out (our judgement)."""
ALL_DONE = "Were all turns of the last round done? If some were left out, plan again with --done."
THIS_WHEEL = "is this the wheel of the last round (another one wants a job of its own), and"
HOW_DONE = (
    f"{THIS_WHEEL} were all its turns done, the right way round, at the right spokes? If some were left out, plan again "
    "with --done."
)
UNEXPLAINED = (
    "The rim didn't move as planned, no single nipple explains it, and nothing is learnt from that round:"
)
NAMED_DONE = f"{THIS_WHEEL} were the turns that --done names done the right way round, at the right spokes?"
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


def round_words(
    wheel: Wheel,
    prior: Influence,
    groups: Sequence[Group],
    learnt: Influence,
    last: tuple[Round, Readings],
    *,
    told: bool,
) -> tuple[str, ...]:
    """Tell what the last round taught, and what it makes one ask (`learn`).

    prior, learnt: the influence before and after; last: the round as done, and the readings after it.
    """
    done, after = last
    ask = NAMED_DONE if told else HOW_DONE
    notes: list[str | None] = []
    shares, far = [], False
    for how, name in (("sideways", "lateral_mm"), ("radially", "radial_mm")):
        as_read = share_moved(prior, done, after, name)
        if as_read is not None and far_more(prior, done, after, name):
            far = True
            notes.append(
                f"The rim moved {how} {as_read:.1f} times as far as planned, as no wheel does: {ask}"
            )
        elif as_read is not None:
            shares.append(as_read)
            foretold, as_learnt = (
                about_mean(getattr(answer, name) @ done.turns) for answer in (prior, learnt)
            )
            notes.append(_moved_words(as_read, float(foretold @ as_learnt / (foretold @ foretold)), how, ask))
    # Where all turns failed, or there were none, or the wheel is another one, no single nipple is to blame.
    if done.turns.any() and not far and (not shares or max(shares) >= TOO_LITTLE):
        missed = _missed_words(
            wheel, done.turns, nipples_missed(wheel, prior, groups, done, after), told=told
        )
        half_done = bool(shares) and TOO_LITTLE <= min(shares) < LITTLE
        notes.append(missed or (ALL_DONE if half_done and not told else None))
    asking = [note for note in notes if note is not None and note.endswith((HOW_DONE, NAMED_DONE))]
    return tuple(note for note in notes if note is not None and note not in asking[1:])  # asked once


def _moved_words(as_read: float, as_learnt: float, how: str, ask: str) -> str | None:
    if as_read < -OPPOSITE:
        return None  # `moved_opposite` says it
    if as_read < TOO_LITTLE:
        return f"The rim moved {how} only {max(as_read, 0.0):.0%} as far as planned: {ask}"
    if abs(as_learnt - 1) < WORTH_SAYING:
        return None
    if as_learnt < LITTLE:  # less than wheels differ by: no property of this one
        return f"The rim moved {how} only about {as_learnt:.0%} as far as planned; the plan counts on that."
    more = "more" if as_learnt > 1 else "less"
    return f"This rim moves {abs(as_learnt - 1):.0%} {more} {how} than assumed; the plan counts on that."


def moved_opposite(wheel: Wheel, last: Round, after: Readings, *, surely: bool = False) -> str | None:
    """Say that the rim moved against what was planned in the last round; None where it didn't.

    The other parameters are those of `learn`. surely: only where it moved so far that there is no doubt.
    """
    least, least_mm = (SURELY_OPPOSITE, SURELY_MM) if surely else (OPPOSITE, MOVEMENT_NOISE_MM)
    prior = influence(wheel)
    for how, name in (("sideways", "lateral_mm"), ("radially", "radial_mm")):
        share = share_moved(prior, last, after, name, least_mm)
        if share is not None and share < -least:
            return (
                f"the rim moved {how} the opposite way in the last round, by {-share:.0%} of what "
                "was planned. The nipples seem to have been turned the wrong way round, or the wheel's sides are "
                "mistaken (first_spoke_side in wheel.toml): find out which first."
            )
    return None


@record
class Missed:
    """Nipples (k,) one of which seems to have turned by `off_turns` [turns] more than planned; none: no one nipple explains it."""

    nipples: tuple[int, ...]
    off_turns: float


def nipples_missed(
    wheel: Wheel, prior: Influence, groups: Sequence[Group], done: Round, after: Readings
) -> Missed | None:
    """Tell which nipple turned by another amount than planned; None where the rim moved as the round and noise explain."""
    moved, turns = Movement.between(wheel, done.readings, after), done.turns
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
        return Missed(nipples=(), off_turns=0.0)
    return Missed(nipples=tuple(int(one) for one in alike), off_turns=float(off[spoke]))


def _missed_words(wheel: Wheel, turns: FloatArray, missed: Missed | None, *, told: bool) -> str | None:
    """Name the nipple that seems to have turned by another amount than planned, or ask after all of them."""
    if missed is None:
        return None
    if not missed.nipples:
        return f"{UNEXPLAINED} {NAMED_DONE if told else HOW_DONE}"
    first = missed.nipples[0]
    planned = "be left alone" if turns[first] == 0.0 else f"turn {_turned_words(turns[first])}"
    seems = f"turned {_turned_words(turns[first] + missed.off_turns)}, and was to {planned}"
    left_out = (
        ""
        if told or not turns[list(missed.nipples)].any()
        else " If you left steps out, plan again with --done instead."
    )
    named = " or ".join(f"{one + 1} ({wheel.flanges[one]} side)" for one in missed.nipples)
    return (
        f"Spoke {named} seems {f'to have {seems}' if len(missed.nipples) == 1 else 'not to have turned as planned'}: the "
        "key slipped or was on the wrong nipple, or the spoke turned with its nipple. The new readings count, so carry on."
        f"{left_out}"
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
