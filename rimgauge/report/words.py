"""What a page says in words: the plain line on top, the verdict, dates and cautions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime
from statistics import NormalDist

import numpy as np

from rimgauge.records import Direction, Flange, FloatArray, Outcome, Runout, as_it_stands, overall
from rimgauge.report.comparison import Comparison, Evidence

CAUTIONS = (
    "A wheel that runs true is not for that reason a safe wheel. Cracks, worn rims, loose bearings and "
    "spoke tension were not judged here unless the page says so.",
    "The limits of the wheel's maker and local rules come before the tolerance used here.",
    "Have a qualified mechanic check the wheel before it is ridden, and again after the first ride: "
    "spokes settle.",
    "The result holds for the rim at the pointer, on the day and in the state in which it was measured.",
)

_MONTHS = (  # written out, so that the words don't depend on the computer's language
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)


def _outcomes(runouts: Sequence[Runout]) -> list[Outcome]:
    return [each.verdict.outcome for each in runouts]


def judged(evidence: Evidence) -> tuple[Runout, ...]:
    """Return what is known of the wheel as it is: the newest measurement of each direction made since the plan."""
    return tuple(each.after for each in evidence.comparisons if not each.planned_since)


def _not_since(evidence: Evidence) -> tuple[Runout, ...]:
    """Return the newest measurement of each direction that was not measured since corrections were planned."""
    return tuple(each.after for each in evidence.comparisons if each.planned_since)


def evidence_outcome(evidence: Evidence) -> Outcome:
    """Return the verdict over all directions, and the dish where it is known, as the wheel stands.

    At least one direction was measured since the plan.
    """
    found = as_it_stands(_outcomes(judged(evidence)), _outcomes(_not_since(evidence)))
    assert found is not None
    return found if evidence.dish is None else overall((found, evidence.dish)) or found


def evidence_headline(evidence: Evidence) -> str:
    """Say in one line how true the wheel runs, as its newest measurements say, and what they don't say."""
    told = judged(evidence)
    line = headline(told, named=len(evidence.comparisons) > 1)
    unseen = "not measured since the corrections were planned"
    old = _not_since(evidence)
    if evidence.dish in ("out", "undecided") and evidence_outcome(evidence) != as_it_stands(
        _outcomes(told), _outcomes(old)
    ):
        line = f"{_OFF_THE_MIDDLE[evidence.dish]}; {_at_most_each(told, named=True)}"
    elif evidence_outcome(evidence) != overall(_outcomes(told)):
        may_be = f"{unseen}, which may not have been made"
        was = [f"{each.direction} runout was {each.verdict.outcome} and {may_be}" for each in old]
        return f"Undecided: {'; '.join(was)}; {_at_most_each(told, named=True)}"
    return "; ".join([line, *(f"{each.direction} runout was {unseen}" for each in old)])


_OFF_THE_MIDDLE: dict[Outcome, str] = {
    "out": "Not true: the rim stands off the hub's middle",
    "undecided": "Undecided: the rim may stand off the hub's middle",
}
_WAYS: dict[Direction, str] = {"lateral": " sideways", "radial": " up and down"}


def headline(runouts: tuple[Runout, ...], *, named: bool = False) -> str:
    """Say in one line, for a person who never heard of runout, how true the wheel runs.

    named: say of which direction each figure is, even of one. True in one direction alone is said to be that, no more.

    Where it runs true the figure includes the uncertainty and is rounded up; where it does not, the figure is
    what it runs out by at least, rounded down.
    """
    outcome = overall(_outcomes(runouts))
    deciding = [each for each in runouts if each.verdict.outcome == outcome]
    named = named or len(runouts) > 1
    kind = {each.direction: f" {each.direction}" if named else "" for each in runouts}
    if outcome == "within":
        way = "" if len(runouts) > 1 else _WAYS[runouts[0].direction]
        return f"Runs true{way}: {_at_most_each(runouts, named=len(runouts) > 1)}"
    if outcome == "out":
        figures = [f"{_at_least(each):.2f} mm{kind[each.direction]}" for each in deciding]
        return f"Not true: runs out by at least {' and '.join(figures)} ({_tolerances(deciding)})"
    figures = [
        f"between {_at_least(each):.2f} and {_at_most(each):.2f} mm{kind[each.direction]}"
        for each in deciding
    ]
    return f"Too close to call: {', '.join(figures)} ({_tolerances(deciding)})"


