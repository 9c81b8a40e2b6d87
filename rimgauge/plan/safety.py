"""When not to plan, what to look at first, and the usual cautions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rimgauge.plan.patterns import points_elsewhere, too_far_unread
from rimgauge.plan.problem import SLACK_SHARE, Problem, flange_spokes
from rimgauge.plan.relaxed import relax
from rimgauge.plan.wishes import Wishes
from rimgauge.records import EIGHTH, BoolArray, Influence, IntArray, Readings, Wheel

FARTHEST_LATERAL_MM = 8.0
FARTHEST_RADIAL_MM = 4.0
"""Runout beyond these is damage and no matter for nipples; the figures are our own, on the careful side."""
LONGEST_GAP = 2
"""So many neighbouring spokes may go without a reading; over more, the rim's shape is a guess."""
GENEROUS_TURNS = 3
GENEROUS_PEAK = 0.3
GENEROUS_RMS = 0.15
GENEROUS_RISE = 0.1
"""What nipples could do if tension were left very uneven: what even that does not mend is a bent rim."""
FAR_ABOVE = 2.0
"""A spoke over so many times the median tension of its side was more likely misread (our judgement)."""
LOOSE_SHARE = 0.5
"""A side whose mean tension is under this share of what it shall be is far too loose (our judgement)."""
UNEVEN_SHARE = 0.1
"""By so much a spoke may be tighter than what is expected of it, where none was read (common practice)."""
UNBOUNDED = 1e5
"""Millimetres or newtons that stand for no limit."""
BENT_SHARE = 0.5
BENT_LEAST_MM = 0.5
BENT_ANYHOW_MM = 1.0
"""A rim of which this share of the lateral runout stays, and this much, whatever the nipples do, is bent; so is one that
stays out by over a millimetre, which is out of true by common practice."""
CAUTIONS = (
    "The limits of the wheel's and the rim's maker, local rules and a qualified mechanic come before this"
    " plan. If in doubt, or if the wheel has been in a crash, let a mechanic look at it.",
    "Spokes under tension can break and fly: wear eye protection, and let the air out of the tyre (take "
    "tyre and rim tape off where the nipples sit under them).",
    "First look for cracks around the spoke holes, a dented rim, damaged spokes or hub flanges: if you "
    "find one, stop, a plan can't mend it.",
    "A nipple must move freely in rim and spoke, with a key that fits: a drop of oil helps. Don't force a"
    " seized one; it wants a mechanic or a new nipple.",
    "Spokes wind up: turn a little past the mark and back again, hold flat spokes still, and when all is "
    "done press spokes together in pairs by hand, all round the wheel, then measure again.",
    "Before riding: measure again, check that the brakes and the tyre clear the rim and the frame, and "
    "spin the wheel by hand.",
)
ASSUMED_TENSION = (
    "Pluck or squeeze the spokes as you go, and stop if one is much tighter or looser than its neighbours on the "
    "same side."
)


def reason_to_refuse(
    readings: Readings, wheel: Wheel, influence: Influence, problem: Problem, wishes: Wishes
) -> str | None:
    """Say why nipples should not be turned on these readings, or None."""
    return (
        _damaged(problem, wishes)
        or _too_few(readings)
        or _too_tight_or_slack(wheel, problem)
        or _too_far(problem)
        or points_elsewhere(readings, wheel, influence, problem, wishes.checked)
        or (None if "rim" in wishes.checked else _bent(problem) or too_far_unread(problem))
    )


def _damaged(problem: Problem, wishes: Wishes) -> str | None:
    if wishes.cracked:
        return (
            "you found a crack, a dent or other damage. No nipple mends that, and tightening one beside it can"
            " break it for good: the wheel must not be ridden. A mechanic will tell what must be replaced."
        )
    if not problem.most_eighths.any():
        return "no nipple turns. Free or replace them first: a job for a mechanic."
    return None


def _too_few(readings: Readings) -> str | None:
    read = [np.isfinite(readings.lateral_mm), np.isfinite(readings.radial_mm)]
    if not any(known.any() for known in read):
        return "there are no runout readings. Measure the wheel first."
    for name, known in zip(("lateral", "radial"), read, strict=True):
        gap = _longest_gap(known)
        if known.any() and gap > LONGEST_GAP:
            return (
                f"too few readings: {gap} spokes in a row have no {name} runout, so the rim's shape there "
                "would be a guess. Read every spoke."
            )
    return None


