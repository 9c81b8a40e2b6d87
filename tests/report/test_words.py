"""The plain line on top never claims more than was measured."""

import math
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from rimgauge.records import Scale
from rimgauge.report.comparison import Comparison, Evidence
from rimgauge.report.html import evidence_html
from rimgauge.report.words import (
    CAUTIONS,
    date_words,
    evidence_headline,
    evidence_outcome,
    headline,
    how_lines,
    measured_words,
    moment,
    result_rows,
    tension_words,
)


def sized(runout, value, **settings):
    """Return a runout whose total is exactly `value` mm."""
    return runout(value / runout(1.0).total_runout.value, **settings)


@pytest.mark.parametrize(
    ("value", "line"),
    [
        (0.26, "Runs true sideways: at most 0.30 mm (tolerance 0.50 mm)"),
        (0.262, "Runs true sideways: at most 0.31 mm (tolerance 0.50 mm)"),  # 0.302 is not within 0.30
        (0.45, "Runs true sideways: at most 0.49 mm (tolerance 0.50 mm)"),
        (0.48, "Too close to call: between 0.44 and 0.52 mm (tolerance 0.50 mm)"),
        (1.018, "Not true: runs out by at least 0.97 mm (tolerance 0.50 mm)"),
    ],
)
def test_headline_takes_the_uncertainty_to_the_cautious_side(runout, value, line):
    assert headline((sized(runout, value),)) == line


def test_one_direction_out_makes_the_wheel_out(runout):
    good, bad = sized(runout, 0.2), sized(runout, 0.9, direction="radial")
    assert evidence_outcome(shown(Comparison(after=good), Comparison(after=bad))) == "out"
    assert headline((good, bad)) == "Not true: runs out by at least 0.86 mm radial (tolerance 0.50 mm)"


def test_an_undecided_direction_keeps_the_wheel_from_passing(runout):
    both = sized(runout, 0.2), sized(runout, 0.49, direction="radial")
    assert evidence_outcome(shown(*(Comparison(after=each) for each in both))) == "undecided"


def test_different_limits_are_both_named(runout):
    both = (sized(runout, 0.2), sized(runout, 0.3, direction="radial", tolerance_mm=0.8))
    assert (
        headline(both)
        == "Runs true: at most 0.24 mm lateral and 0.34 mm radial (tolerances 0.50 and 0.80 mm)"
    )


def shown(*comparisons):
    return Evidence(wheel_name="", comparisons=comparisons, fingerprint="", software="")


def test_what_was_not_measured_is_said(runout):
    lateral, radial = Comparison(after=runout(0.2)), Comparison(after=runout(1.0, direction="radial"))
    assert measured_words(shown(lateral)).endswith(
        "Radial runout and dish (the rim's middle) were not measured."
    )
    both = shown(lateral, radial)
    assert measured_words(both).endswith("Dish (the rim's middle) was not measured.")
    assert "not measured" not in measured_words(replace(both, facts=(("Dish", "0.1 mm to the right"),)))


@pytest.mark.parametrize(
    ("dish", "line"),
    [
        ("within", "Runs true: at most 0.24 mm lateral and 0.24 mm radial (tolerance 0.50 mm)"),
        ("out", "Not true: the rim stands off the hub's middle; at most 0.24 mm lateral and 0.24 mm radial"),
        ("undecided", "Undecided: the rim may stand off the hub's middle; at most 0.24 mm lateral"),
    ],
)
def test_a_rim_off_the_middle_is_not_called_true(runout, dish, line):
    both = (Comparison(after=sized(runout, 0.2, direction=name)) for name in ("lateral", "radial"))
    evidence = replace(shown(*both), dish=dish)
    assert evidence_outcome(evidence) == dish
    assert evidence_headline(evidence).startswith(line)


def test_a_rim_out_of_true_is_called_that_wherever_its_middle_is(runout):
    evidence = replace(shown(Comparison(after=sized(runout, 0.9))), dish="out")
    assert evidence_headline(evidence).startswith("Not true: runs out by at least 0.86 mm")


def test_true_in_one_direction_is_not_called_more(runout):
    assert headline((sized(runout, 0.2, direction="radial"),)).startswith(
        "Runs true up and down: at most 0.24"
    )


SINCE = "not measured since the corrections were planned"
MAY_BE = "which may not have been made"


