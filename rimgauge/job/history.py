"""The measurements of a job in their order: which show the wheel as it stands, and what work lies between them."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np

from rimgauge.errors import BadFile
from rimgauge.records import Direction, FloatArray, Plan, Readings, record

from .dish_file import read_dish
from .folder import Job, dishes, passes, plans
from .manifest import read_manifest
from .names import PASS, number_of
from .plan_file import read_plan
from .result import Result, completed, summed_up

SAME_MM = 1e-6
"""Two readings nearer than this are the same number, written to a file and read back."""
TYPED_MM = (0.1, 0.01, 0.001)
"""Last digit of readings as people type them. Typed anew with fewer digits they lie within half of it; after turns, or read
anew, the readings of all spokes together never do."""


@record
class History:
    """What a job's measurements are of, and the rounds of corrections among them.

    every: all of them, by their numbers.
    straight: those of the wheel as it stands, in the order in which what they show was first measured.
    places: the number at which it was, by file; of a film measured again that of the first time.
    turned: those of the wheel turned round for its dish, with the file of the dish that says so.
    replaced: those whose film was measured again, with the file that stands in their place.
    rounds: numbers of rounds with corrections, by the number of the measurement after which they were planned.
    """

    every: tuple[Result, ...]
    straight: tuple[Result, ...]
    places: Mapping[str, int]
    turned: Mapping[str, str]
    replaced: Mapping[str, str]
    rounds: Mapping[int, int]

    def of(self, direction: Direction) -> tuple[Result, ...]:
        """Those of one direction, of the wheel as it stands."""
        return tuple(result for result in self.straight if result.direction == direction)

    def rounds_between(self, one: str, other: str) -> tuple[int, ...]:
        """Numbers of the rounds planned after one measurement and before another, by their files."""
        first, last = self.places[one], self.places[other]
        return tuple(number for after, number in sorted(self.rounds.items()) if first <= after < last)

    def waits(self, follows: str, file: str) -> bool:
        """Whether corrections planned after the measurement `follows` were not turned yet when `file` was measured."""
        return PASS.fullmatch(follows) is not None and number_of(follows) >= self.places[file]

    def film_before_turning(self, file: str) -> str:
        """Say that a measurement is of a film from before corrections that were planned before it was made; '' where it isn't.

        Only the same film measured again is one: what is filmed after a plan shows the wheel after it.
        """
        planned = [after for after in self.rounds if self.places[file] <= after < number_of(file)]
        if not planned:
            return ""
        older = next(each.file for each in self.every if self.places[each.file] == self.places[file])
        return (
            f"{file} is of the same film as {older}, after which round {self.rounds[min(planned)]} was planned: nothing "
            "that was turned since shows in it; film the wheel after turning"
        )

    def planned_since(self, file: str) -> bool:
        """Whether corrections were planned after a measurement, and anything measured after those."""
        return any(self.rounds_between(file, later.file) for later in self.straight)

    def left_open(self) -> tuple[Result, ...]:
        """Last measurements of a direction that were not within the tolerance, and not made again since corrections."""
        directions: tuple[Direction, ...] = ("lateral", "radial")
        last = (self.of(direction)[-1] for direction in directions if self.of(direction))
        return tuple(each for each in last if each.outcome != "within" and self.planned_since(each.file))

    def too_few(self, direction: Direction | None = None, *, least: int = 1) -> str:
        """Say that there are fewer measurements than it takes, and which don't count and why."""
        kind = f"{direction} measurement" if direction else "measurement"
        missing = f"no {kind}" if least == 1 else f"fewer than two {kind}s"
        why = self._left_out(direction)
        if not why:
            return f"holds {missing} yet; `rimgauge measure` makes one"
        return f"holds {missing} of the wheel as it stands: {why}; `rimgauge measure` makes one"

    def measured_again(self) -> str:
        """Say which films were measured again, and where those measurements stand; '' for none."""
        if not self.replaced:
            return ""
        older: dict[str, list[str]] = {}
        for file, newest in self.replaced.items():
            older.setdefault(newest, []).append(file)
        told = "; ".join(f"{newest} in place of {', '.join(files)}" for newest, files in older.items())
        return f"a film measured again stands where it was first measured: {told}"

    def _left_out(self, direction: Direction | None) -> str:
        words = []
        for file in (each.file for each in self.every if direction in (None, each.direction)):
            if file in self.turned:
                words.append(f"{file} is of the wheel turned round, as {self.turned[file]} says")
            elif file in self.replaced:
                words.append(
                    f"{file} is of the same film as {self.replaced[file]}, which stands in its place"
                )
        return "; ".join(words)


