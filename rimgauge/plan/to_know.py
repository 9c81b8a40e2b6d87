"""What a plan says beside its steps of tension, of what it assumed and left alone, and the usual cautions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rimgauge.plan.problem import Problem
from rimgauge.plan.regression import READING_NOISE_MM
from rimgauge.plan.wording import is_or_are, named_spokes
from rimgauge.records import BoolArray, IntArray, Readings, Wheel

LOOSE_SHARE = 0.5
"""A side whose mean tension is under this share of what it shall be is far too loose (our judgement)."""
UNEVEN_SHARE = 0.1
"""By so much a spoke may be tighter than what is expected of it, where none was read (common practice)."""
DISHED_BY = 0.15
"""Sides whose mean tensions differ by less than this share are no help in telling which is which (our judgement)."""
HARDLY_OUT_MM = 0.1
"""Hardly a wheel that is looked at is truer; typed in inches a wheel 2.5 mm out of true is."""
INDICATOR_MM, AS_IF_STUCK = 0.01, 0.001
"""What readings of an indicator scatter by (standard deviation, common practice), and how seldom those of a wheel without any
runout differ by less than what is asked after."""
_COMES_FIRST = (
    "The limits of the wheel's and the rim's maker, local rules and a qualified mechanic come before this"
    " plan. If in doubt, or if the wheel has been in a crash, let a mechanic look at it."
)
_LOOK_FOR_DAMAGE = (
    "First look for cracks around the spoke holes, a dented rim, damaged spokes or hub flanges: if you "
    "find one, stop, a plan can't mend it."
)
_BEFORE_RIDING = (
    "Before riding: measure again, check that the brakes and the tyre clear the rim and the frame, and "
    "spin the wheel by hand."
)
CAUTIONS = (
    _COMES_FIRST,
    "Spokes under tension can break and fly: wear eye protection, and let the air out of the tyre (take "
    "tyre and rim tape off where the nipples sit under them).",
    _LOOK_FOR_DAMAGE,
    "A nipple must move freely in rim and spoke, with a key that fits: a drop of oil helps. Don't force a"
    " seized one; it wants a mechanic or a new nipple.",
    "Spokes wind up: turn a little past the mark and back again, hold flat spokes still, and when all is "
    "done press spokes together in pairs by hand, all round the wheel, then measure again.",
    _BEFORE_RIDING,
)
LET_BE = (_COMES_FIRST, _LOOK_FOR_DAMAGE, _BEFORE_RIDING)
"""Those of a wheel that needs no turns: how to turn is no matter then."""
ASSUMED_TENSION = (
    "Pluck or squeeze each spoke before you tighten it, and leave it if it is clearly tighter than its neighbours on the "
    "same side: it may be near the limit already. Stop if one is much looser."
)


def things_to_know(readings: Readings, wheel: Wheel, problem: Problem) -> tuple[str, ...]:
    """Say what the plan leaves alone, and what it had to assume."""
    notes: list[str | None] = [
        _left_alone(problem),
        _assumed(wheel),
    ]
    some = [side.read for side in problem.sides]
    notes += _too_few_tensions(readings, problem)
    if any(some) and not all(some):
        known, other = ("right", "left") if some[0] else ("left", "right")
        notes.append(
            f"Tension counts as read on the {known} side alone: the {other} one is taken to pull against it, as unevenly as the "
            "runout says. Read it too: with both tension is nearly always kept as even as it was."
        )
    elif not any(some):
        notes.append(
            "Tension was not read: the plan takes it as likely as the runout says. In simulations three wheels in "
            "four came true to 0.2 mm in the first round, and of those one in seven was left with tension a little "
            "less even than it was; with readings it is nearly always kept."
        )
        notes.append(_assumed_mean(wheel))
    elif not np.isfinite(readings.tension_n).any():
        notes.append(
            "Tension was not read this time: what was read before is taken, with what the turns since should have "
            "changed. A reading now makes the plan surer."
        )
    if not problem.radial.known:
        notes.append(
            "Radial runout as it is now was not measured; the plan only keeps from making it much worse."
        )
    if not problem.lateral.known:
        notes.append(
            "Lateral runout as it is now was not measured; the plan only keeps from making it much worse."
        )
    if wheel.tension.limit_n in (wheel.tension.right_n, wheel.tension.left_n):
        notes.append(
            "The wheel file puts the mean tension at the limit, so that there is no room to tighten."
        )
    return tuple(note for note in notes if note is not None)


def _too_few_tensions(readings: Readings, problem: Problem) -> list[str]:
    """Say of which side some tensions were read, but too few to count."""
    return [
        f"Tension was read at only {count} of the {len(side.spokes)} spokes of the {name} side, too few for the plan to count "
        "them: read at least two thirds."
        for name, side in zip(("right", "left"), problem.sides, strict=True)
        if not side.read and (count := int(np.isfinite(readings.tension_n[side.spokes]).sum()))
    ]


def _on_read_sides(problem: Problem) -> BoolArray:
    """Whether each spoke (n,) is on a side whose tension was read."""
    on = np.zeros(problem.nipples, dtype=bool)
    for side in problem.sides:
        on[side.spokes] = side.read
    return on


def over_limit(wheel: Wheel, problem: Problem) -> tuple[str, ...]:
    """Name the spokes over the tension limit as read, whatever else is planned."""
    over = np.flatnonzero(_on_read_sides(problem) & (problem.tension_n > wheel.tension.limit_n))
    if not len(over):
        return ()
    assumed = ", which is assumed" if "tension.limit_n" in wheel.assumed else ""
    return (
        f"Over the tension limit of {wheel.tension.limit_n:.0f} N{assumed}: {named_spokes(over)}, with up to "
        f"{problem.tension_n[over].max():.0f} N. The plan adds nothing to that. Read the tension again after the round: "
        "a wheel with a spoke over its maker's limit is not for riding.",
    )


def may_pass_limit(readings: Readings, wheel: Wheel, problem: Problem, eighths: IntArray) -> tuple[str, ...]:
    """Name the unread spokes that a plan (n,) tightens up to the limit, if they are as much tighter as may be where their side wasn't read.

    Few readings of a side don't count for the plan, but where they are tighter than it takes that side to be, its others may be so too.
    """
    unread = ~np.isfinite(readings.tension_n)
    now_n = problem.tension_n.copy()
    for side in problem.sides:
        few_n = readings.tension_n[side.spokes[~unread[side.spokes]]]
        if len(few_n) and not side.read:
            now_n[side.spokes] = np.maximum(now_n[side.spokes], few_n.mean())
    after_n = now_n + problem.tension_step_n @ eighths
    may = (1.0 + UNEVEN_SHARE) * after_n > wheel.tension.limit_n
    near = np.flatnonzero((eighths > 0) & may & unread & ~_on_read_sides(problem))
    if not len(near):
        return ()
    return (
        "Before you turn a nipple: the plan tightens some spokes whose tension was not read, and one that is tighter than most now may "
        f"be brought over the limit of {wheel.tension.limit_n:.0f} N: {named_spokes(near)}. Pluck first, these above all, and leave alone "
        "what sounds clearly higher than its neighbours on the same side, whichever it is (--checked spokes leaves this out); or read "
        "the tension and plan again.",
    )


def far_too_loose(wheel: Wheel, problem: Problem) -> tuple[str, ...]:
    """Say that a side is far looser, as read, than the wheel file has it, whatever else is planned."""
    notes = []
    for side, tension, wanted_n in zip(
        ("right", "left"), problem.sides, (wheel.tension.right_n, wheel.tension.left_n), strict=True
    ):
        if tension.read and tension.mean_n < LOOSE_SHARE * wanted_n:
            whose = (
                "a usual wheel of this kind has"
                if f"tension.{side}_n" in wheel.assumed
                else "the wheel file has"
            )
            notes.append(
                f"Before you turn a nipple: the {side} side is far too loose to ride, {tension.mean_n:.0f} N in the mean where "
                f"{whose} {wanted_n:.0f} N. These turns make a wheel straight, not tight: bring the tension up evenly all "
                "round first, then measure and plan again."
            )
    return tuple(notes)


def sides_mistaken(wheel: Wheel, problem: Problem) -> tuple[str, ...]:
    """Say that the side read tighter is the one that the wheel file has looser: with mistaken sides all turns do harm.

    Both sides hold the rim between them, so that which is the tighter follows from how far each flange is from its middle.
    """
    right, left = problem.sides
    if not (right.read and left.read):
        return ()
    as_read = np.log(right.mean_n / left.mean_n)
    as_built = np.log(wheel.tension.right_n / wheel.tension.left_n)
    if as_read * as_built >= 0 or min(abs(as_read), abs(as_built)) < np.log(1 + DISHED_BY):
        return ()
    whose = (
        "a usual wheel of this kind"
        if {"tension.right_n", "tension.left_n"} <= set(wheel.assumed)
        else "the wheel file"
    )
    return (
        f"Before you turn a nipple: the right side was read at {right.mean_n:.0f} N in the mean and the left one at "
        f"{left.mean_n:.0f} N, but {whose} has {wheel.tension.right_n:.0f} N right and {wheel.tension.left_n:.0f} N left. Look "
        "whether the sides are mistaken: right is where the drive is, and first_spoke_side in wheel.toml tells to which flange "
        "spoke 1 goes. If they are, these turns would make the wheel worse: stop, mend the readings or wheel.toml and plan again. "
        "If they are right, write the hub's flange offsets or the sides' tensions into wheel.toml and plan again.",
    )


def typed_in(readings: Readings, *, turns: bool, before: Sequence[Readings] = ()) -> tuple[str, ...]:
    """Say how well readings that were typed in are taken to be read, and whether they may be in inches.

    Of coarse ones a plan says so by itself. turns: whether the plan has any. before: what was read before earlier rounds;
    of a wheel that was farther out then, this may be what those made of it, unless it is truer than a hand reads.
    """
    most_mm = _farthest_mm(readings)
    trued = any(_farthest_mm(each) > HARDLY_OUT_MM for each in before)
    if 0.0 < most_mm < (_scatter_mm(readings) if trued else HARDLY_OUT_MM):
        return (
            f"The readings differ by no more than {most_mm:.3f} mm round the wheel, as those of hardly any wheel do. If they "
            "were typed in inches, write millimetres (an inch is 25.4 mm) and plan again.",
        )
    if any(readings.steps_mm) or not turns:
        return ()
    return (
        f"Nothing tells how well readings that were typed in were read: each is taken to be right to {READING_NOISE_MM} mm "
        "(one standard deviation). Read a few spokes twice: what the two differ by is no reason to turn a nipple.",
    )


def _scatter_mm(readings: Readings) -> float:
    """By how much readings that scatter alone differ at the least, but for one wheel in a thousand [mm].

    The range of so many independent normal values (scipy's studentized range, of a known standard deviation).
    """
    # Half a second to load, and hardly a plan asks for it.
    from scipy.stats import studentized_range  # noqa: PLC0415

    count = max(int(np.isfinite(values).sum()) for values in (readings.lateral_mm, readings.radial_mm))
    return INDICATOR_MM * float(studentized_range.ppf(AS_IF_STUCK, max(count, 2), np.inf))


def _farthest_mm(readings: Readings) -> float:
    """By how much the readings of a direction differ, of both the larger; 0 where nothing was read [mm]."""
    directions = (readings.lateral_mm, readings.radial_mm)
    return max(
        (float(np.nanmax(values) - np.nanmin(values)) for values in directions if np.isfinite(values).any()),
        default=0.0,
    )


def _left_alone(problem: Problem) -> str | None:
    seized = np.flatnonzero(problem.most_eighths == 0)
    if not len(seized):
        return None
    return (
        f"The {'nipple' if len(seized) == 1 else 'nipples'} of {named_spokes(seized)} "
        f"{is_or_are(seized)} left alone as seized; freed or replaced by a mechanic, the "
        "wheel could get truer."
    )


def _assumed(wheel: Wheel) -> str | None:
    if not wheel.assumed:
        return None
    return (
        f"{len(wheel.assumed)} figures of the wheel's build are not in its file and are those of a typical "
        f"'{wheel.kind}' wheel; the next round learns how this one answers."
    )


def assumed_side(wheel: Wheel) -> str | None:
    """Ask to look where spoke 1 goes, before a nipple is turned, where the wheel file leaves it open; else None.

    On the other flange each nipple pulls the other way, and all turns would do harm.
    """
    if "first_spoke_side" not in wheel.assumed:
        return None
    side, other = wheel.flanges[0], "left" if wheel.flanges[0] == "right" else "right"
    return (
        f"Before you turn a nipple: spoke 1, the first after the valve, is assumed to go to the {side} flange of the "
        f"hub. Look: if it goes to the {other}, these turns would make the wheel worse; stop, write first_spoke_side = "
        f'"{other}" into wheel.toml and plan again. If it does go to the {side}, write "{side}" there, and this is '
        "said no more."
    )


def _assumed_mean(wheel: Wheel) -> str | None:
    if not {"tension.right_n", "tension.left_n"} <= set(wheel.assumed):
        return None
    tension = wheel.tension
    return (
        f"The wheel file gives no mean tension: {tension.right_n:.0f} N on the right and {tension.left_n:.0f} N on the "
        f"left are assumed, below the limit of {tension.limit_n:.0f} N. Read the tension if you can: a wheel over "
        "its limit can't be told from here."
    )