def _at_most_each(runouts: tuple[Runout, ...], *, named: bool) -> str:
    figures = [f"{_at_most(each):.2f} mm{f' {each.direction}' if named else ''}" for each in runouts]
    return f"at most {' and '.join(figures)} ({_tolerances(runouts)})"


def _at_most(runout: Runout) -> float:
    high = runout.total_runout.value + runout.total_runout.expanded_uncertainty
    return math.ceil(round(high * 100, 6)) / 100


def _at_least(runout: Runout) -> float:
    low = runout.total_runout.value - runout.total_runout.expanded_uncertainty
    return max(math.floor(round(low * 100, 6)) / 100, 0.0)


def _tolerances(runouts: Sequence[Runout]) -> str:
    held = list(dict.fromkeys(f"{each.verdict.tolerance_mm:.2f}" for each in runouts))
    return f"tolerance{'s' if len(held) > 1 else ''} {' and '.join(held)} mm"


def measured_words(evidence: Evidence) -> str:
    """Say what was measured, and what wasn't, or not since corrections were planned."""
    done = {each.direction for each in judged(evidence)}
    old = {each.direction for each in _not_since(evidence)}
    meaning = {
        "lateral": "lateral runout (the rim's way from side to side)",
        "radial": "radial runout (up and down)",
    }
    said = "Measured: " + " and ".join(meaning[name] for name in ("lateral", "radial") if name in done) + "."
    unseen = [name for name in ("lateral", "radial") if name not in done | old]
    for name in ("lateral", "radial"):
        if name in old:
            said += (
                f" {name.capitalize()} runout was not measured since the corrections were planned, only before; whether "
                "they were made is not recorded."
            )
    missing = [f"{name} runout" for name in unseen]
    missing += [] if any(name == "Dish" for name, _ in evidence.facts) else ["dish (the rim's middle)"]
    if not missing:
        return said
    words = " and ".join(missing)
    return f"{said} {words[0].upper()}{words[1:]} {'were' if len(missing) > 1 else 'was'} not measured."


def amount(runout: Runout) -> str:
    """Write the total runout with its expanded uncertainty [mm].

    To a thousandth, so that both together are what the plain line on top rounds to a hundredth.
    """
    return f"{runout.total_runout.value:.3f} ± {runout.total_runout.expanded_uncertainty:.3f} mm"


def moment(created: str) -> datetime:
    """Read a record's time; one without a zone is taken as UTC."""
    when = datetime.fromisoformat(created)
    return when if when.tzinfo else when.replace(tzinfo=UTC)


def newest(runouts: Sequence[Runout]) -> Runout:
    """Return the one that was made last by the computer's clock."""
    return max(runouts, key=lambda each: moment(each.created))


def date_words(created: str) -> str:
    """Write a record's time in full, in its own zone, the same in every locale."""
    when = moment(created)
    return f"{when.day} {_MONTHS[when.month - 1]} {when.year}, {when:%H:%M} {_zone(when)}"


def _zone(when: datetime) -> str:
    offset = when.strftime("%z")
    return "UTC" if offset == "+0000" else f"UTC{offset[:3]}:{offset[3:]}"


def short_dates(runouts: Sequence[Runout]) -> list[str]:
    """Write the times of measurements that stand together short, all in the zone of the newest: 31 Jan 2026 12:00."""
    zone = moment(newest(runouts).created).tzinfo
    times = [moment(each.created).astimezone(zone) for each in runouts]
    return [f"{when.day} {_MONTHS[when.month - 1][:3]} {when.year} {when:%H:%M}" for when in times]


def _when_measured(runouts: Sequence[Runout]) -> str:
    """Head the times of measurements, with their zone where they were made in several."""
    several = len({moment(each.created).utcoffset() for each in runouts}) > 1
    return f"Measured, {_zone(moment(newest(runouts).created))}" if several else "Measured"


def result_rows(evidence: Evidence, *, most: int | None = None) -> list[tuple[str, ...]]:
    """Give the rows of the table of results, its heading first: each measurement, oldest first.

    most: so many rows of a direction at most, three or more: the first and the newest.
    """
    every = [runout for each in evidence.comparisons for runout, _ in each.rows]
    rows: list[tuple[str, ...]] = [("", _when_measured(every), "Total runout", "Tolerance")]
    dates = iter(short_dates(every))
    for each in evidence.comparisons:
        told = [
            (
                ", ".join(filter(None, (next(dates), when))),
                f"{amount(runout)}, {runout.verdict.outcome}",
                f"{runout.verdict.tolerance_mm:.2f} mm",
            )
            for runout, when in each.rows
        ]
        if most is not None and len(told) > most:
            left = len(told) - most + 1
            told = [told[0], (f"and {left} more in between", "–", "–"), *told[left + 1 :]]
        name = f"{each.after.direction.capitalize()} runout"
        rows += [(name if number == 0 else "", *row) for number, row in enumerate(told)]
    return rows


