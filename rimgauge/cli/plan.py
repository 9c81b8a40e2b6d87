"""`rimgauge plan`: which nipples to turn, how far and in what order."""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from rimgauge.cli.common import json_option, next_step, print_json, shown
from rimgauge.errors import BadInput

if TYPE_CHECKING:
    from rimgauge.job import Job
    from rimgauge.records import FloatArray, Plan, Readings, Wheel

_FILE = click.Path(dir_okay=False, path_type=Path)
SAME_MM = 1e-6
"""Two runouts nearer than this are the same number, written to a file and read back."""

EXAMPLES = """\b
In a job folder:  rimgauge plan
Anywhere:  rimgauge plan --wheel wheel.toml --readings r.csv --out plan.json
"""


@click.command(epilog=EXAMPLES)
@click.option("--wheel", type=_FILE, help="The build of the wheel (wheel.toml).")
@click.option("--lateral", type=_FILE, help="A lateral measurement (pass.json).")
@click.option("--radial", type=_FILE, help="A radial measurement (pass.json).")
@click.option("--readings", type=_FILE, help="Readings typed in by hand (readings.csv) instead.")
@click.option("--tension", type=_FILE, help="Readings that hold the tension of each spoke (readings.csv).")
@click.option(
    "--centred", is_flag=True, help="Lateral values are from the centre plane: correct the dish too."
)
@click.option("--out", type=_FILE, help="The plan file to write (plan.json).")
@click.option(
    "--seen-from",
    type=click.Choice(["tyre", "hub"]),
    default="tyre",
    show_default=True,
    help="Where you look at the nipples from, for 'clockwise'.",
)
@click.option(
    "--largest-turn",
    type=float,
    default=0.75,
    show_default=True,
    help="Most that one nipple is turned in this round [turns], in laps of half a turn at most.",
)
@click.option("--round", "round_number", type=click.IntRange(min=1), help="Number of this round.")
@click.option("--previous", type=_FILE, help="The plan of the last round, to learn from.")
@click.option("--previous-readings", type=_FILE, help="Readings or lateral pass from before the last round.")
@click.option("--done", help="Spokes of the last round that were turned, if not all: 3,7,12 (or none).")
@click.option("--seized", help="Spokes whose nipples don't turn and are left alone: 3,14.")
@click.option("--cracked", is_flag=True, help="You found a crack, a dent or other damage.")
@click.option(
    "--checked",
    type=click.Choice(["axle", "spokes", "rim"]),
    multiple=True,
    help="What you looked at and found in order, where a plan stopped for it.",
)
@click.option("--explain", type=int, metavar="SPOKE", help="Only say what turning this nipple would do.")
@click.option("--sheet", type=_FILE, help="Also make a page to print and take to the wheel (sheet.pdf).")
@json_option
def command(
    *,
    wheel: Path | None,
    lateral: Path | None,
    radial: Path | None,
    readings: Path | None,
    tension: Path | None,
    centred: bool,
    out: Path | None,
    seen_from: Literal["tyre", "hub"],
    largest_turn: float,
    round_number: int | None,
    previous: Path | None,
    previous_readings: Path | None,
    done: str | None,
    seized: str | None,
    cracked: bool,
    checked: tuple[Literal["axle", "spokes", "rim"], ...],
    explain: int | None,
    sheet: Path | None,
    as_json: bool,
) -> None:
    """Work out which nipples to turn, and how far.

    Inside a job folder no files need be named: the newest measurements are taken, the last round is learnt
    from, and the plan gets the next number. Spokes are numbered from the valve. Where nipples should not be
    turned the plan says why, and the exit code is 1.
    """
    from rimgauge.job import find_job, keep_plan, plan_fields, read_build, read_plan, write_plan
    from rimgauge.pipeline import correct
    from rimgauge.plan import Wishes, plan_text
    from rimgauge.wheel import complete_wheel

    if not (as_json or cracked or explain is not None):
        cracked, seized = _ask(seized)
    wishes = Wishes(
        largest_turn=largest_turn,
        seen_from=seen_from,
        checked=frozenset(checked),
        cracked=cracked,
        seized=tuple(sorted(_spoke_numbers("--seized", seized or "none"))),
    )
    files = _Files(lateral=lateral, radial=radial, readings=readings, tension=tension, centred=centred)
    job = find_job(Path.cwd()) if wheel is None and out is None else None
    _check_options(files, wheel, out, job, (previous, previous_readings), explain=explain)
    wheel = wheel if job is None else job.wheel
    assert wheel is not None
    build = complete_wheel(read_build(wheel))
    spokes = len(build.flanges)
    if job is not None and files.runout_named == 0:
        now, last, this_round = _from_job(job, files, spokes)
    else:
        now, last, this_round = files.read(spokes), None, 1
    if previous is not None and previous_readings is not None:
        last = read_plan(previous), _any_readings(previous_readings, files, spokes)
        this_round = last[0].round + 1
    if done is not None:
        last = _only_done(last, done)
    if explain is not None:
        _explain(now, build, explain, as_json=as_json)
        return
    plan = correct(
        now,
        build,
        wishes=wishes,
        round_number=round_number or this_round,
        previous=last,
    )
    if job is not None:
        written = keep_plan(job, plan)
    elif out is not None:
        write_plan(out, plan)
        written = out
    if sheet is not None:
        _write_sheet(sheet, plan, build)
    if as_json:
        print_json({"format": "rimgauge-plan", "version": 1, **plan_fields(plan)})
    else:
        click.echo(plan_text(plan))
        _say_next(plan, [path for path in (written, sheet) if path is not None], in_job=job is not None)
    if plan.refused is not None:
        sys.exit(1)


