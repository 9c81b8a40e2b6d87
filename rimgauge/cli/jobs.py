"""rimgauge jobs: list and find past jobs, with totals by month."""

from __future__ import annotations

import re
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rimgauge.cli.common import PATH, complain, folded, json_option, print_json
from rimgauge.errors import BadInput

if TYPE_CHECKING:
    from rimgauge.job import Month, PastJob, Result
    from rimgauge.records import Outcome


@click.command()
@click.argument("folder", required=False, type=PATH)
@click.option("--find", default="", help="Only jobs whose wheel or folder has this in its name.")
@click.option("--from", "since", metavar="DATE", help="Only jobs last measured on or after this date.")
@click.option("--to", "until", metavar="DATE", help="Only jobs last measured on or before this date.")
@click.option(
    "--verdict",
    type=click.Choice(["within", "out", "undecided"]),
    help="Only jobs whose last measurements came to this.",
)
@json_option
def command(
    *,
    folder: Path | None,
    find: str,
    since: str | None,
    until: str | None,
    verdict: Outcome | None,
    as_json: bool,
) -> None:
    """List and find past jobs, with totals by month.

    Looks for jobs in FOLDER and in the folders in it; left out: here. Each is listed with the day of its last
    measurement, the total runout it came in with and the one it has now, in mm, and the verdict. A DATE is a
    year, a month or a day: 2026, 2026-01 or 2026-01-31.
    A copy of a job's folder is counted once. The list is what each job's manifest says. Measurements that are
    gone or of another size than recorded are marked; changes that keep the size are found by `rimgauge verify`
    alone.

    Example:  rimgauge jobs workshop --from 2026-01 --verdict out
    """
    from rimgauge.job import by_month, without_copies

    for option, date in (("--from", since), ("--to", until)):
        if date is not None and not re.fullmatch(r"\d{4}(-\d\d(-\d\d)?)?", date):
            raise BadInput(f"{option} must be like 2026, 2026-01 or 2026-01-31, not {date}")
    place = folder or Path()
    known, troubles = _known(place)
    found = [job for job in known if _wanted(job, place, find, since, until, verdict)]
    counted = without_copies(found)
    months = by_month(counted)
    if as_json:
        print_json(
            {
                "jobs": [_fields(job) for job in found],
                "months": [asdict(month) for month in months],
                "troubles": troubles,
            }
        )
        return
    if not found:
        click.echo(f"No job {'like that ' if find or since or until or verdict else ''}in {place.resolve()}.")
    else:
        click.echo("\n".join([*_lines(found, counted, place), "", *_totals(counted, months)]))
    for trouble in troubles:
        complain(f"Not listed: {trouble}")


def _known(place: Path) -> tuple[list[PastJob], list[str]]:
    """All jobs below a folder, by the day they were last measured, and what is wrong with those that can't be read."""
    from rimgauge.errors import BadFile
    from rimgauge.job import past_jobs

    jobs: list[PastJob] = []
    troubles: list[str] = []
    for job in past_jobs(place):
        if isinstance(job, BadFile):
            troubles.append(str(job))
        else:
            jobs.append(job)
    return sorted(jobs, key=lambda job: (job.measured_on, str(job.folder))), troubles


def _wanted(
    job: PastJob, place: Path, find: str, since: str | None, until: str | None, verdict: Outcome | None
) -> bool:
    """Tell whether a job fits what was asked for."""
    names = f"{job.name}\n{_shown(job.folder, place)}".casefold()
    return (
        find.casefold() in names
        and (verdict is None or job.now == verdict)
        and (since is None or job.measured_on[: len(since)] >= since)
        and (until is None or "" < job.measured_on[: len(until)] <= until)
    )


def _shown(folder: Path, place: Path) -> str:
    """Name a job's folder the way it is reached from the folder that was searched."""
    inside = folder.relative_to(place).as_posix()
    return folder.resolve().name if inside == "." else inside


def _lines(found: list[PastJob], counted: tuple[PastJob, ...], place: Path) -> list[str]:
    twins = {job.identity: job for job in counted}
    lines = ["last measured  came in, mm      now, mm          wheel (folder)"]
    for job in found:
        shown = _shown(job.folder, place)
        name = job.name if job.name in ("", shown) else f"{job.name} ({shown})"
        columns = f"{job.measured_on or 'not yet':<13}  {_worst(job.first):<15}  {_now(job):<15}  "
        lines.append(folded(name or shown, columns))
        twin = twins[job.identity]
        if twin is not job:
            lines.append(folded(f"a copy of {_shown(twin.folder, place)}, counted once", "  ! "))
        for result in job.before_plan:
            was = f"{result.direction} was {result.total_runout_mm:.2f} mm, {result.outcome}"
            lines.append(folded(f"{was}, and not measured since the corrections were planned", "  ! "))
        if job.changed:
            lines.append(
                folded(f"not as recorded: {', '.join(job.changed)}; rimgauge verify tells more", "  ! ")
            )
    return lines


def _worst(results: tuple[Result, ...]) -> str:
    """Say the runout that decides, with the verdict: 1.60 out."""
    if not results:
        return "–"
    worst = max(results, key=lambda result: result.total_runout_mm / result.tolerance_mm)
    return f"{worst.total_runout_mm:.2f} {worst.outcome}"


def _now(job: PastJob) -> str:
    """Say the runout that decides now; undecided alone where that was not measured since a plan."""
    decided = job.now is None or any(result.outcome == job.now for result in job.last)
    return _worst(job.last) if decided else "undecided"


def _totals(counted: tuple[PastJob, ...], months: tuple[Month, ...]) -> list[str]:
    lines = [
        "         came in                        last measured",
        "month    within     out  undecided      within     out  undecided",
    ]
    for month in months:
        came_in_within = month.came_in - month.came_in_out - month.came_in_undecided
        last_measured_out = month.last_measured - month.last_measured_within - month.last_measured_undecided
        lines.append(
            f"{month.month}  {came_in_within:6d}  {month.came_in_out:6d}  {month.came_in_undecided:9d}      "
            f"{month.last_measured_within:6d}  {last_measured_out:6d}  {month.last_measured_undecided:9d}"
        )
    count = "1 job" if len(counted) == 1 else f"{len(counted)} jobs"
    at_first, now = _counts([job.came_in for job in counted]), _counts([job.now for job in counted])
    return [*lines, folded(f"{count}. At first {at_first}; now {now}.")]


def _counts(outcomes: list[Outcome | None]) -> str:
    """Say how many came to what: every job is in one of the numbers."""
    known: tuple[Outcome, ...] = ("within", "out", "undecided")
    words = [f"{outcomes.count(outcome)} {outcome}" for outcome in known]
    unmeasured = outcomes.count(None)
    return ", ".join([*words, *([f"{unmeasured} not yet measured"] if unmeasured else [])])


def _fields(job: PastJob) -> dict[str, object]:
    from rimgauge.job import result_fields

    return {
        "folder": str(job.folder),
        "name": job.name,
        "came_in": job.came_in,
        "came_in_on": job.came_in_on or None,
        "now": job.now,
        "measured_on": job.measured_on or None,
        "first": [result_fields(result) for result in job.first],
        "last": [result_fields(result) for result in job.last],
        "before_plan": [result_fields(result) for result in job.before_plan],
        "changed": list(job.changed),
    }
