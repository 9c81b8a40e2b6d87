"""Which measurements of a job show the wheel turned round in the stand: their spokes would be numbered wrongly."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from rimgauge.errors import BadFile, BadInput

if TYPE_CHECKING:
    from pathlib import Path

    from rimgauge.cli.plan_files import Start
    from rimgauge.cli.plan_given import Files
    from rimgauge.job import Job
    from rimgauge.records import Direction


def turned_round(job: Job, direction: Direction) -> Mapping[str, str]:
    """Map each measurement that shows the wheel turned round to the one that it shows the other way round, by files.

    Those that a dish tells to be of the wheel turned round are not among them; one that was changed says nothing.
    Raises what history does.
    """
    from rimgauge.job import check_as_recorded, history, read_pass
    from rimgauge.signal.compare import other_way_round

    kept = []
    for path in (job.folder / each.file for each in history(job).of(direction)):
        try:
            check_as_recorded([path])
            kept.append((path.name, read_pass(path)))
        except BadFile:
            continue
    against = other_way_round([runout for _, runout in kept])
    return {kept[index][0]: kept[other][0] for index, other in against.items()}


def upright(start: Start, job: Job, given: Files) -> Start:
    """Refuse to plan on a measurement of the wheel turned round, or say that it may be one.

    It is only said where the person named the file, or where a round was planned since the measurement that it shows
    the other way round: turns may change a runout to that. given: the files that were named.
    """
    from rimgauge.cli.plan_files import turned_between
    from rimgauge.job import history

    course = history(job)
    untouched = start.let_be or (start.told and start.last is not None and not start.last[0].corrections)
    of_now: tuple[tuple[Direction, Path | None, Path | None], ...] = (
        ("lateral", start.files.lateral, given.lateral),
        ("radial", start.files.radial, given.radial),
    )
    for direction, path, named in of_now:
        before = "" if path is None else turned_round(job, direction).get(path.name, "")
        if path is None or not before:
            continue
        file = path.name
        if named is None and not turned_between(course, before, file, untouched=untouched):
            raise BadInput(_refusal(direction, before, file))
        note = (
            f"{file} looks like {before} the other way round. If the wheel stands turned round in the stand, its spokes "
            "are numbered wrongly here: turn no nipple by this plan, turn the wheel back, measure again and plan anew."
        )
        start = replace(start, notes=(*start.notes, note))
    return start


def _refusal(direction: Direction, before: str, file: str) -> str:
    dish = (
        f"; if it was turned for its dish, type: rimgauge dish {before} {file}"
        if direction == "lateral"
        else ""
    )
    return (
        f"{file} is the runout of {before} the other way round, as of a wheel left turned round in the stand: its spokes "
        f"would be numbered wrongly. Turn the wheel back, measure again and plan then{dish}. If the wheel was not turned "
        f"round and nipples were turned without a plan, name it: rimgauge plan --{direction} {file}"
    )