def _say_next(plan: Plan, written: list[Path], *, in_job: bool) -> None:
    click.echo(f"Written to {' and '.join(shown(path) for path in written)}")
    if plan.corrections:
        next_step(
            "turn these nipples, then measure and plan again.", *(_measure_again(plan) if in_job else [])
        )


def _measure_again(plan: Plan) -> list[str]:
    """Write out the commands that measure again what this plan was made on."""
    measured = {"lateral": plan.before.lateral_mm, "radial": plan.before.radial_mm}
    return [f"rimgauge measure SOURCE --direction {name}" for name, mm in measured.items() if mm is not None]


def _only_done(last: tuple[Plan, Readings] | None, done: str) -> tuple[Plan, Readings]:
    """Keep of the last round's corrections those that were turned."""
    if last is None:
        raise BadInput("--done tells what was turned of the last round, but no last round is named or found")
    plan, before = last
    spokes = _spoke_numbers("--done", done)
    unknown = sorted(spokes - {item.spoke for item in plan.corrections})
    if unknown:
        raise BadInput(f"--done names spoke {unknown[0]}, which the last round did not ask to turn")
    return replace(plan, corrections=tuple(item for item in plan.corrections if item.spoke in spokes)), before


def _spoke_numbers(option: str, words: str) -> set[int]:
    try:
        return set() if words.strip() in ("", "none") else {int(number) for number in words.split(",")}
    except ValueError:
        raise BadInput(f'{option} "{words}" is no list of spokes; write for example 3,7,12 or none') from None


