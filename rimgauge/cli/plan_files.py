"""What `rimgauge plan` starts from: readings of now, the last round, and which files hold them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from rimgauge.cli.common import shown
from rimgauge.cli.plan_given import EVERY_ONE, Files, spoke_numbers
from rimgauge.errors import BadFile, BadInput

if TYPE_CHECKING:
    from rimgauge.job import History, Job
    from rimgauge.records import Direction, Plan, Readings


@dataclass(frozen=True, kw_only=True)
class Start:
    """Readings of now, their files, the last round with the readings from before it, and the next one's number.

    unseen: directions that were not within their tolerance before the job's last round, and not measured since.
    no_last: why there is no last round, where there is none. let_be: the newest plan is none of them, as nothing of it
    was turned. told: the person said what of the last round was turned.
    """

    now: Readings
    files: Files
    last: tuple[Plan, Readings] | None
    round_number: int
    notes: tuple[str, ...] = ()
    unseen: tuple[Direction, ...] = ()
    no_last: str = "no last round is found"
    let_be: bool = False
    told: bool = False

    @property
    def before(self) -> tuple[Readings, ...]:
        """What was read before the rounds up to the last one, the oldest first."""
        return () if self.last is None else (*(each.readings for each in self.last[0].earlier), self.last[1])

    def only_done(self, done: str) -> Start:
        """Keep of the last round's corrections those that were turned."""
        if self.last is None:
            raise BadInput(f"--done tells what was turned of the last round, but {self.no_last}")
        if done.strip() == EVERY_ONE:
            return replace(self, told=True)
        plan, before = self.last
        spokes = spoke_numbers("--done", done)
        unknown = sorted(spokes - {item.spoke for item in plan.corrections})
        if unknown:
            raise BadInput(
                f"--done names spoke {unknown[0]}, which no step of the last round turns; name spokes, not steps"
            )
        turned = tuple(item for item in plan.corrections if item.spoke in spokes)
        return replace(self, last=(replace(plan, corrections=turned), before), told=True)


def starting_point(files: Files, job: Job | None, spokes: int, *, done: str | None) -> Start:
    """Read the files that were named, and from the job what was not; done: spokes turned, None for all."""
    from rimgauge.job import check_as_recorded, check_none_missing

    if job is not None:
        check_none_missing(job)
    check_as_recorded(files.named)
    untouched = done is not None and done.strip() != EVERY_ONE and not spoke_numbers("--done", done)
    if job is not None and files.previous is None:
        start = _from_job(job, files, spokes, told=done is not None, untouched=untouched)
        done = None if start.let_be else done
    else:
        missing = "no last round is named: name its plan with --previous and what that was made on with --previous-readings"
        start = Start(now=files.read(spokes), files=files, last=None, round_number=1, no_last=missing)
    last = files.read_last(spokes)
    if last is not None:
        start = replace(start, last=last, round_number=_next_round(last[0]))
    start = start if done is None else start.only_done(done)
    if last is not None:
        _check_its_own(files, *last)
        _check_measured_since(start)
    return start


def _next_round(last: Plan) -> int:
    """Count on from the last round's plan; one with nothing to turn, as a refused one, was no round."""
    return last.round + bool(last.corrections)


def _check_its_own(files: Files, plan: Plan, before: Readings) -> None:
    """Refuse a last round whose plan was made on other readings than those named with it."""
    from rimgauge.job import made_on

    if plan.readings is not None and not made_on(plan, before):
        assert files.previous is not None
        assert files.previous_readings is not None
        raise BadInput(
            f"{shown(files.previous)} was not made on {shown(files.previous_readings)}: name with --previous-readings what "
            "was read before its turns"
        )


def _check_measured_since(start: Start) -> None:
    """Refuse readings of now that are those of before the turns: they say nothing of what was done."""
    from rimgauge.job import same_readings

    if start.last is None or not start.last[0].corrections:
        return
    if same_readings(start.last[1], start.now):
        files = start.files
        named = next(path for path in (files.readings, files.lateral, files.radial) if path is not None)
        raise BadInput(
            f"{named} holds the very readings from before the last round: nothing was turned since, or the wrong file "
            "was named. Turn the nipples, measure again and name what you read then (if nothing was turned, add --done none)"
        )


