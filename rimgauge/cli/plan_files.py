"""What `rimgauge plan` starts from: readings of now, the last round, and which files hold them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from rimgauge.cli.common import shown
from rimgauge.errors import BadFile, BadInput

if TYPE_CHECKING:
    from rimgauge.job import History, Job
    from rimgauge.records import Direction, Plan, Readings, Runout


@dataclass(frozen=True, kw_only=True)
class Files:
    """What was measured, as files; those of the last round where they are named."""

    lateral: Path | None
    radial: Path | None
    readings: Path | None
    tension: Path | None
    centred: bool
    previous: Path | None = None
    previous_readings: Path | None = None

    @property
    def named(self) -> tuple[Path, ...]:
        """All files that were named or found."""
        of_now = (self.lateral, self.radial, self.readings, self.tension)
        found = (*of_now, self.previous, self.previous_readings)
        return tuple(path for path in found if path is not None)

    @property
    def typed(self) -> tuple[Path, ...]:
        """Those that a person wrote."""
        return tuple(path for path in (self.readings, self.tension) if path is not None)

    @property
    def runout_named(self) -> int:
        """So many files of runout were named."""
        return sum(path is not None for path in (self.lateral, self.radial, self.readings))

    def read(self, spokes: int) -> Readings:
        """Read what was measured now into one record."""
        from rimgauge.correcting import readings_from_passes
        from rimgauge.job import read_pass, read_readings

        tension_n = None
        if self.tension is not None:
            tension_n = read_readings(self.tension, spokes, need=("tension_n",)).tension_n
        if self.readings is not None:
            typed = read_readings(self.readings, spokes, centred=self.centred)
            return typed if tension_n is None else replace(typed, tension_n=tension_n)
        return readings_from_passes(
            None if self.lateral is None else read_pass(self.lateral),
            None if self.radial is None else read_pass(self.radial),
            spokes=spokes,
            tension_n=tension_n,
            centred=self.centred,
        )

    def measured(self) -> list[Runout]:
        """Read the measurements among them."""
        from rimgauge.job import read_pass

        return [read_pass(path) for path in (self.lateral, self.radial) if path is not None]

    def read_last(self, spokes: int) -> tuple[Plan, Readings] | None:
        """Read the last round that was named, with what was measured before it, from either kind of file."""
        from rimgauge.job import read_plan

        if self.previous is None or self.previous_readings is None:
            return None
        path = self.previous_readings
        is_pass = path.suffix.lower() == ".json"
        before = Files(
            lateral=path if is_pass else None,
            radial=None,
            readings=None if is_pass else path,
            tension=None,
            centred=self.centred,
        )
        return read_plan(self.previous), before.read(spokes)


@dataclass(frozen=True, kw_only=True)
class Start:
    """Readings of now, their files, the last round with the readings from before it, and the next one's number.

    unseen: directions that were not within their tolerance before the job's last round, and not measured since.
    no_last: why there is no last round, where there is none.
    """

    now: Readings
    files: Files
    last: tuple[Plan, Readings] | None
    round_number: int
    notes: tuple[str, ...] = ()
    unseen: tuple[Direction, ...] = ()
    no_last: str = "no last round is found"

    def only_done(self, done: str) -> Start:
        """Keep of the last round's corrections those that were turned."""
        if self.last is None:
            raise BadInput(f"--done tells what was turned of the last round, but {self.no_last}")
        plan, before = self.last
        spokes = spoke_numbers("--done", done)
        unknown = sorted(spokes - {item.spoke for item in plan.corrections})
        if unknown:
            raise BadInput(
                f"--done names spoke {unknown[0]}, which no step of the last round turns; name spokes, not steps"
            )
        turned = tuple(item for item in plan.corrections if item.spoke in spokes)
        return replace(self, last=(replace(plan, corrections=turned), before))


def checked_wheel(
    files: Files, wheel: Path | None, out: Path | None, job: Job | None, *, explain: int | None
) -> Path:
    """Refuse a set of files that can't be meant, and say which file holds the wheel."""
    if (files.previous is None) != (files.previous_readings is None):
        raise BadInput("--previous and --previous-readings belong together: name both or neither")
    if files.readings is not None and files.runout_named > 1:
        raise BadInput("name either --readings or --lateral and --radial, not both")
    if job is not None:
        return job.wheel
    if files.runout_named == 0:
        raise BadInput(
            "name --lateral or --readings; or, in a job folder (`rimgauge new` starts one), leave out --wheel and --out"
        )
    if wheel is None or (out is None and explain is None):
        raise BadInput("name both --wheel and --out, or, inside a job folder, neither")
    return wheel


def starting_point(files: Files, job: Job | None, spokes: int, *, done: str | None) -> Start:
    """Read the files that were named, and from the job what was not; done: spokes turned, None for all."""
    from rimgauge.job import check_as_recorded, check_none_missing

    if job is not None:
        check_none_missing(job)
    check_as_recorded(files.named)
    if job is not None and (files.runout_named == 0 or files.readings is not None):
        start = _from_job(job, files, spokes)
    else:
        missing = "no last round is named: name its plan with --previous and what that was made on with --previous-readings"
        start = Start(now=files.read(spokes), files=files, last=None, round_number=1, no_last=missing)
    last = files.read_last(spokes)
    if last is not None:
        start = replace(start, last=last, round_number=last[0].round + 1)
    start = start if done is None else start.only_done(done)
    if last is not None:
        _check_measured_since(start)
    return start


