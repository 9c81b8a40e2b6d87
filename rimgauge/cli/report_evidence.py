"""What the page of `rimgauge report` is made from: the measurements in a row, and what else the job knows."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from rimgauge import __version__
from rimgauge.cli.common import readings_are_none
from rimgauge.cli.runout_words import AGAINST
from rimgauge.errors import BadFile, BadInput

if TYPE_CHECKING:
    from rimgauge.job import History, Job
    from rimgauge.records import Direction, Dish, Flange, Outcome, Plan, Runout
    from rimgauge.report.comparison import Comparison, Evidence, Photo

SOFTWARE = f"rimgauge {__version__}"


def from_files(
    before: Path | None, after: Path | None, *, name: str | None, by: str | None, picture: Path | None
) -> Evidence:
    """Put one measurement or two that were named in a row."""
    from rimgauge.job import check_as_recorded, read_pass
    from rimgauge.report.comparison import Evidence

    if after is None:
        raise BadInput("--before needs --after; a single measurement goes to --after alone")
    used = [path for path in (before, after) if path is not None]
    check_as_recorded(used)
    read = [(path, read_pass(path)) for path in used]
    when = ("before the work", "after the work") if before else ("",)
    comparison = _comparison(read, when, picture=picture)
    return Evidence(
        wheel_name=name or "wheel without a name",
        comparisons=(comparison,),
        facts=_by_whom([comparison], by),
        fingerprint=_fingerprint(used),
        software=SOFTWARE,
    )


def from_job(
    job: Job,
    *,
    name: str | None,
    by: str | None,
    picture: Path | None,
    dish_files: tuple[Path, Path] | None = None,
) -> Evidence:
    """Put the measurements of each direction of a job in a row."""
    from rimgauge.job import check_as_recorded, history, plans, read_build, read_manifest, read_pass
    from rimgauge.report.comparison import Evidence

    inside = [path for path in dish_files or () if path.resolve().parent == job.folder.resolve()]
    # The turned one says where the rim stands, not how true it is.
    pair = tuple(path.name if path in inside else "" for path in dish_files or ())
    course = history(job, dish=(pair[0], pair[1]) if pair else None)
    if not course.straight:
        raise BadFile(job.folder, f"{course.too_few()}{readings_are_none(job)}")
    build, manifest = read_build(job.wheel), read_manifest(job.folder)
    comparisons: list[Comparison] = []
    used: list[Path] = []
    directions: tuple[Direction, ...] = ("lateral", "radial")
    for direction in (each for each in directions if course.of(each)):
        files = [job.folder / result.file for result in course.of(direction)]
        check_as_recorded(files)
        made = _comparison(
            [(path, read_pass(path)) for path in files],
            _when(course, files),
            picture=None if comparisons else picture,
            planned_since=course.planned_since(files[-1].name),
            measured_again=any(path.name in course.replaced.values() for path in files),
        )
        comparisons.append(made)
        used += files
        for path, (measured, _) in zip(files, made.rows, strict=True):
            _check_spokes(job, build.get("spokes"), path, measured)
    check_as_recorded([*inside, *plans(job)])
    diameter_mm = build.get("rim", {}).get("effective_diameter_mm")
    return Evidence(
        wheel_name=name or build.get("name") or job.folder.resolve().name,
        comparisons=tuple(comparisons),
        facts=(*_by_whom(comparisons, by), *_facts(job, course, comparisons[0].after)),
        fingerprint=f"Record: {manifest.fingerprint}, as rimgauge verify prints it. {_fingerprint(used)}",
        software=SOFTWARE,
        **({} if diameter_mm is None else {"rim_diameter_mm": diameter_mm}),
    )


def _check_spokes(job: Job, spokes: int | None, file: Path, measured: Runout) -> None:
    """Refuse a wheel file that has another number of spokes than the wheel that was measured."""
    count = len(measured.sides[0].spoke_flange)
    if spokes is not None and spokes != count:
        raise BadFile(
            job.wheel,
            f"has {spokes} spokes, but {file.name} was measured on a wheel of {count}; put the number right, or start a job of "
            "its own for another wheel with `rimgauge new`; the measurements of this one alone go on a page with --before "
            "and --after",
        )


def with_dish(evidence: Evidence, files: tuple[Path, Path] | None, job: Job | None) -> Evidence:
    """Add the rim's offset from the middle, by two measurements named or as the job holds it."""
    words, outcome = _named_dish(files, job) if files is not None else _kept_dish(job)
    if not words:
        return evidence
    return replace(evidence, facts=(*evidence.facts, ("Dish", words)), dish=outcome)


