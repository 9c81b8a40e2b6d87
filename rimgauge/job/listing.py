"""Past jobs in a folder of jobs: what each came in with, what it has now, and totals by month."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from pathlib import Path

from rimgauge.errors import BadFile
from rimgauge.records import Outcome, as_it_stands, overall, record

from . import disk
from .folder import paths_among
from .history import in_order
from .manifest import MANIFEST, recorded_bytes
from .reader import read_json
from .result import Result, completed, parse_results, result_fields


@record
class PastJob:
    """A job as its manifest sums it up.

    first, last: of each direction measured, the first measurement and the last one; of the wheel as it stands, not
    turned round for its dish. Empty before the first. The last one stands in `before_plan` instead where corrections
    were planned since, and only the other direction measured after that.
    changed: names of measurements that are gone, or of another size than recorded.
    started: when the job was.
    """

    folder: Path
    name: str
    first: tuple[Result, ...]
    last: tuple[Result, ...]
    before_plan: tuple[Result, ...]
    changed: tuple[str, ...]
    started: str

    @property
    def identity(self) -> tuple[object, ...]:
        """What a copy of the job's folder has in common with it, and another job has not."""
        if not self.first:
            return (self.folder,)
        return (self.started, *result_fields(self.first[0]).items())

    @property
    def came_in(self) -> Outcome | None:
        """Verdict over the first measurements."""
        return overall([result.outcome for result in self.first])

    @property
    def now(self) -> Outcome | None:
        """Verdict over the last measurements."""
        before_plan = [result.outcome for result in self.before_plan]
        return as_it_stands([result.outcome for result in self.last], before_plan)

    @property
    def came_in_on(self) -> str:
        """Day of the first measurement, YYYY-MM-DD; '' before it."""
        return self.first[0].created[:10] if self.first else ""

    @property
    def measured_on(self) -> str:
        """Day of the last measurement, YYYY-MM-DD; '' before the first."""
        return self.last[-1].created[:10] if self.last else ""


@record
class Month:
    """Totals of a month (YYYY-MM): jobs first measured in it, and jobs last measured in it."""

    month: str
    came_in: int
    came_in_out: int
    came_in_undecided: int
    last_measured: int
    last_measured_within: int
    last_measured_undecided: int


def past_jobs(folder: Path) -> Iterator[PastJob | BadFile]:
    """Find the jobs in a folder and the folders in it, in the order of their paths; folders in a job are not searched.

    A job that can't be read comes as the complaint about it, so that the others are still listed.

    Raises
    ------
    BadFile
        The folder isn't there or can't be read.

    """
    with disk.one_sentence(folder):
        os.listdir(folder)  # os.walk would pass over a folder that isn't there
    for inside, folders, files in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        if MANIFEST in files and "wheel.toml" in files:
            folders.clear()
            try:
                yield _past_job(Path(inside), files)
            except BadFile as trouble:
                yield trouble


def _past_job(folder: Path, files: Iterable[str]) -> PastJob:
    fields = read_json(folder / MANIFEST, "rimgauge-job")
    name, recorded = parse_results(fields)
    by_file = {result.file: result for result in recorded}
    passes, plans, dishes = (paths_among(folder, files, kind) for kind in ("pass", "plan", "dish"))
    results = (completed(by_file.get(path.name), path) for path in passes)
    course = in_order([result for result in results if result is not None], plans, dishes)
    first: dict[str, Result] = {}
    last: dict[str, Result] = {}
    before_plan: dict[str, Result] = {}
    for result in course.straight:
        first.setdefault(result.direction, result)
        for newest in (last, before_plan):
            newest.pop(result.direction, None)
        newest = before_plan if course.planned_since(result.file) else last
        newest[result.direction] = result
    sizes = recorded_bytes(fields, by_file)
    return PastJob(
        folder=folder,
        name=name,
        first=tuple(first.values()),
        last=tuple(last.values()),
        before_plan=tuple(before_plan.values()),
        started=fields["created"].text(),
        changed=tuple(file for file in by_file if _size(folder / file) != sizes.get(file)),
    )


def _size(path: Path) -> int | None:
    """Size of a file in bytes, None where there is none."""
    try:
        return path.stat().st_size
    except OSError:
        return None


def without_copies(jobs: Iterable[PastJob]) -> tuple[PastJob, ...]:
    """Take each job once, however often its folder was copied: the copy that was measured last."""
    found: dict[tuple[object, ...], PastJob] = {}
    for job in jobs:
        other = found.get(job.identity)
        if other is None or job.measured_on > other.measured_on:
            found[job.identity] = job
    return tuple(found.values())


def by_month(jobs: Iterable[PastJob]) -> tuple[Month, ...]:
    """Count what jobs came in as, and what they last measured, month by month."""
    coming: dict[str, list[Outcome | None]] = {}
    latest: dict[str, list[Outcome | None]] = {}
    for job in jobs:
        if job.first:
            coming.setdefault(job.came_in_on[:7], []).append(job.came_in)
            latest.setdefault(job.measured_on[:7], []).append(job.now)
    return tuple(
        Month(
            month=month,
            came_in=len(came := coming.get(month, [])),
            came_in_out=came.count("out"),
            came_in_undecided=came.count("undecided"),
            last_measured=len(last := latest.get(month, [])),
            last_measured_within=last.count("within"),
            last_measured_undecided=last.count("undecided"),
        )
        for month in sorted(coming.keys() | latest.keys())
    )
