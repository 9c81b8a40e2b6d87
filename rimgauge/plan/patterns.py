"""Patterns in the runout that point elsewhere than to nipples: axle and seat, one spoke, a knock.

Where a pattern is plain, nothing is planned until someone has looked; where it is only likely, it is said.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rimgauge.plan.apart import Misfit, misfits, scatter, turned_apart
from rimgauge.plan.problem import Line, Problem, flange_spokes, side_means
from rimgauge.plan.wishes import Checked
from rimgauge.records import BoolArray, FloatArray, Influence, IntArray, Readings, Wheel

TILT_SHARE = 0.9
"""Share of the lateral squares in one swing a turn above which the axle and the seat are looked at first."""
TILT_LEAST_MM = 0.5
"""A smaller swing may come from nipples as well, a turn of which tilts the rim without pulling unevenly: of it
only a hint is given. The figure is our own."""
SINGLE_SHARE = 0.85
SINGLE_PLAIN = 0.95
SINGLE_LOSS = 0.6
"""A spoke that explains this share of the squares by losing that share of its tension may be broken; from the
plain share on nothing is planned before someone has looked. Of random wheels one in a hundred is so. That counts
where radial runout or tension is not at hand to tell better."""
APART_LIKELIER = 5.0
APART_PLAIN = 7.0
"""Where both runouts are read, a spoke may be broken that makes them likelier by this (natural logarithm) where it has
lost so much; from the plain figure on nothing is planned before someone has looked. No spoke of the sound wheels of
`tests/benchmarks/faults.py` is named, true or out of true."""
MISREAD_OFF = 5.0
"""By so many standard deviations a tension doesn't fit the rim; of 420 simulated sets of readings with a usual gauge
three came so far, of one wheel (docs/benchmarks.md)."""
MOST_SCATTER = 2.3
"""Where tensions together lie so many times farther from what the rim says than a usual gauge's noise, several are misread:
of 280 simulated sets of sound readings none came past 1.5, with a gauge of 5 % none past 2.2 (docs/benchmarks.md)."""
MOST_NAMED = 3
"""More tensions that don't fit are not named: of four or more misread together, sound ones stand out too (docs/benchmarks.md)."""
SOUND_SCATTER = 1.4
"""Two or three are named only where the others then scatter no more than sound ones do; sound spokes named beside ones that
stay hidden left 1.5 or more nearly always."""
FAR_OUT_MM = 3.0
UNREAD_FARTHEST_MM = 5.0
"""More lateral runout than the first is asked about where no tension was read; the closed loop's wheels have up to as much.
From the second on nothing is planned before someone has plucked the spokes; the figure is our own."""
FLAT_LEAST_MM = 0.6
FLAT_WIDEST = 0.2
FLAT_BUMP = 0.4
"""A flat spot is at least this deep, at half its depth at most this share of the rim long, and the rest of the
rim bulges by at most this share of its depth; the figures are our own."""
PULLED_IN = 0.05
"""Spokes in a dip that are tighter than their side by this share have pulled it in: no flat spot."""


def points_elsewhere(
    readings: Readings, wheel: Wheel, influence: Influence, problem: Problem, checked: frozenset[Checked]
) -> str | None:
    """Say what must be looked at before any nipple is turned, or None."""
    if "spokes" not in checked and not problem.tension_known:
        spoke = _lost_spoke(readings, wheel, influence, problem, plain=True)
        if spoke is not None:
            return (
                f"{_as_if_lost(wheel, spoke)}: look whether it is broken, or its nipple loose or cracked. Replace "
                "or tension it first, then measure again. If all spokes are sound, plan with --checked spokes."
            )
    swing = None if "axle" in checked else _swing(readings, wheel, problem)
    if swing is not None and swing[0] >= TILT_LEAST_MM and swing[1] <= problem.lateral.aim_mm:
        return (
            f"the whole rim is tilted: it swings {swing[0]:.2f} mm once a turn, and apart from that it is true"
            f" within {swing[1]:.2f} mm. That comes from a bent axle, a wheel that does not sit fully home, or "
            "play in the bearings, and nipples would only hide it. See to that and measure again. If all of it is"
            " in order, plan with --checked axle."
        )
    return None if "rim" in checked else _flat_spot(readings, wheel, problem)


