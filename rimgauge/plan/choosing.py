"""Which turns a round is to be made of, and whether there are to be any."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from rimgauge.plan.coarse import nothing_to_see
from rimgauge.plan.prices import objective, surely_even
from rimgauge.plan.problem import Problem
from rimgauge.plan.relaxed import relax
from rimgauge.plan.search import Found, search
from rimgauge.records import Bound, Direction, FloatArray, IntArray, Wheel, record

WORTH_DOING = 0.9
"""A round that leaves more than this share of the objective of doing nothing is not worth the risk."""
SURE_ENOUGH, WORTH_MORE = 2.0, 0.5
"""After the first round a true wheel is let be where it is so by so many standard deviations, and its tension as even as
before; turns that make it surer by less than that many are not worth the risk."""
READING_DOUBT_MM = 0.010
"""Standard deviation of a runout as read, where nothing was turned since: the noise of the closed loop's readings."""
NEAR_LIMIT = 0.97
"""Tension this near to the limit counts as the limit being in the way."""
LEAVE_IT = "The wheel is within its tolerances, true enough: leave it."
LEFT_UNSEEN = (
    "What may be left is finer than such readings tell: leave it, or read it more finely and plan again."
)
IN_THE_RIM = (
    "If that is true enough for you, leave it; the rest is in the rim itself, and holding it straighter would take uneven "
    "tension: ask a mechanic."
)
IN_THE_READINGS = "If that is true enough for you, leave it; else read it more finely and plan again."
BACK_TO_EVEN = (
    "The wheel is within its tolerances. Tension may have become a little less even than it was before the "
    "first round: these turns only make it as even again; leave them if you like."
)
NEAR_THE_END = (
    "The wheel is within its tolerances, but by less than a reading is sure of: these turns only make that "
    "surer; leave them if you like."
)


@record
class Chosen:
    """Turns of a round (n,) [eighths], how good they are, why there are none where there should be, and notes."""

    eighths: IntArray
    bound: Bound
    refused: str | None
    notes: tuple[str, ...]

    @classmethod
    def nothing(
        cls, problem: Problem, refused: str | None, notes: tuple[str, ...] = (), bound: Bound | None = None
    ) -> Chosen:
        """No turns, and why."""
        none = np.zeros(problem.nipples, dtype=np.int64)
        return cls(
            eighths=none, bound=bound or Bound(objective=0.0, proved=0.0), refused=refused, notes=notes
        )


def choose(
    problem: Problem,
    wheel: Wheel,
    notes: tuple[str, ...],
    *,
    doubts: tuple[str, ...],
    first: bool,
    unseen: Collection[Direction],
) -> Chosen:
    """Choose the turns, unless the wheel is good as it is, as far as it was seen, or they would be no use.

    After the first round a true wheel gets turns where they make surer that it is, or that tension is as even as it was.
    notes: to know with any turns. doubts: what the readings can't tell, to know in any case.
    """
    true, nothing = _true_enough(problem), np.zeros(problem.nipples)
    if true and unseen:
        return Chosen.nothing(problem, None, (*doubts, _not_seen_since(unseen)))
    leave_it = (*doubts, f"As far as such readings tell: {LEAVE_IT}" if doubts else LEAVE_IT)
    if true and (first or min(_sure(problem, nothing)) >= SURE_ENOUGH):
        return Chosen.nothing(problem, None, leave_it)
    if nothing_to_see(problem) and not _off_centre(problem):
        return Chosen.nothing(problem, None, (*doubts, LEFT_UNSEEN))
    notes = (*doubts, *notes)
    found, proved = _search(problem)
    bound = Bound(objective=found.objective, proved=min(proved, found.objective))
    refused = None if true else _no_way(wheel, problem, found)
    if refused is not None:
        return Chosen.nothing(problem, refused, notes, bound)
    if true and min(_sure(problem, found.eighths)) < min(_sure(problem, nothing)) + WORTH_MORE:
        return Chosen.nothing(problem, None, leave_it, bound)
    if true:
        inside, even = _sure(problem, nothing)
        notes = (*notes, BACK_TO_EVEN if even < inside else NEAR_THE_END)
    return Chosen(eighths=found.eighths, bound=bound, refused=None, notes=notes)


def _search(problem: Problem) -> tuple[Found, float]:
    """Find the best plan and the bound."""
    relaxed = relax(problem)
    starts = [] if relaxed is None else [relaxed.eighths]
    if problem.centring_eighths.any():
        starts.append(problem.centring_eighths)
    bound = 0.0 if relaxed is None else relaxed.bound
    return search(problem, starts), bound


def _sure(problem: Problem, eighths: FloatArray | IntArray) -> tuple[float, float]:
    """Tell by how many standard deviations a plan leaves runout, as read, within its tolerance and tension as even as before.

    Of both runouts, and of both sides, the less sure; infinite where not read, or too coarsely for that.
    """
    lines = (line for line in (problem.lateral, problem.radial) if line.known and not line.hidden_mm)
    inside = min(
        ((line.tolerance_mm - line.reading_after_mm(eighths)) / READING_DOUBT_MM for line in lines),
        default=np.inf,
    )
    if not problem.tension_known:
        return inside, np.inf
    column = np.asarray(eighths, dtype=float)[:, None]
    return inside, min(float(surely_even(side, column)[0]) for side in problem.sides)


def _true_enough(problem: Problem) -> bool:
    return not _off_centre(problem) and all(
        line.reading_before_mm <= line.tolerance_mm for line in (problem.lateral, problem.radial)
    )


def _off_centre(problem: Problem) -> bool:
    return problem.dish_aim_mm is not None and abs(problem.dish_start_mm) > problem.dish_tolerance_mm


def _not_seen_since(unseen: Collection[Direction]) -> str:
    """Say which runout must be measured before the wheel can be called true."""
    names = " and ".join(sorted(unseen))
    return (
        f"What was measured is within its tolerance, but {names} runout was out of its tolerance, or too close to call, "
        "before the last round, and was not measured since: measure that too, and plan again."
    )


def _no_way(wheel: Wheel, problem: Problem, found: Found) -> str | None:
    """Say what is in the way if the best plan is hardly better than leaving the wheel alone."""
    if found.objective <= WORTH_DOING * objective(problem, np.zeros(problem.nipples)):
        return None
    highest = float(problem.tension_n.max())
    if highest >= NEAR_LIMIT * wheel.tension.limit_n:
        return (
            f"the tension limit is in the way: the tightest spoke has {highest:.0f} N of "
            f"{wheel.tension.limit_n:.0f} N, and no turns inside the limit make the wheel much truer. "
            "Tension must first come down a little all round: a job for a mechanic."
        )
    if not problem.most_eighths.all():
        return (
            f"{_what_is_left(problem)} is left, and no turns of the nipples that aren't seized make it much less while tension "
            "stays even. Free the others or replace them first: a job for a mechanic."
        )
    return (
        f"{_what_is_left(problem)} is left, and no turns that keep tension even make it much less. "
        f"{IN_THE_READINGS if _coarse(problem) else IN_THE_RIM}"
    )


def _coarse(problem: Problem) -> bool:
    return any(line.hidden_mm > 0 for line in (problem.lateral, problem.radial))


def _what_is_left(problem: Problem) -> str:
    known = [
        f"{line.reading_before_mm:.2f} mm of {name} runout"
        for name, line in (("lateral", problem.lateral), ("radial", problem.radial))
        if line.known and line.reading_before_mm > line.aim_mm
    ]
    return " and ".join(known) or "an offset from the centre"