def history(job: Job, *, dish: tuple[str, str] | None = None) -> History:
    """Put a job's measurements in order.

    Turned round, the same pointer sees the rim's other side and runout of the other sign; of dishes that
    contradict each other the newest counts. The same film measured again, with other options, is no new state
    of the wheel: the newest stands in the place of the others.

    Parameters
    ----------
    job : the job.
    dish : files of a measurement and one turned round that are named now, and count before those that are kept.

    Raises
    ------
    BadFile
        A measurement, dish or plan can't be read.

    """
    return in_order(_every(job), plans(job), dishes(job), dish=dish)


def _every(job: Job) -> tuple[Result, ...]:
    known: dict[str, Result] = {}
    with contextlib.suppress(BadFile):  # without it the measurements themselves are read
        known = {result.file: result for result in read_manifest(job.folder).results}
    return tuple(completed(known.get(path.name), path) or summed_up(path) for path in passes(job))


def in_order(
    results: Iterable[Result],
    plan_files: Iterable[Path],
    dish_files: Iterable[Path],
    *,
    dish: tuple[str, str] | None = None,
) -> History:
    """Put measurements that are summed up already in order, by the files of plans and dishes, oldest first; see history."""
    told, kept = tuple(results), _dishes(dish_files)
    turned = _turned(kept if dish is None else {**kept, "--dish": dish})
    sources = {_source(result) for result in told if result.file in turned}
    newest: dict[tuple[str, ...], Result] = {}
    for result in told:
        if _source(result) not in sources:
            newest[_source(result)] = result  # which keeps the place of the first
    return History(
        every=told,
        straight=tuple(newest.values()),
        places=_places(told),
        turned={file: by for file, by in turned.items() if file in {result.file for result in told}},
        replaced={
            result.file: found.file
            for result in told
            if (found := newest.get(_source(result), result)).file != result.file
        },
        rounds={made.after: made.round for made in _corrections(told, plan_files, kept)},
    )


def _places(results: Sequence[Result]) -> dict[str, int]:
    """Number at which each was first measured, by file: of a film measured again that of the first time."""
    first: dict[tuple[str, ...], int] = {}
    return {result.file: first.setdefault(_source(result), number_of(result.file)) for result in results}


class _Corrections(NamedTuple):
    """A plan that has corrections: the number of the measurement that it follows, its file and its round."""

    after: int
    file: Path
    round: int


def _corrections(
    results: Sequence[Result], plan_files: Iterable[Path], kept: Mapping[str, tuple[str, ...]]
) -> list[_Corrections]:
    """List the plans that have corrections, but those planned anew; kept: measurements of each dish."""
    read = [(path, read_plan(path)) for path in plan_files]
    made = [(path, plan) for path, plan in read if plan.corrections and PASS.fullmatch(plan.follows)]
    turned, places = _turned(kept), _places(results)
    seen = [(each.direction, places[each.file]) for each in results if each.file not in turned]
    return [
        _Corrections(number_of(plan.follows), path, plan.round)
        for number, (path, plan) in enumerate(made)
        if not any(_anew(later, plan, seen) for _, later in made[number + 1 :])
    ]


def _anew(later: Plan, plan: Plan, seen: Sequence[tuple[Direction, int]]) -> bool:
    """Whether a later plan is of the same round and state of the wheel, so that nothing was turned of the first.

    Where that direction was measured in between, the later plan only looks back at an old state. seen: direction and
    number of each measurement of the wheel as it stood.
    """
    if later.round != plan.round or later.readings is None or not made_on(plan, later.readings):
        return False
    direction = "lateral" if np.isfinite(later.readings.lateral_mm).any() else "radial"
    first, last = number_of(plan.follows), number_of(later.follows)
    return not any(what == direction and first < place <= last for what, place in seen)