def first_looks(
    readings: Readings,
    wheel: Wheel,
    influence: Influence,
    problem: Problem,
    checked: frozenset[Checked],
    axle: str | None = None,
) -> tuple[str, ...]:
    """Say what the shape of the runout asks to look at before a nipple is turned, where that is only likely.

    axle: what a measurement says of it, in place of what the readings hint at.
    """
    first = [None if "rim" in checked else _far_out(problem)]
    if "axle" not in checked:
        first.append(axle or _tilt_hint(readings, wheel, problem))
    lost = _lost_spoke(readings, wheel, influence, problem, plain=False)
    if lost is not None and "spokes" not in checked:
        first.append(
            f"Before you turn a nipple: {_as_if_lost(wheel, lost)}. Look whether it is broken, or its nipple loose or "
            "cracked. If it is sound, go on (--checked spokes leaves this out)."
        )
    elif "spokes" not in checked:
        first += [
            _perhaps_lost(readings, wheel, influence, problem),
            _before(misread(readings, wheel, influence, problem, checked)),
        ]
    return tuple(words for words in first if words is not None)


def _tilt_hint(readings: Readings, wheel: Wheel, problem: Problem) -> str | None:
    if _swing(readings, wheel, problem) is None:
        return None
    return (
        "Before you turn a nipple: nearly all of the lateral runout is one swing a turn, the whole rim tilted. See that "
        "the axle is straight, sits fully home and has no play in its bearings; if you had to mend that, measure and "
        "plan again. If it is in order, go on (--checked axle leaves this out)."
    )


def _far_out(problem: Problem) -> str | None:
    """Ask to feel for the spokes' tension where the runout is so large that it decides whether the rim is bent."""
    line = problem.lateral
    if problem.tension_known or not line.known or line.reading_before_mm <= FAR_OUT_MM:
        return None
    return (
        f"Before you turn a nipple: {_pluck_where_far(line)} If they sound lower on the side that the rim has moved away "
        "from, go on (--checked rim leaves this out)."
    )


def too_far_unread(problem: Problem) -> str | None:
    """Plan nothing on so much runout before the spokes' tension was felt for."""
    line = problem.lateral
    if problem.tension_known or not line.known or line.reading_before_mm <= UNREAD_FARTHEST_MM:
        return None
    return (
        f"{_pluck_where_far(line)} A mechanic will tell whether the rim can be saved. If they sound lower on the side that "
        "the rim has moved away from, plan with --checked rim; better still, read the tension of every spoke."
    )


def _pluck_where_far(line: Line) -> str:
    return (
        f"{line.reading_before_mm:.1f} mm sideways is far out, and tension was not read. Pluck the spokes where the rim is "
        "farthest out: if they sound like the others of their side, the rim itself is bent, no nipple mends that, and "
        "turns would only make tension uneven."
    )


def _perhaps_lost(readings: Readings, wheel: Wheel, influence: Influence, problem: Problem) -> str | None:
    """Ask to pluck the spokes where lateral runout, read alone, may be that of a slack one: sound wheels look so too."""
    if problem.tension_known or problem.radial.known or not problem.lateral.known:
        return None
    spoke = _stands_apart(readings, wheel, influence, problem, APART_LIKELIER)
    if spoke is None:
        return None
    return (
        "Before you turn a nipple: without radial runout or tension a slack spoke can't be told for sure, and this runout "
        f"may be that of one, spoke {spoke + 1} ({wheel.flanges[spoke]} side) or one near it. Pluck the spokes there, or "
        "squeeze them in pairs: if one is far looser than the others of its side, see to that one first. If none is, go on "
        "(--checked spokes leaves this out)."
    )