def _named_dish(files: tuple[Path, Path], job: Job | None) -> tuple[str, Outcome]:
    """Say the rim's offset from the middle by two measurements, the wheel turned round in between, and judge it."""
    from rimgauge.cli.dish import check_nothing_turned, dish_tolerance_mm
    from rimgauge.job import read_pass
    from rimgauge.signal.centre import dish_turned, judge_dish

    check_nothing_turned(*files)
    found, tolerance_mm = dish_turned(*(read_pass(path) for path in files)), dish_tolerance_mm(job)
    return _offset_words(found, tolerance_mm, [path.name for path in files]), judge_dish(found, tolerance_mm)


def _kept_dish(job: Job | None) -> tuple[str, Outcome | None]:
    """Say the offset that the job holds, the latest one, and judge it unless corrections were planned since."""
    from rimgauge.cli.dish import dish_of

    found = None if job is None else dish_of(job)
    if found is None:
        return "", None
    kept, outcome = found
    names = [*kept.measurements, *([] if outcome else ["before the last corrections were planned"])]
    return _offset_words(kept.dish, kept.tolerance_mm, names), outcome


def _offset_words(found: Dish, tolerance_mm: float, names: list[str]) -> str:
    from rimgauge.signal.centre import judge_dish

    side = "right" if found.offset_mm > 0 else "left"
    return (
        f"rim {abs(found.offset_mm):.2f} ± {found.expanded_uncertainty_mm:.2f} mm to the {side} of the middle, "
        f"{AGAINST[judge_dish(found, tolerance_mm)]} tolerance of {tolerance_mm:g} mm ({', '.join(names)})"
    )


def _when(course: History, files: list[Path]) -> tuple[str, ...]:
    """Say of each measurement of a direction between which rounds of corrections it was made, as far as is known."""
    words = [""] * len(files)
    for number, (earlier, later) in enumerate(pairwise(path.name for path in files)):
        if rounds := course.rounds_between(earlier, later):
            words[number + 1] = f"after round {rounds[-1]}"
            words[number] = words[number] or f"before round {rounds[0]}"
    if course.planned_since(newest := files[-1].name):
        last = course.straight[-1].file
        words[-1] = f"before round {course.rounds_between(newest, last)[0]}"
    return tuple(words)


def _by_whom(comparisons: list[Comparison], by: str | None) -> tuple[tuple[str, str], ...]:
    """Say who measured: as told now, or of each measurement as it was recorded with it; nothing where nothing is."""
    from rimgauge.report.words import short_dates

    if by is not None:
        return (("Measured by", by),)
    runouts = [runout for each in comparisons for runout, _ in each.rows]
    names = {runout.measured_by for runout in runouts}
    if names <= {""}:
        return ()
    if len(names) == 1:
        return (("Measured by", names.pop()),)
    dated = dict.fromkeys(
        f"{each.measured_by or 'not told'} ({date})"
        for each, date in zip(runouts, short_dates(runouts), strict=True)
    )
    return (("Measured by", "; ".join(dated)),)


def _facts(job: Job, course: History, after: Runout) -> tuple[tuple[str, str], ...]:
    """Gather what else the job knows: rounds of corrections, spoke tension as last read."""
    from rimgauge.job import plans, read_plan
    from rimgauge.records import turns_in_all

    again = course.measured_again()
    facts = [("Order", again)] if again else []
    made = [read_plan(path) for path in plans(job)]
    planned = {plan.round: plan.corrections for plan in made}.values()  # planned anew, a round counts once
    rounds = [corrections for corrections in planned if corrections]
    if rounds:
        nipples = sum(len(each) for each in rounds)
        turns = turns_in_all(one.turns for each in rounds for one in each)
        several = "1 round" if len(rounds) == 1 else f"{len(rounds)} rounds"
        newest = max(course.places[result.file] for result in course.straight)
        waiting = any(follows >= newest for follows in course.rounds)
        unsure = "; nothing was measured since the last of them" if waiting else _whether_made(made)
        facts.append(
            (
                "Corrections planned",
                f"{several}, {nipples} nipple{'s' if nipples > 1 else ''}, {turns}{unsure}",
            )
        )
    return (*facts, ("Tension", _tension(job, after.sides[0].spoke_flange)))