def without_its_tension(start: Start, job: Job) -> Start:
    """Say so where a plan of the job was made on the same measurement with tension readings that now weren't given."""
    import numpy as np

    from rimgauge.job import made_on, plans, read_plan

    if np.isfinite(start.now.tension_n).any():
        return start
    for path in reversed(plans(job)):
        read = (plan := read_plan(path)).readings
        if read is not None and np.isfinite(read.tension_n).any() and made_on(plan, start.now):
            note = f"{path.name} was made with tension readings, which this plan lacks: give them again with --tension."
            return replace(start, notes=(*start.notes, note))
    return start


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


def _from_job(job: Job, files: Files, spokes: int, *, told: bool, untouched: bool) -> Start:
    """Read the newest measurements of a job, its last round, and the number of the round to plan.

    Readings typed in count where they are named, or where the job holds no measurement. told: the person said what of
    the newest plan was turned; untouched: that nothing was.
    """
    from rimgauge.job import check_as_recorded, history, plans, read_plan, straight_passes

    course = history(job)
    newest = _newest(job, files, course)
    let_be = _check_present(course, newest, untouched=untouched)
    check_as_recorded((*newest.named, *straight_passes(job), *plans(job)))
    if newest.runout_named == 0:
        raise BadInput(f"{job.folder}: {course.too_few()}")
    now = newest.read(spokes)
    made = [read_plan(path) for path in reversed(plans(job))]
    mended = _mended(newest, made, now, told=told)
    if mended and untouched:
        let_be, made = True, _before_the_newest(made)
    if files.runout_named == 0:
        _check_no_later(job, newest, made, now)
    measured = newest.lateral or newest.radial
    last = _last_done(made, now, course, measured.name if measured else "")
    _check_not_of_before(made, now, newest)
    round_number = 1 if not made else _next_round(made[0]) if last is made[0] else made[0].round
    old_film = course.film_before_turning(measured.name) if measured else ""
    start = Start(
        now=now,
        files=newest,
        last=None,
        round_number=round_number,
        notes=tuple(f"{words}." for words in (old_film, mended) if words),
        let_be=let_be,
    )
    if last is not None and last.readings is not None:
        return _after_last(replace(start, last=(last, last.readings)), course, untouched=untouched)
    if not made:
        return start
    return replace(start, no_last=old_film or f"nothing was measured since {plans(job)[-1].name} was made")


def _mended(files: Files, made: list[Plan], now: Readings, *, told: bool) -> str:
    """Say which readings are not those that the job recorded; '' for none. made: plans, newest first.

    Refused where a plan was made since, unless the person says what of it was turned: they may be those of after it,
    written over the old ones, or those of before it without a mistake.
    """
    from rimgauge.job import changed_since_recorded, made_on

    mended = [path for path in files.typed if changed_since_recorded(path)]
    if not mended:
        return ""
    if files.readings in mended and made and made[0].corrections and not made_on(made[0], now) and not told:
        raise BadFile(
            mended[0],
            f"was changed after the plan of round {made[0].round} was made. If you put a mistake right and turned no nipple "
            "yet, type: rimgauge plan --done none. If these were read after its turns, type: rimgauge plan --done all, or name "
            "the spokes you did turn, as in --done 3,7,12 (the plan keeps what stood in the file before)",
        )
    return f"{' and '.join(path.name for path in mended)} was changed by hand; the record now holds it as it was read here"


def _before_the_newest(made: list[Plan]) -> list[Plan]:
    """Leave out of plans, newest first, the newest and those before it that were made on the same readings."""
    from rimgauge.job import made_on

    of = made[0].readings if made else None
    return [plan for plan in made[1:] if of is None or not made_on(plan, of)]


def _newest(job: Job, files: Files, course: History) -> Files:
    """Complete what was named with the newest of the job; refuse a measurement of elsewhere, or one that is no longer so."""
    from rimgauge.job import latest, reading_files

    if files.readings is not None:
        return files
    named = [path for path in (files.lateral, files.radial) if path is not None]
    if not named:
        found = replace(files, lateral=latest(job, "lateral"), radial=latest(job, "radial"))
        typed = reading_files(job)
        return replace(files, readings=typed[-1]) if found.runout_named == 0 and typed else found
    of_job = {(job.folder / each.file).resolve() for each in course.straight}
    for path in named:
        if path.resolve() not in of_job:
            raise BadInput(
                f"{shown(path)} is no measurement of this job's wheel as it stands: to plan on it name --wheel and --out too"
            )
    return files