def misread(
    readings: Readings,
    wheel: Wheel,
    influence: Influence,
    problem: Problem,
    checked: frozenset[Checked],
    *,
    turns: bool = True,
) -> str | None:
    """Name the spokes whose tension as read doesn't fit the rim at all: a slip of gauge or pencil.

    turns: whether the plan has any, to go on with where nothing was misread.
    """
    if "spokes" in checked:
        return None
    named, many = doubted(readings, wheel, influence, problem)
    if not named and not many:
        return None
    again = "all of them" if many else "that spoke" if len(named) == 1 else "those spokes"
    were = ("it was", "it wasn't") if again == "that spoke" else ("they were", "they weren't")
    side = "its side" if len(named) == 1 else "the same side"
    others = "" if many else f"read the others of {side} too, for several that are off alike hide; then "
    return (
        f"{_not_fitting(readings, wheel, named)}. Read {again} again, and if {were[0]} misread, plan again; if "
        f"{were[1]}, {others}{'go on' if turns else 'leave the nipples as they are'} (--checked spokes leaves this out)."
    )


def doubted(
    readings: Readings, wheel: Wheel, influence: Influence, problem: Problem
) -> tuple[tuple[Misfit, ...], bool]:
    """Find the tensions that were surely misread, and whether several were, of which can't be told which."""
    counts = np.zeros(problem.nipples, dtype=bool)
    for side in problem.sides:
        counts[side.spokes] = side.read
    read = replace(readings, tension_n=np.where(counts, readings.tension_n, np.nan))
    sides = flange_spokes(wheel)
    found = misfits(read, problem.tension_n, influence, sides, least_off=MISREAD_OFF, most=MOST_NAMED + 1)
    left = scatter(read, problem.tension_n, influence, sides, without=found)
    many = len(found) > MOST_NAMED or left > (SOUND_SCATTER if len(found) > 1 else MOST_SCATTER)
    return (() if many else found), many


def _not_fitting(readings: Readings, wheel: Wheel, named: tuple[Misfit, ...]) -> str:
    """Say which tensions don't fit; none named: all of them together."""
    if not named:
        return (
            "the tensions as read don't fit how the rim runs: several seem misread, and which can't be told"
        )
    return "; ".join(
        f"{readings.tension_n[one.spoke]:.0f} N, read at spoke {one.spoke + 1} ({wheel.flanges[one.spoke]} side), doesn't fit "
        f"how the rim runs; about {one.expected_n:.0f} N would"
        for one in named
    )


def _before(words: str | None) -> str | None:
    return None if words is None else f"Before you turn a nipple: {words}"


def _as_if_lost(wheel: Wheel, spoke: int) -> str:
    return f"the runout looks as if spoke {spoke + 1} ({wheel.flanges[spoke]} side) had lost its tension"


def _swing(readings: Readings, wheel: Wheel, problem: Problem) -> tuple[float, float] | None:
    """Total runout of one swing a turn and of the rest, where the swing is nearly all of it [mm]."""
    line = problem.lateral
    if not line.known or line.reading_before_mm <= line.tolerance_mm:
        return None
    angle = np.radians(wheel.spoke_angles_deg[np.isfinite(readings.lateral_mm)])
    design = np.column_stack([np.ones_like(angle), np.cos(angle), np.sin(angle)])
    factors = np.linalg.lstsq(design, line.start_mm, rcond=None)[0]
    left = line.start_mm - design @ factors
    if left @ left > (1 - TILT_SHARE) * np.sum((line.start_mm - line.start_mm.mean()) ** 2):
        return None
    return 2 * float(np.hypot(*factors[1:])), float(np.ptp(left))


def _lost_spoke(
    readings: Readings, wheel: Wheel, influence: Influence, problem: Problem, *, plain: bool
) -> int | None:
    """Index of the one spoke that looks as if it had lost its tension, plainly or perhaps; None for none."""
    if not problem.tension_known and problem.lateral.known and problem.radial.known:
        return _stands_apart(readings, wheel, influence, problem, APART_PLAIN if plain else APART_LIKELIER)
    share = SINGLE_PLAIN if plain else SINGLE_SHARE
    return _all_of_it(readings, wheel, influence, problem, share)


