"""The plain line on top never claims more than was measured."""

from datetime import UTC, datetime

import pytest

from rimgauge.report.words import CAUTIONS, date_words, headline, measured_words, moment, overall


def sized(runout, value, **settings):
    """Return a runout whose total is exactly `value` mm."""
    return runout(value / runout(1.0).total_runout.value, **settings)


@pytest.mark.parametrize(
    ("value", "line"),
    [
        (0.26, "Runs true within 0.30 mm (tolerance 0.50 mm)"),
        (0.262, "Runs true within 0.31 mm (tolerance 0.50 mm)"),  # 0.302 is not within 0.30
        (0.45, "Runs true within 0.49 mm (tolerance 0.50 mm)"),
        (0.48, "Too close to call: between 0.44 and 0.52 mm (tolerance 0.50 mm)"),
        (1.018, "Not true: runs out by at least 0.97 mm (tolerance 0.50 mm)"),
    ],
)
def test_headline_takes_the_uncertainty_to_the_cautious_side(runout, value, line):
    assert headline((sized(runout, value),)) == line


def test_one_direction_out_makes_the_wheel_out(runout):
    good, bad = sized(runout, 0.2), sized(runout, 0.9, direction="radial")
    assert overall((good, bad)) == "out"
    assert headline((good, bad)) == "Not true: runs out by at least 0.86 mm radial (tolerance 0.50 mm)"


def test_an_undecided_direction_keeps_the_wheel_from_passing(runout):
    assert overall((sized(runout, 0.2), sized(runout, 0.49, direction="radial"))) == "undecided"


def test_different_limits_are_both_named(runout):
    both = (sized(runout, 0.2), sized(runout, 0.3, direction="radial", tolerance_mm=0.8))
    assert (
        headline(both) == "Runs true within 0.24 mm lateral and 0.34 mm radial (tolerances 0.50 and 0.80 mm)"
    )


def test_what_was_not_measured_is_said(runout):
    assert measured_words((runout(),)).endswith("Radial runout was not measured.")
    assert "not measured" not in measured_words((runout(), runout(direction="radial")))


def test_dates_are_the_same_in_every_language():
    assert date_words("2026-01-31T12:05:00+00:00") == "31 January 2026, 12:05 UTC"
    assert date_words("2026-06-01T08:00:00+02:00") == "1 June 2026, 08:00 UTC+02:00"


def test_a_time_without_a_zone_is_taken_as_utc():
    assert moment("2026-01-31T12:00:00") == datetime(2026, 1, 31, 12, tzinfo=UTC)


def test_the_usual_cautions_defer_to_maker_rules_and_mechanic():
    said = " ".join(CAUTIONS)
    for word in ("maker", "local rules", "qualified mechanic"):
        assert word in said