def meaning_words(runout: Runout) -> str:
    """Say what total runout and the figure after ± are."""
    return (
        "Total runout is the largest reading minus the smallest over one revolution; ± is the expanded "
        f"uncertainty, which covers the true value with {runout.total_runout.coverage_probability:.0%} "
        "probability."
    )


def how_lines(comparison: Comparison) -> list[str]:
    """Say how the result of one direction came about."""
    after, scale = comparison.after, comparison.scale
    source = after.source
    films = {"frames": "folder", "video": "video"}
    frames = "frame" if source.frames == 1 else "frames"
    lines = [
        f"{source.used} of {source.frames} {frames} used, over {after.revolutions:.1f} revolutions; "
        f"from the {films.get(source.kind, source.kind)} {short(source.name, 40)!r}.",
    ]
    if scale is not None:
        factor = NormalDist().inv_cdf((1.0 + after.total_runout.coverage_probability) / 2.0)
        share = factor * scale.standard_uncertainty_mm_per_px / scale.mm_per_px
        lines.append(
            f"Scale: {scale.mm_per_px:.4f} mm a pixel (± {share:.1%}), by {short(scale.method, 40)}."
        )
    loose = [side.non_repeatable_mm for side in after.sides if not math.isnan(side.non_repeatable_mm)]
    lines.append(
        f"Part that did not repeat each revolution: {max(loose):.2f} mm."
        if loose
        else "Whether it repeats each revolution can't be told: the wheel went round only once."
    )
    before = comparison.before
    back = before is not None and moment(after.created) < moment(before.created)
    if back and not comparison.measured_again:
        lines.append(
            "By the computer's clock this was before the first measurement; its order here is that of the record."
        )
    return lines


def tension_words(tension_n: FloatArray, flanges: tuple[Flange, ...]) -> str:
    """Say mean and spread of the spokes' tension (s,) [N] side by side, NaN where a spoke was not read."""
    read = np.isfinite(tension_n)
    said = []
    for side in ("right", "left"):
        here = read & np.array([flange == side for flange in flanges])
        if here.any():
            values = tension_n[here]
            spread = float(np.abs(values / values.mean() - 1.0).max())
            said.append(f"{side} side {values.mean():.0f} N, each spoke within {spread:.0%} of it")
    tightest = int(np.nanargmax(tension_n))
    count = int((~read).sum())
    unread = f"; {count} spoke{'s' if count > 1 else ''} not read" if count else ""
    return f"{'; '.join(said)}; highest {tension_n[tightest]:.0f} N at spoke {tightest + 1}{unread}"


_SHOWN_MM = 0.0005
"""Less is nothing in a table of thousandths."""


def budget_rows(runout: Runout) -> list[tuple[str, ...]]:
    """Give the rows of the uncertainty budget [mm], its heading first; with the one-sided part where there is one."""
    lines = runout.budget
    if all(line.one_sided_mm < _SHOWN_MM for line in lines):
        plain: list[tuple[str, ...]] = [("Uncertainty from", "standard, mm")]
        return plain + [(line.source, f"{line.standard_uncertainty_mm:.3f}") for line in lines]
    rows: list[tuple[str, ...]] = [("Uncertainty from [mm]", "standard", "one-sided")]
    for line in lines:
        one_sided = f"{line.one_sided_mm:.3f}" if line.one_sided_mm >= _SHOWN_MM else "–"
        rows.append((line.source, f"{line.standard_uncertainty_mm:.3f}", one_sided))
    return rows


def one_sided_words(runout: Runout) -> str:
    """Say what the one-sided part of a line of the budget is; '' where none has one."""
    if all(line.one_sided_mm < _SHOWN_MM for line in runout.budget):
        return ""
    return "One-sided: the part of a line that only ever lowers the reading; the ± has it whole, besides the rest."


def verdict_words(runout: Runout) -> str:
    """Say the verdict and the rule that led to it."""
    return f"{runout.verdict.outcome.capitalize()}. Rule: {runout.verdict.rule}."


def short(words: str, most: int) -> str:
    """Cut words that a person typed to what there is room for."""
    return words if len(words) <= most else words[: most - 1] + "…"
