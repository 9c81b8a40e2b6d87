"""When not to plan, and why."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rimgauge.plan.out_of_line import slips
from rimgauge.plan.patterns import points_elsewhere, too_far_unread
from rimgauge.plan.problem import SLACK_SHARE, Problem, flange_spokes
from rimgauge.plan.relaxed import relax
from rimgauge.plan.wishes import Known, Wishes
from rimgauge.plan.wording import is_or_are, named_spokes
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
UNBOUNDED = 1e5
"""Millimetres or newtons that stand for no limit."""
BENT_SHARE = 0.5
BENT_LEAST_MM = 0.5
BENT_ANYHOW_MM = 1.0
"""A rim of which this share of the lateral runout stays, and this much, whatever the nipples do, is bent; so is one that
stays out by over a millimetre, which is out of true by common practice."""


def reason_to_refuse(
    readings: Readings, wheel: Wheel, influence: Influence, problem: Problem, wishes: Wishes, known: Known
) -> str | None:
    """Say why nipples should not be turned on these readings, or None."""
    return (
        _damaged(problem, wishes)
        or _too_few(readings)
        or _few_but_wrong(readings, wheel, problem)
        or _too_tight_or_slack(readings, wheel, problem)
        or _by_runout(readings, wheel, influence, problem, wishes, known)
    )


def _by_runout(
    readings: Readings, wheel: Wheel, influence: Influence, problem: Problem, wishes: Wishes, known: Known
) -> str | None:
    """Say what the runout tells against turning; where one reading doesn't fit the rest, that first, as it may be why."""
    why = (
        _too_far(problem)
        or points_elsewhere(readings, wheel, influence, problem, wishes.checked)
        or (None if "rim" in wishes.checked else _bent(problem) or too_far_unread(problem))
    )
    if why is None:
        return None
    slip = slips(readings, wheel, influence, problem, wishes.checked, known.measured)
    return why if slip is None else f"{slip} As read, {why}"


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


def _too_tight_or_slack(readings: Readings, wheel: Wheel, problem: Problem) -> str | None:
    limit = wheel.tension.limit_n
    sides = zip(("right", "left"), problem.sides, flange_spokes(wheel), strict=True)
    some_read = any(state.read for state in problem.sides)
    # What was read counts before what follows from it.
    for side, state, spokes in sorted(sides, key=lambda each: not each[1].read):
        tension = problem.tension_n[spokes]
        if tension.mean() > limit:
            sure = (
                ""
                if state.read or not some_read
                else f"Read the {side} side too, and plan again; if it is so, "
            )
            return _far_above_the_rest(readings, wheel, side, spokes) or (
                f"the mean tension {_source(wheel, problem, side)} for the {side} side, {tension.mean():.0f} N, is over the limit "
                f"of {limit:.0f} N. {sure}{'t' if sure else 'T'}ension must come down evenly all round before the wheel is trued: "
                "a job for a mechanic."
            )
        slack = spokes[tension <= SLACK_SHARE * tension.mean()]
        if len(slack):
            return (
                f"{named_spokes(slack)} on the {side} side {is_or_are(slack)} slack or broken:"
                f" under {SLACK_SHARE:.0%} of that side's mean tension. Replace or re-tension first, then "
                "measure again; if it was only misread, plan again."
            )
    return None


def _few_but_wrong(readings: Readings, wheel: Wheel, problem: Problem) -> str | None:
    """Name the spokes over the limit, or slack, of a side of which too few were read for the plan to count them."""
    for name, side in zip(("right", "left"), problem.sides, strict=True):
        read_n = readings.tension_n[side.spokes]
        if side.read or not np.isfinite(read_n).any():
            continue
        with np.errstate(invalid="ignore"):
            over = side.spokes[read_n > wheel.tension.limit_n]
            slack = side.spokes[read_n <= SLACK_SHARE * problem.tension_n[side.spokes]]
        if len(over):
            what = f"over the limit of {wheel.tension.limit_n:.0f} N"
        elif len(slack):
            what = "slack or broken"
        else:
            continue
        return (
            f"{named_spokes(over if len(over) else slack)} on the {name} side {is_or_are(over if len(over) else slack)} {what} as "
            f"read, and only {np.isfinite(read_n).sum()} of the {len(read_n)} spokes there were read. Read them all, and plan "
            "again."
        )
    return None


def _far_above_the_rest(readings: Readings, wheel: Wheel, side: str, spokes: IntArray) -> str | None:
    """Name the tensions that alone bring a side's mean over the limit: a slip of gauge or pencil, or spokes far too tight.

    Spokes that weren't read say nothing: they are taken at the mean, which such a slip has raised.
    """
    spokes = spokes[np.isfinite(readings.tension_n[spokes])]
    if not len(spokes):
        return None
    tension, limit = readings.tension_n[spokes], wheel.tension.limit_n
    usual_n = float(np.median(tension))
    above = tension > FAR_ABOVE * usual_n
    if not above.any() or tension[~above].mean() > limit:
        return None
    read = " and ".join(f"{value:.0f} N" for value in tension[above])
    return (
        f"{read}, read at {named_spokes(spokes[above])} ({side} side), is over twice what its neighbours have, {usual_n:.0f} N, and over "
        f"the limit of {limit:.0f} N. Read again, and if it was misread, plan again; if it wasn't, that must come down before "
        "the wheel is trued: a job for a mechanic."
    )


def _source(wheel: Wheel, problem: Problem, side: str) -> str:
    """Say where a side's mean tension is from."""
    sides = dict(zip(("right", "left"), problem.sides, strict=True))
    if sides[side].read:
        return "read"
    if any(other.read for other in problem.sides):
        return f"worked out from the {'left' if side == 'right' else 'right'} one's, as read,"
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
    """Tell a rim that stays out however unevenly it is pulled, were no nipple seized."""
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
        most_eighths=np.full(problem.nipples, round(GENEROUS_TURNS / EIGHTH)),
        sides=sides,
        radial=replace(problem.radial, aim_mm=UNBOUNDED, tolerance_mm=UNBOUNDED),
        dish_range_mm=(-UNBOUNDED, UNBOUNDED),
        tension_rise_n=np.full(problem.nipples, UNBOUNDED),
    )
    relaxed = relax(generous)
    if relaxed is None:
        return 0.0
    return problem.lateral.seen_after_mm(relaxed.eighths)