def _tension(job: Job, flanges: tuple[Flange, ...]) -> str:
    """Say spoke tension as last read: by a file of the job, or as a plan holds it from before its turns.

    A file that a plan was made on is as old as that plan; one that none was made on is taken for newer.
    """
    import numpy as np

    from rimgauge.job import plans, read_plan, read_readings, reading_files
    from rimgauge.report.words import tension_words

    told = []
    for path in reversed(plans(job)):
        plan = read_plan(path)
        if plan.readings is not None and len(plan.readings.tension_n) == len(flanges):
            name = f"before the turns of {path.name}" if plan.corrections else path.name
            told.append((plan.readings.tension_n, name))
    files = [
        (read_readings(path, len(flanges), need=()).tension_n, path.name)
        for path in reversed(reading_files(job))
    ]
    since = [
        (tension_n, name)
        for tension_n, name in files
        if not any(np.array_equal(tension_n, used_n, equal_nan=True) for used_n, _ in told)
    ]
    found = [each for each in since + told if np.isfinite(each[0]).any()]
    return f"{tension_words(found[0][0], flanges)} ({found[0][1]})" if found else "not measured"


def _whether_made(plans: list[Plan]) -> str:
    """Say that the record doesn't tell whether the last corrections were made; '' where a later plan learnt from them."""
    last = max(plan.round for plan in plans if plan.corrections)
    learnt = any(plan.earlier and plan.round > last for plan in plans)
    return "" if learnt else "; whether those of the last round were made is not recorded"


def _comparison(
    read: list[tuple[Path, Runout]],
    when: tuple[str, ...],
    *,
    picture: Path | None,
    planned_since: bool = False,
    measured_again: bool = False,
) -> Comparison:
    """Put measurements of one direction in a row, oldest first, with the pictures that lie beside first and last."""
    from rimgauge.job import read_bytes
    from rimgauge.report.comparison import Comparison, read_photo

    for path, runout in read:
        if runout.direction != read[0][1].direction:
            raise BadInput(
                f"{read[0][0]} is {read[0][1].direction} but {path} is {runout.direction}; "
                "compare two measurements of the same direction"
            )
    first, last = read[0], read[-1]
    if picture is not None:
        words = "The worst place, as the camera saw it"
        photos = [read_photo(picture, read_bytes(picture), words)]
    elif len(read) == 1:
        photos = _kept_photo(*last, "")
    else:
        photos = _kept_photo(*first, when[0] or "when first measured")
        photos += _kept_photo(*last, when[-1] or "when last measured")
    basis = last[1].basis
    return Comparison(
        after=last[1],
        before=None if len(read) == 1 else first[1],
        between=tuple(runout for _, runout in read[1:-1]),
        when=when,
        planned_since=planned_since,
        measured_again=measured_again,
        scale=None if basis is None else basis.view.scale,
        photos=tuple(photos),
    )


def _kept_photo(path: Path, measurement: Runout, when: str) -> list[Photo]:
    """Read the picture of the worst place that `measure` kept with a measurement, if it did."""
    from rimgauge.job import kept_picture, picture_path
    from rimgauge.report.comparison import read_photo

    kept = kept_picture(path, measurement)
    if kept is None:
        return []
    words = f"The worst place {when}".strip()
    return [read_photo(picture_path(path), kept, words)]


def _fingerprint(used: list[Path]) -> str:
    """Say the SHA-256 over the measurements one after the other, which anyone can work out again."""
    digest = hashlib.sha256(b"".join(path.read_bytes() for path in used)).hexdigest()
    return f"SHA-256 of {', '.join(path.name for path in used)}, one after the other: {digest}"