def _stands_apart(
    readings: Readings, wheel: Wheel, influence: Influence, problem: Problem, likelier: float
) -> int | None:
    """Index of the spoke whose loss of tension makes both runouts so much likelier, whatever else is out of true."""
    apart = turned_apart(readings, problem.tension_n, influence, flange_spokes(wheel))
    loss = -apart.turns * np.diag(influence.tension_n) / problem.tension_n
    gain = np.where(loss >= SINGLE_LOSS, apart.likelier, 0.0)
    spoke = int(np.argmax(gain))
    return spoke if gain[spoke] >= likelier else None


def _all_of_it(
    readings: Readings, wheel: Wheel, influence: Influence, problem: Problem, share: float
) -> int | None:
    """Index of the one spoke whose loss of tension would explain this share of the lateral runout."""
    line = problem.lateral
    read = np.isfinite(readings.lateral_mm)
    if not line.known or line.reading_before_mm <= line.tolerance_mm:
        return None
    runout = line.start_mm - line.start_mm.mean()
    columns = influence.lateral_mm[read] - influence.lateral_mm[read].mean(axis=0)
    turns = (columns.T @ runout) / (columns**2).sum(axis=0)
    left = ((runout[:, None] - columns * turns) ** 2).sum(axis=0)
    spoke = int(np.argmin(left))
    loss = -turns[spoke] * influence.tension_n[spoke, spoke]
    if problem.tension_known:
        loss = float(side_means(problem.tension_n, wheel)[spoke] - problem.tension_n[spoke])
    if left[spoke] > (1 - share) * (runout @ runout) or loss < SINGLE_LOSS * problem.tension_n[spoke]:
        return None
    return spoke


def _flat_spot(readings: Readings, wheel: Wheel, problem: Problem) -> str | None:
    """Tell a short inward dip in a rim that is round otherwise, unless its spokes pull it in."""
    line = problem.radial
    if not line.known:
        return None
    spokes = np.flatnonzero(np.isfinite(readings.radial_mm))
    off = line.start_mm - np.median(line.start_mm)
    depth = -float(off.min())
    dip = _about_lowest(off, off < -depth / 2)
    shallow = depth < max(FLAT_LEAST_MM, line.tolerance_mm)
    if shallow or dip.mean() > FLAT_WIDEST or off.max() > FLAT_BUMP * depth:
        return None
    dented = spokes[dip]
    if problem.tension_known:
        means = side_means(problem.tension_n, wheel)
        if (problem.tension_n[dented] / means[dented]).mean() > 1 + PULLED_IN:
            return None
    first, last = _ends(dented, len(wheel.flanges))
    where = f"spoke {first + 1}" if first == last else f"spokes {first + 1} to {last + 1}"
    return (
        f"the rim has a flat spot at {where}, {depth:.2f} mm deep, and is round otherwise:"
        " that looks like a knock. Spokes can hardly push a rim out, and loosening them there would leave them "
        "slack. Look for a dent or cracks; a mechanic will tell whether the rim can be saved. If it is sound, "
        "plan with --checked rim."
    )


def _about_lowest(off: FloatArray, low: BoolArray) -> BoolArray:
    """Keep of the low places those that hang together with the lowest, round the rim."""
    kept = np.zeros_like(low)
    lowest = int(np.argmin(off))
    for way in (1, -1):
        place = lowest
        while low[place] and not (kept[place] and place != lowest):
            kept[place] = True
            place = (place + way) % len(low)
    return kept


def _ends(dented: IntArray, spokes: int) -> tuple[int, int]:
    """First and last spoke of a stretch, which may lie across the valve."""
    apart = np.diff(np.append(dented, dented[0] + spokes))
    last = int(np.argmax(apart))
    return int(dented[(last + 1) % len(dented)]), int(dented[last])