def made_on(plan: Plan, now: Readings) -> bool:
    """Tell whether a plan was made on these readings."""
    return plan.readings is not None and same_readings(plan.readings, now)


def same_readings(before: Readings, now: Readings) -> bool:
    """Tell whether two readings are the same in every direction that was read both times; one at least must have been."""
    pairs = ((before.lateral_mm, now.lateral_mm), (before.radial_mm, now.radial_mm))
    both = [pair for pair in pairs if all(np.isfinite(runout_mm).any() for runout_mm in pair)]
    return bool(both) and all(same_runout(*pair) for pair in both)


def same_runout(before_mm: FloatArray, now_mm: FloatArray) -> bool:
    """Tell whether two runouts (n,) are the same but for their mean, which a plan counts from the middle, or but for digits.

    NaN where not read; places that are read no more don't count.
    """
    if len(before_mm) != len(now_mm):
        return False
    read = np.isfinite(now_mm)
    apart = (before_mm - now_mm)[read]
    if not len(apart):
        return False
    half_mm = max(_last_digit_mm(values[read]) for values in (before_mm, now_mm)) / 2
    return bool((np.abs(apart) <= half_mm + SAME_MM).all() or (np.abs(apart - apart.mean()) < SAME_MM).all())


def _last_digit_mm(values: FloatArray) -> float:
    """Last digit in which all values (r,) are written [mm]; 0 for more digits than people type."""
    whole = (np.abs(values / digit - np.round(values / digit)) * digit < SAME_MM for digit in TYPED_MM)
    return next((digit for digit, fits in zip(TYPED_MM, whole, strict=True) if fits.all()), 0.0)


def _source(result: Result) -> tuple[str, ...]:
    """Tell what was measured: the same film has the same; a live camera is never the same again."""
    return (result.direction, result.source_sha256) if result.source_sha256 else (result.file,)


def _dishes(files: Iterable[Path]) -> dict[str, tuple[str, ...]]:
    """Read which measurements each dish is of."""
    return {path.name: read_dish(path).measurements for path in files}


def _turned(kept: Mapping[str, tuple[str, ...]]) -> dict[str, str]:
    """Which measurements are of the wheel turned round, and the dish that says so; kept: measurements of each dish."""
    turned: dict[str, str] = {}
    for name, measurements in kept.items():
        turned.pop(measurements[0], None)
        turned |= dict.fromkeys(measurements[1:], name)
    return turned


def straight_passes(job: Job) -> tuple[Path, ...]:
    """List the measurements of the wheel as it stands, in their order; raises what history does."""
    return tuple(job.folder / result.file for result in history(job).straight)


def latest(job: Job, direction: Direction) -> Path | None:
    """Find the last measurement of a direction, the wheel as it stands; None where there is none.

    Raises what history does.
    """
    found = history(job).of(direction)
    return job.folder / found[-1].file if found else None


def corrections_between(job: Job, one: Path, other: Path) -> Path | None:
    """Find the newest plan with corrections that was kept between two measurements of the job; None for none.

    Raises
    ------
    BadFile
        A measurement or plan can't be read.

    """
    every = _every(job)
    places = _places(every)
    first, last = sorted(places.get(path.name, number_of(path.name)) for path in (one, other))
    every_made = _corrections(every, plans(job), _dishes(dishes(job)))
    found = [made.file for made in every_made if first <= made.after < last]
    return found[-1] if found else None


def since_corrections(job: Job, files: Sequence[Path]) -> tuple[tuple[Path, ...], Path | None]:
    """Of the job's measurements those since the last plan made before the newest of them; and that plan.

    A plan counts that has corrections and names the measurement it follows. The newest is what was filmed last:
    a film measured again stays as old as it is. Raises what corrections_between does.
    """
    every = _every(job)
    places = _places(every)
    newest = max((places[path.name] for path in files), default=0)
    every_made = _corrections(every, plans(job), _dishes(dishes(job)))
    before = [made for made in every_made if made.after < newest]
    if not before:
        return tuple(files), None
    last, plan_file, _ = max(before)
    return tuple(path for path in files if places[path.name] > last), plan_file