def _longest_gap(read: BoolArray) -> int:
    """Length of the longest run of spokes without a reading, round the wheel."""
    longest = run = 0
    for known in np.concatenate([read, read]):
        run = 0 if known else run + 1
        longest = max(longest, run)
    return min(longest, len(read))


def _too_tight_or_slack(wheel: Wheel, problem: Problem) -> str | None:
    limit = wheel.tension.limit_n
    for side, spokes in zip(("right", "left"), flange_spokes(wheel), strict=True):
        tension = problem.tension_n[spokes]
        if tension.mean() > limit:
            return _far_above_the_rest(wheel, problem, side, spokes) or (
                f"the mean tension {_source(wheel, problem, side)} for the {side} side, {tension.mean():.0f} N, is over the limit "
                f"of {limit:.0f} N. Tension must come down evenly all round before the wheel is trued: a "
                "job for a mechanic."
            )
        slack = spokes[tension <= SLACK_SHARE * tension.mean()]
        if len(slack):
            return (
                f"{_named(slack)} on the {side} side {'is' if len(slack) == 1 else 'are'} slack or broken:"
                f" under {SLACK_SHARE:.0%} of that side's mean tension. Replace or re-tension first, then "
                "measure again; if it was only misread, plan again."
            )
    return None


def _far_above_the_rest(wheel: Wheel, problem: Problem, side: str, spokes: IntArray) -> str | None:
    """Name the tensions that alone bring a side's mean over the limit: a slip of gauge or pencil, or spokes far too tight."""
    tension, limit = problem.tension_n[spokes], wheel.tension.limit_n
    usual_n = float(np.median(tension))
    above = tension > FAR_ABOVE * usual_n
    if not problem.tension_known or not above.any() or tension[~above].mean() > limit:
        return None
    read = " and ".join(f"{value:.0f} N" for value in tension[above])
    return (
        f"{read}, read at {_named(spokes[above])} ({side} side), is over twice what its neighbours have, {usual_n:.0f} N, and over "
        f"the limit of {limit:.0f} N. Read again, and if it was misread, plan again; if it wasn't, that must come down before "
        "the wheel is trued: a job for a mechanic."
    )


def _source(wheel: Wheel, problem: Problem, side: str) -> str:
    """Say where a side's mean tension is from."""
    if problem.tension_known:
        return "read"
    if f"tension.{side}_n" in wheel.assumed:
        return f"worked out from the {'left' if side == 'right' else 'right'} one's"
    return "given in the wheel file"


def _too_far(problem: Problem) -> str | None:
    for name, line, farthest in (
        ("lateral", problem.lateral, FARTHEST_LATERAL_MM),
        ("radial", problem.radial, FARTHEST_RADIAL_MM),
    ):
        if line.known and line.reading_before_mm > farthest:
            return (
                f"the {name} runout of {line.reading_before_mm:.1f} mm is beyond what nipples can mend: the "
                "rim is bent or the wheel damaged, and forcing it straight would leave spokes dangerously"
                " uneven. A mechanic will tell whether the rim can be saved."
            )
    return None


def _bent(problem: Problem) -> str | None:
    """Tell a rim that stays out however unevenly it is pulled."""
    lateral = problem.lateral
    if lateral.known and lateral.reading_before_mm > lateral.tolerance_mm:
        least = _least_lateral(problem)
        share_mm = max(BENT_SHARE * lateral.reading_before_mm, BENT_LEAST_MM)
        if least > max(min(share_mm, BENT_ANYHOW_MM), lateral.tolerance_mm):
            return (
                f"the rim itself seems bent: of {lateral.reading_before_mm:.2f} mm lateral runout, nipples "
                f"could take away all but {least:.2f} mm, and only with very uneven tension. A mechanic "
                "will tell whether the rim can be straightened or must be replaced. If it is straight, see that the "
                "spokes are counted from the right place and wheel.toml tells their sides; then plan with --checked "
                "rim for what even tension allows."
            )
    return None