@pytest.mark.parametrize(
    ("now", "before", "outcome", "line"),
    [
        (
            *(0.25, 1.0, "undecided"),
            f"Undecided: radial runout was out and {SINCE}, {MAY_BE}; at most 0.29 mm lateral (tolerance 0.50 mm)",
        ),
        (
            *(0.25, 0.48, "undecided"),
            f"Undecided: radial runout was undecided and {SINCE}, {MAY_BE}; at most 0.29 mm lateral (tolerance 0.50 mm)",
        ),
        (
            *(0.25, 0.2, "within"),
            f"Runs true sideways: at most 0.29 mm (tolerance 0.50 mm); radial runout was {SINCE}",
        ),
        (
            *(1.0, 0.2, "out"),
            f"Not true: runs out by at least 0.96 mm lateral (tolerance 0.50 mm); radial runout was {SINCE}",
        ),
    ],
)
def test_what_was_measured_only_before_the_plan_makes_no_wheel_true(runout, now, before, outcome, line):
    old = Comparison(after=sized(runout, before, direction="radial"), planned_since=True)
    evidence = shown(Comparison(after=sized(runout, now)), old)
    assert evidence_outcome(evidence) == outcome
    assert evidence_headline(evidence) == line
    unknown = f"Radial runout was {SINCE}, only before; whether they were made is not recorded."
    assert unknown in measured_words(evidence)
    assert f'<h1 class="{outcome}">{line}</h1>' in evidence_html(evidence)


def test_each_measurement_has_a_row_with_its_own_tolerance(runout):
    sizes = (1.4, 0.3, 0.8)
    first, between, last = (runout(size, tolerance_mm=0.5 + size / 10) for size in sizes)
    comparison = Comparison(
        before=first, between=(between,), after=last, when=("before round 1", "after round 1", "")
    )
    rows = result_rows(shown(comparison))
    assert [row[1] for row in rows[1:]] == [
        *("31 Jan 2026 12:00, before round 1", "31 Jan 2026 12:00, after round 1", "31 Jan 2026 12:00")
    ]
    assert [row[3] for row in rows[1:]] == ["0.64 mm", "0.53 mm", "0.58 mm"]
    many = Comparison(before=first, between=(between, between, between), after=last)
    assert [row[1] for row in result_rows(shown(many), most=4)][1:] == [
        *("31 Jan 2026 12:00", "and 2 more in between", "31 Jan 2026 12:00", "31 Jan 2026 12:00")
    ]


def test_the_scale_and_its_share_are_of_the_stated_probability(runout):
    scale = Scale(mm_per_px=0.1, standard_uncertainty_mm_per_px=0.0002, method="checkerboard")
    # 1.96 times 0.2 %: the factor of a normal distribution for 95 %.
    assert "(± 0.4%)" in how_lines(Comparison(after=runout(), scale=scale))[1]


def test_dates_are_the_same_in_every_language():
    assert date_words("2026-01-31T12:05:00+00:00") == "31 January 2026, 12:05 UTC"
    assert date_words("2026-06-01T08:00:00+02:00") == "1 June 2026, 08:00 UTC+02:00"


def test_a_time_without_a_zone_is_taken_as_utc():
    assert moment("2026-01-31T12:00:00") == datetime(2026, 1, 31, 12, tzinfo=UTC)


def test_the_usual_cautions_defer_to_maker_rules_and_mechanic():
    said = " ".join(CAUTIONS)
    for word in ("maker", "local rules", "qualified mechanic"):
        assert word in said


def test_what_repeats_is_told_only_after_more_than_one_revolution(runout):
    measured = runout(1.0, sides=2)
    once, twice = (replace(measured.sides[0], non_repeatable_mm=mm) for mm in (math.nan, 0.03))
    told = how_lines(Comparison(after=replace(measured, sides=(once, twice))))
    assert "Part that did not repeat each revolution: 0.03 mm." in told
    told = how_lines(Comparison(after=replace(measured, sides=(once, once))))
    assert "nan" not in " ".join(told)
    assert any("went round only once" in line for line in told)


def test_nothing_runs_out_by_less_than_nothing(runout):
    assert headline((sized(runout, 0.02, tolerance_mm=0.05),)) == (
        "Too close to call: between 0.00 and 0.06 mm (tolerance 0.05 mm)"
    )


def test_the_spread_of_tension_is_that_of_the_spoke_farthest_off_whichever_way():
    told = tension_words(np.array([1000.0, 900.0, 1100.0, np.nan, 600.0, 900.0]), ("right", "left") * 3)
    assert told == (
        "right side 900 N, each spoke within 33% of it; left side 900 N, each spoke within 0% of it; "
        "highest 1100 N at spoke 3; 1 spoke not read"
    )


def test_times_of_several_zones_stand_in_one_that_is_named(runout):
    """Handed over in one zone, measured again in another: beside one another their clocks would be out of order."""
    made = ("2026-11-27T14:08:00+00:00", "2026-11-27T19:45:00+05:30", "2026-11-27T15:00:00+00:00")
    first, second, last = (runout(0.3, created=created) for created in made)
    one = Evidence(
        wheel_name="x",
        comparisons=(Comparison(before=first, between=(second,), after=last),),
        fingerprint="",
        software="",
    )
    assert [row[1] for row in result_rows(one)] == [
        "Measured, UTC",
        "27 Nov 2026 14:08",
        "27 Nov 2026 14:15",
        "27 Nov 2026 15:00",
    ]
    alone = replace(one, comparisons=(Comparison(after=second),))
    assert [row[1] for row in result_rows(alone)] == ["Measured", "27 Nov 2026 19:45"]
