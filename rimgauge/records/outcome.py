"""One verdict over several measurements of a wheel."""

from __future__ import annotations

from collections.abc import Collection

from rimgauge.records.base import Outcome

_RANK: dict[Outcome, int] = {"within": 0, "undecided": 1, "out": 2}


def overall(outcomes: Collection[Outcome]) -> Outcome | None:
    """Give the verdict over all directions: out if any is out, within only if all are; None for none."""
    return max(outcomes, key=lambda outcome: _RANK[outcome], default=None)


def as_it_stands(measured: Collection[Outcome], before_plan: Collection[Outcome]) -> Outcome | None:
    """Give the verdict over what was measured since corrections were planned; None where nothing was.

    before_plan: of directions that weren't measured since. Where one was out or undecided then, whether the corrections
    mended it nobody saw: it takes a measurement to end that.
    """
    found = overall(measured)
    open_still = any(outcome != "within" for outcome in before_plan)
    return "undecided" if found == "within" and open_still else found