def _least_lateral(problem: Problem) -> float:
    """Lateral runout that stays when tension may become very uneven [mm], from the relaxed program."""
    sides = tuple(
        replace(
            side,
            largest_rms_n=max(side.largest_rms_n, GENEROUS_RMS * side.mean_n),
            largest_peak_n=max(side.largest_peak_n, GENEROUS_PEAK * side.mean_n),
            largest_rise_n=GENEROUS_RISE * side.mean_n,
            largest_drop_n=GENEROUS_RISE * side.mean_n,
        )
        for side in problem.sides
    )
    generous = replace(
        problem,
        most_eighths=np.where(problem.most_eighths > 0, round(GENEROUS_TURNS / EIGHTH), 0),
        sides=sides,
        radial=replace(problem.radial, aim_mm=UNBOUNDED, tolerance_mm=UNBOUNDED),
        dish_range_mm=(-UNBOUNDED, UNBOUNDED),
        tension_rise_n=np.full(problem.nipples, UNBOUNDED),
    )
    relaxed = relax(generous)
    if relaxed is None:
        return 0.0
    return problem.lateral.seen_after_mm(relaxed.eighths)


def things_to_know(readings: Readings, wheel: Wheel, problem: Problem) -> tuple[str, ...]:
    """Say what the plan leaves alone, and what it had to assume."""
    notes: list[str | None] = [
        _left_alone(problem),
        _assumed(wheel),
    ]
    if not problem.tension_known:
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


def over_limit(wheel: Wheel, problem: Problem) -> tuple[str, ...]:
    """Name the spokes over the tension limit as read, whatever else is planned."""
    over = np.flatnonzero(problem.tension_n > wheel.tension.limit_n)
    if not problem.tension_known or not len(over):
        return ()
    assumed = ", which is assumed" if "tension.limit_n" in wheel.assumed else ""
    return (
        f"Over the tension limit of {wheel.tension.limit_n:.0f} N{assumed}: {_named(over)}, with up to "
        f"{problem.tension_n.max():.0f} N. The plan adds nothing to that. Read the tension again after the round: "
        "a wheel with a spoke over its maker's limit is not for riding.",
    )


def may_pass_limit(wheel: Wheel, problem: Problem, eighths: IntArray) -> tuple[str, ...]:
    """Name the spokes that a plan (n,) tightens up to the limit, if they are as much tighter as may be where none was read."""
    after_n = problem.tension_n + problem.tension_step_n @ eighths
    near = np.flatnonzero((eighths > 0) & ((1.0 + UNEVEN_SHARE) * after_n > wheel.tension.limit_n))
    if problem.tension_known or not len(near):
        return ()
    return (
        f"Before you turn a nipple: tension was not read, and a spoke that is tighter than most now may be brought over the limit "
        f"of {wheel.tension.limit_n:.0f} N: {_named(near)}. Pluck first, and leave alone what sounds clearly higher than its "
        "neighbours on the same side (--checked spokes leaves this out); or read the tension and plan again.",
    )


def far_too_loose(wheel: Wheel, problem: Problem) -> tuple[str, ...]:
    """Say that a side is far looser, as read, than the wheel file has it, whatever else is planned."""
    if not problem.tension_known:
        return ()
    notes = []
    for side, tension, wanted_n in zip(
        ("right", "left"), problem.sides, (wheel.tension.right_n, wheel.tension.left_n), strict=True
    ):
        if tension.mean_n < LOOSE_SHARE * wanted_n:
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


def _left_alone(problem: Problem) -> str | None:
    seized = np.flatnonzero(problem.most_eighths == 0)
    if not len(seized):
        return None
    return (
        f"The {'nipple' if len(seized) == 1 else 'nipples'} of {_named(seized)} "
        f"{'is' if len(seized) == 1 else 'are'} left alone as seized; freed or replaced by a mechanic, the "
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


def _named(spokes: IntArray) -> str:
    numbers = [str(spoke + 1) for spoke in spokes]
    if len(numbers) == 1:
        return f"spoke {numbers[0]}"
    return f"spokes {', '.join(numbers[:-1])} and {numbers[-1]}"
