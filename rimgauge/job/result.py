"""What a measurement came to, in a few fields: enough to list and order jobs without reading every measurement."""

from __future__ import annotations

import contextlib
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from rimgauge.errors import BadFile
from rimgauge.records import Direction, Outcome, record

from .pass_file import read_pass
from .reader import Reader


@record
class Result:
    """What one measurement came to: enough to list jobs without reading every measurement.

    source_sha256: of the film; '' of a live camera, None where an older manifest doesn't say.
    """

    file: str
    direction: Direction
    created: str
    total_runout_mm: float
    expanded_uncertainty_mm: float
    tolerance_mm: float
    outcome: Outcome
    source_sha256: str | None


def completed(known: Result | None, path: Path) -> Result | None:
    """Take what is known of a measurement, with what an older manifest doesn't say; None where nothing is known."""
    if known is None:
        return summed_up_if_readable(path)
    if known.source_sha256 is not None:
        return known
    again = summed_up_if_readable(path)
    if again is None or result_fields(replace(again, source_sha256=None)) != result_fields(known):
        return known
    return again


def summed_up_if_readable(path: Path) -> Result | None:
    """Sum a measurement up; None where it can't be read."""
    with contextlib.suppress(BadFile):
        return summed_up(path)
    return None


def summed_up(path: Path) -> Result:
    """Sum a measurement up.

    Raises
    ------
    BadFile
        It can't be read.

    """
    runout = read_pass(path)
    return Result(
        file=path.name,
        direction=runout.direction,
        created=runout.created,
        total_runout_mm=runout.total_runout.value,
        expanded_uncertainty_mm=runout.total_runout.expanded_uncertainty,
        tolerance_mm=runout.verdict.tolerance_mm,
        outcome=runout.verdict.outcome,
        source_sha256=runout.source.sha256,
    )


def result_fields(result: Result) -> dict[str, Any]:
    """List the fields of a result as they stand in the file."""
    values = ((field.name, getattr(result, field.name)) for field in fields(result))
    return {name: value for name, value in values if value is not None}


def parse_results(manifest: Reader) -> tuple[str, tuple[Result, ...]]:
    """Read a manifest's name of the wheel and its results; the rest is left alone."""
    directions: tuple[Direction, ...] = ("lateral", "radial")
    outcomes: tuple[Outcome, ...] = ("within", "out", "undecided")
    return manifest["name"].text(), tuple(
        Result(
            file=item["file"].text(),
            direction=item["direction"].choice(*directions),
            created=item["created"].text(),
            total_runout_mm=item["total_runout_mm"].number(least=0),
            expanded_uncertainty_mm=item["expanded_uncertainty_mm"].number(least=0),
            tolerance_mm=item["tolerance_mm"].number(above=0),
            outcome=item["outcome"].choice(*outcomes),
            source_sha256=source.text() if (source := item.get("source_sha256")) else None,
        )
        for item in manifest["results"].items()
    )