def _check_measured_since(start: Start) -> None:
    """Refuse readings of now that are those of before the turns: they say nothing of what was done."""
    import numpy as np

    if start.last is None or not start.last[0].corrections:
        return
    before, now = start.last[1], start.now
    pairs = ((before.lateral_mm, now.lateral_mm), (before.radial_mm, now.radial_mm))
    both = [pair for pair in pairs if all(np.isfinite(runout_mm).any() for runout_mm in pair)]
    if both and all(np.array_equal(*pair, equal_nan=True) for pair in both):
        files = start.files
        named = next(path for path in (files.readings, files.lateral, files.radial) if path is not None)
        raise BadInput(
            f"{named} holds the very readings from before the last round: nothing was turned since, or the wrong file "
            "was named. Turn the nipples, measure again and name what you read then (if nothing was turned, add --done none)"
        )


def keep_from_loss(out: Path, files: Files, now: Readings) -> None:
    """Refuse to write over a plan with steps that was made on other readings: it is needed to plan the next round."""
    from rimgauge.job import made_on, read_plan

    if not out.exists() or (files.previous is not None and files.previous.resolve() == out.resolve()):
        return
    try:
        there = read_plan(out)
    except BadFile:
        return
    if there.corrections and not made_on(there, now):
        raise BadFile(
            out,
            f"holds the plan of round {there.round}, made on other readings; for the next round name it with "
            f"--previous {shown(out)}, what it was made on with --previous-readings, and another file with --out "
            "(if none of its steps was turned, delete it)",
        )


def spoke_numbers(option: str, words: str) -> set[int]:
    """Read a list of spokes as it was typed."""
    try:
        return set() if words.strip() in ("", "none") else {int(number) for number in words.split(",")}
    except ValueError:
        raise BadInput(f'{option} "{words}" is no list of spokes; write for example 3,7,12 or none') from None


def _from_job(job: Job, files: Files, spokes: int) -> Start:
    """Read the newest measurements of a job, its last round, and the number of the round to plan.

    Readings typed in count where they are named, or where the job holds no measurement.
    """
    from rimgauge.job import (
        check_as_recorded,
        history,
        latest,
        plans,
        read_plan,
        reading_files,
        straight_passes,
    )

    newest, course = files, history(job)
    if files.readings is None:
        newest = replace(files, lateral=latest(job, "lateral"), radial=latest(job, "radial"))
        _check_lateral_since(course, newest)
    typed = reading_files(job)
    if newest.runout_named == 0 and typed:
        newest = replace(files, readings=typed[-1])
    check_as_recorded((*newest.named, *straight_passes(job), *plans(job)))
    if newest.runout_named == 0:
        raise BadInput(f"{job.folder}: {course.too_few()}")
    now = newest.read(spokes)
    made = [read_plan(path) for path in reversed(plans(job))]
    measured = newest.lateral or newest.radial
    last = _last_done(made, now, course, measured.name if measured else "")
    round_number = 1 if not made else made[0].round + (last is made[0])
    old_film = course.film_before_turning(measured.name) if measured else ""
    start = Start(
        now=now,
        files=newest,
        last=None,
        round_number=round_number,
        notes=(f"{old_film}.",) if old_film else (),
    )
    if last is not None and last.readings is not None:
        return _after_last(replace(start, last=(last, last.readings)), course)
    if not made:
        return start
    return replace(start, no_last=old_film or f"nothing was measured since {plans(job)[-1].name} was made")


def _last_done(made: list[Plan], now: Readings, course: History, measured: str) -> Plan | None:
    """Find the last round that was carried out among plans, newest first; measured: file of the newest, '' for none.

    A plan made on the newest measurement, or on another one of the same film, has not been: its round is planned anew.
    """
    from rimgauge.job import made_on

    for plan in made:
        if not (made_on(plan, now) or (measured and course.waits(plan.follows, measured))):
            return plan
    return None


def _after_last(start: Start, course: History) -> Start:
    """Leave out a radial measurement from before corrections, and name what must be seen again."""
    import numpy as np

    now, files = start.now, start.files
    if files.radial is not None and files.lateral is not None and course.planned_since(files.radial.name):
        now, files = replace(now, radial_mm=np.full_like(now.radial_mm, np.nan)), replace(files, radial=None)
    read = {"lateral": np.isfinite(now.lateral_mm).any(), "radial": np.isfinite(now.radial_mm).any()}
    unseen = tuple(result.direction for result in course.left_open() if not read[result.direction])
    return replace(start, now=now, files=files, unseen=unseen)


def _check_lateral_since(course: History, newest: Files) -> None:
    """Refuse a lateral measurement from before corrections beside a radial one after them: turns would be planned twice."""
    if newest.lateral is None or newest.radial is None:
        return
    lateral, radial = newest.lateral.name, newest.radial.name
    rounds = course.rounds_between(lateral, radial)
    if rounds:
        raise BadInput(
            f"{lateral} is from before the corrections of round {rounds[0]}, and only radial runout was measured since "
            f"({radial}): measure lateral runout too, and plan then (if nothing was turned, name both with --lateral "
            f"{lateral} --radial {radial} --round {rounds[0]})"
        )