def _check_no_later(job: Job, newest: Files, made: list[Plan], now: Readings) -> None:
    """Refuse to plan a measurement once more while readings lie there that may be of after its turns."""
    import numpy as np

    from rimgauge.job import made_on, read_readings, reading_files

    typed = reading_files(job) if newest.readings is None else ()
    if not typed or not made or not made_on(made[0], now):
        return
    read = read_readings(typed[-1], len(now.lateral_mm), need=())
    runout_read = np.isfinite(read.lateral_mm).any() or np.isfinite(read.radial_mm).any()
    measured = newest.lateral or newest.radial
    if runout_read and measured is not None and not any(made_on(plan, read) for plan in made):
        option = "--lateral" if newest.lateral is not None else "--radial"
        raise BadInput(
            f"round {made[0].round} was planned on {measured.name} already, and {typed[-1].name} may be of after its "
            f"turns: name what shows the wheel as it is now, --readings {typed[-1].name} or {option} {measured.name}"
        )


def _check_not_of_before(made: list[Plan], now: Readings, files: Files) -> None:
    """Refuse readings that a round was planned on which a later plan counts as done: the wheel has moved since.

    made: plans, newest first.
    """
    from rimgauge.job import made_on

    own = next((plan for plan in made if made_on(plan, now)), None)
    named = files.readings or files.lateral or files.radial
    if own is None or named is None:
        return
    newer = made[: made.index(own)]
    later = next((plan for plan in newer if plan.round > own.round), None)
    if later is not None and own.corrections:
        raise BadInput(
            f"{shown(named)} is from before turns that the plan of round {later.round} counts as done: name what was read "
            "since (to look back at it, name --wheel and --out too)"
        )


def _last_done(made: list[Plan], now: Readings, course: History, measured: str) -> Plan | None:
    """Find the last round that was carried out among plans, newest first; measured: file of the newest, '' for none.

    A plan made on the newest measurement, or on another one of the same film, has not been: its round is planned anew.
    """
    from rimgauge.job import made_on

    for plan in made:
        if not (made_on(plan, now) or (measured and course.waits(plan.follows, measured))):
            return plan
    return None


def _after_last(start: Start, course: History, *, untouched: bool) -> Start:
    """Leave out a radial measurement from before corrections, and name what must be seen again."""
    import numpy as np

    now, files = start.now, start.files
    if files.radial is not None and files.lateral is not None:
        newest = max((course.places[each.file], each.file) for each in course.straight)[1]
        if turned_between(course, files.radial.name, newest, untouched=untouched):
            now = replace(now, radial_mm=np.full_like(now.radial_mm, np.nan))
            files = replace(files, radial=None)
    read = {"lateral": np.isfinite(now.lateral_mm).any(), "radial": np.isfinite(now.radial_mm).any()}
    unseen = tuple(result.direction for result in course.left_open() if not read[result.direction])
    return replace(start, now=now, files=files, unseen=unseen)


def turned_between(course: History, one: str, other: str, *, untouched: bool) -> tuple[int, ...]:
    """Numbers of the rounds planned after one measurement and before another, but the newest if it was let be."""
    rounds = course.rounds_between(one, other)
    newest = course.rounds[max(course.rounds)] if course.rounds else 0
    return rounds[:-1] if untouched and rounds and rounds[-1] == newest else rounds


def _check_present(course: History, files: Files, *, untouched: bool) -> bool:
    """Refuse a measurement from before corrections, beside one from after them: turns would be planned twice.

    A radial one from before them is left out later where the lateral one is of after them. Returns whether nothing but
    the newest plan, of which nothing was turned, lies between.
    """
    measured = files.lateral or files.radial
    if measured is None:
        return False
    newest = max((course.places[each.file], each.file) for each in course.straight)[1]
    every = course.rounds_between(measured.name, newest)
    if not every:
        return False
    rounds = turned_between(course, measured.name, newest, untouched=untouched)
    if not rounds:
        return True
    direction: Direction = "lateral" if files.lateral is not None else "radial"
    old = f"{measured.name} is from before the corrections of round {rounds[0]}, and"
    if any(each.file == newest for each in course.of(direction)):
        raise BadInput(
            f"{old} {newest} was measured since: plan on that (to look back at the older one, name --wheel and --out too)"
        )
    raise BadInput(
        f"{old} only {newest} was measured since: measure {direction} runout as it is now, and plan then (if nothing was "
        "turned since, add --done none)"
    )
