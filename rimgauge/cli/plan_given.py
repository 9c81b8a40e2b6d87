"""What `rimgauge plan` is given: the files that were named, and lists of spokes as they were typed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from rimgauge.errors import BadInput

if TYPE_CHECKING:
    from rimgauge.job import Job
    from rimgauge.records import Plan, Readings, Runout

EVERY_ONE = "all"
"""What `--done` says where every step of the last round was turned."""


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
    if files.runout_named == 0 and wheel is None and out is None:
        raise BadInput(
            "no job folder here: go into the wheel's first (`rimgauge new` starts one), or name --lateral or --readings, --wheel "
            "and --out"
        )
    if files.runout_named == 0:
        raise BadInput(
            "name --lateral or --readings; or, in a job folder (`rimgauge new` starts one), leave out --wheel and --out"
        )
    if wheel is None or (out is None and explain is None):
        raise BadInput("name both --wheel and --out, or, inside a job folder, neither")
    return wheel


def spoke_numbers(option: str, words: str) -> set[int]:
    """Read a list of spokes as it was typed."""
    try:
        return set() if words.strip() in ("", "none") else {int(number) for number in words.split(",")}
    except ValueError:
        raise BadInput(f'{option} "{words}" is no list of spokes; write for example 3,7,12 or none') from None