def _ask(seized: str | None) -> tuple[bool, str | None]:
    """Ask at a terminal what no camera sees: damage, and nipples that don't turn unless they were named."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return False, seized
    click.echo("Look over the rim at the spoke holes, the hub's flanges and the spokes first.")
    if click.confirm("Is there a crack, a dent or other damage?", default=False):
        return True, seized
    if seized is None:
        seized = str(click.prompt("Nipples that don't turn, for example 3,14", default="none"))
    return False, seized


def _explain(now: Readings, build: Wheel, spoke: int, *, as_json: bool) -> None:
    from dataclasses import asdict

    from rimgauge.plan import explain_text, single_turns
    from rimgauge.wheel import influence

    answer = influence(build)
    if as_json:
        rows = [asdict(row) for row in single_turns(now, build, answer, spoke)]
        print_json({"spoke": spoke, "side": build.flanges[spoke - 1], "turns": rows})
    else:
        click.echo(explain_text(now, build, answer, spoke), nl=False)


def _write_sheet(path: Path, plan: Plan, build: Wheel) -> None:
    from datetime import UTC, datetime

    from rimgauge import __version__
    from rimgauge.job import write_bytes
    from rimgauge.report import correction_sheet, pdf_bytes

    page = correction_sheet(plan, build)
    title = f"Round {plan.round} of {build.name}"
    software = f"rimgauge {__version__}"
    write_bytes(path, pdf_bytes([page], when=datetime.now(UTC), title=title, software=software))


@dataclass(frozen=True, kw_only=True)
class _Files:
    """What was measured, as files."""

    lateral: Path | None
    radial: Path | None
    readings: Path | None
    tension: Path | None
    centred: bool

    @property
    def runout_named(self) -> int:
        return sum(path is not None for path in (self.lateral, self.radial, self.readings))

    def read(self, spokes: int) -> Readings:
        """Read them into one record."""
        from rimgauge.job import read_pass, read_readings
        from rimgauge.pipeline import readings_from_passes

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


def _check_options(
    files: _Files,
    wheel: Path | None,
    out: Path | None,
    job: Job | None,
    previous: tuple[Path | None, Path | None],
    *,
    explain: int | None,
) -> None:
    """Refuse a set of files that can't be meant."""
    if previous.count(None) == 1:
        raise BadInput("--previous and --previous-readings belong together: name both or neither")
    if files.readings is not None and files.runout_named > 1:
        raise BadInput("name either --readings or --lateral and --radial, not both")
    if job is not None:
        return
    if files.runout_named == 0:
        raise BadInput("name --lateral or --readings, or go into a job folder (`rimgauge new` starts one)")
    if wheel is not None and explain is not None:
        return
    if wheel is None or out is None:
        raise BadInput("outside a job folder both --wheel and --out must be named")


def _any_readings(path: Path, files: _Files, spokes: int) -> Readings:
    """Read what was measured before the last round, from either kind of file."""
    is_pass = path.suffix.lower() == ".json"
    before = _Files(
        lateral=path if is_pass else None,
        radial=None,
        readings=None if is_pass else path,
        tension=None,
        centred=files.centred,
    )
    return before.read(spokes)


def _from_job(job: Job, files: _Files, spokes: int) -> tuple[Readings, tuple[Plan, Readings] | None, int]:
    """Read the newest measurements of a job, its last round with the readings from before it, and the round.

    A plan made on the newest measurement has not been carried out: the round is planned anew, and the last
    round is the one before. A radial measurement on which that was planned says nothing of the wheel
    since, and is left out; nor does a gauge of now say what tension was before.
    """
    import numpy as np

    from rimgauge.job import latest, passes, plans, read_pass, read_plan

    newest = replace(files, lateral=latest(job, "lateral"), radial=latest(job, "radial"))
    if newest.runout_named == 0:
        raise BadInput(f"{job.folder}: holds no measurement yet; `rimgauge measure` makes one")
    now = newest.read(spokes)
    made = [read_plan(path) for path in reversed(plans(job))]
    last = next((plan for plan in made if not _made_on(plan, now)), None)
    this_round = 1 if not made else made[0].round + (last is made[0])
    if last is None:
        return now, None, this_round
    for path in reversed(passes(job)):
        if path != newest.lateral and read_pass(path).direction == "lateral":
            before = replace(files, lateral=path, radial=None, tension=None).read(spokes)
            if _made_on(last, before):
                if _same(last.before.radial_mm, now.radial_mm):
                    now = replace(now, radial_mm=np.full(spokes, np.nan))
                return now, (last, before), this_round
    return now, None, this_round


def _made_on(plan: Plan, readings: Readings) -> bool:
    """Tell whether a plan was made on these lateral readings, by the runout that it states."""
    return _same(plan.before.lateral_mm, readings.lateral_mm)


def _same(stated_mm: float | None, values_mm: FloatArray) -> bool:
    import numpy as np

    return stated_mm is not None and abs(stated_mm - float(np.ptp(values_mm))) < SAME_MM
