"""`rimgauge plan`: which nipples to turn, how far and in what order."""

from __future__ import annotations

import sys
from collections.abc import Collection
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple

import click

from rimgauge.cli.common import FILE, gathered, into_record, json_option, next_step, print_json, shown
from rimgauge.cli.decimals import DECIMAL, WHOLE
from rimgauge.cli.forward import say_before_first_turn
from rimgauge.cli.plan_dish import placed
from rimgauge.cli.plan_files import keep_from_loss, starting_point, without_its_tension
from rimgauge.cli.plan_given import Files, checked_wheel, spoke_numbers
from rimgauge.cli.turned_round import upright
from rimgauge.errors import BadFile

if TYPE_CHECKING:
    from rimgauge.cli.plan_files import Start
    from rimgauge.job import Job
    from rimgauge.plan import Wishes
    from rimgauge.records import Plan, Readings, SeenFrom, Wheel


def _as_pdf(_context: click.Context, _option: click.Parameter, path: Path | None) -> Path | None:
    if path is not None and path.suffix.lower() != ".pdf":
        raise BadFile(path, "the sheet is a PDF; its name must end in .pdf")
    return path


EXAMPLES = """\b
In a job folder:  rimgauge plan
Anywhere:  rimgauge plan --wheel wheel.toml --readings r.csv --out plan.json
"""


@click.command(epilog=EXAMPLES)
@click.option("--wheel", type=FILE, help="The build of the wheel (wheel.toml).")
@click.option("--lateral", type=FILE, help="A lateral measurement (pass.json).")
@click.option("--radial", type=FILE, help="A radial measurement (pass.json).")
@click.option(
    "--readings",
    type=FILE,
    help="Readings typed in by hand (readings.csv) instead; + is to the right, outward.",
)
@click.option("--tension", type=FILE, help="Readings that hold the tension of each spoke (readings.csv).")
@click.option(
    "--centred", is_flag=True, help="Lateral values are from the centre plane: correct the dish too."
)
@click.option(
    "--ignore-dish", is_flag=True, help="Leave the rim's middle where it is, whatever dish the job keeps."
)
@click.option("--out", type=FILE, help="The plan file to write (plan.json).")
@click.option(
    "--seen-from",
    type=click.Choice(["tyre", "hub"]),
    default="tyre",
    show_default=True,
    help="Where you look at the nipples from, for 'clockwise'.",
)
@click.option(
    "--largest-turn",
    type=DECIMAL,
    default=0.75,
    show_default=True,
    help="Most that one nipple is turned in this round [turns], in laps of half a turn at most.",
)
@click.option("--previous", type=FILE, help="The plan of the last round, to learn from.")
@click.option("--previous-readings", type=FILE, help="Readings or lateral pass from before the last round.")
@click.option(
    "--done",
    help="Spokes (not steps) of the last round that were turned, if not all: 3,7,12 (or none, or all).",
)
@click.option("--seized", help="Spokes whose nipples don't turn and are left alone: 3,14.")
@click.option("--cracked", is_flag=True, help="You found a crack, a dent or other damage.")
@click.option(
    "--checked",
    type=click.Choice(["axle", "spokes", "rim", "turns"]),
    multiple=True,
    help="What you looked at and found in order, where a plan stopped for it.",
)
@click.option("--explain", type=WHOLE, metavar="SPOKE", help="Only say what turning this nipple would do.")
@click.option(
    "--sheet",
    type=FILE,
    callback=_as_pdf,
    help="Also make a page to print and take to the wheel (sheet.pdf).",
)
@json_option
@gathered("files", Files)
def command(
    *,
    files: Files,
    wheel: Path | None,
    ignore_dish: bool,
    out: Path | None,
    seen_from: SeenFrom,
    largest_turn: float,
    done: str | None,
    seized: str | None,
    cracked: bool,
    checked: tuple[Literal["axle", "spokes", "rim", "turns"], ...],
    explain: int | None,
    sheet: Path | None,
    as_json: bool,
) -> None:
    """Work out which nipples to turn, and how far.

    Inside a job folder no files need be named: the newest measurements are taken, the last round is learnt
    from, a dish that `rimgauge dish` kept is corrected too, and the plan gets the next number. Spokes are
    numbered from the valve. Where nipples should not be turned the plan says why, and the exit code is 1.
    """
    from rimgauge.job import check_replaceable
    from rimgauge.plan import Wishes

    if explain is None:
        check_replaceable((out, "rimgauge-plan"), (sheet, ".pdf"))
    if not (as_json or cracked or explain is not None):
        cracked, seized = _ask(seized)
    wishes = Wishes(
        largest_turn=largest_turn,
        seen_from=seen_from,
        checked=frozenset(checked),
        cracked=cracked,
        seized=tuple(sorted(spoke_numbers("--seized", seized or "none"))),
    )
    job, build, start = _begin(files, wheel, out, explain=explain, done=done, ignore_dish=ignore_dish)
    if explain is not None:
        _explain(start.now, build, explain, as_json=as_json)
        return
    plan = _planned(start, build, wishes)
    written = _keep(plan, build, job or out, sheet, seen_from, start.files.typed)
    _show(plan, written, job, as_json=as_json, typed=start.files.readings is not None)
    if plan.round == 1 and plan.corrections and not as_json:
        say_before_first_turn(
            [path for path in (start.files.lateral, start.files.radial) if path is not None]
        )
    if plan.refused is not None:
        sys.exit(1)


def _begin(
    files: Files,
    wheel: Path | None,
    out: Path | None,
    *,
    explain: int | None,
    done: str | None,
    ignore_dish: bool,
) -> tuple[Job | None, Wheel, Start]:
    """Find the job that the plan is for, if any, the wheel's build, and what the plan starts from."""
    from rimgauge.job import find_job, read_build
    from rimgauge.wheel import complete_wheel

    job = find_job(Path.cwd()) if wheel is None and out is None else None
    build = complete_wheel(read_build(checked_wheel(files, wheel, out, job, explain=explain)))
    start = starting_point(files, job, len(build.flanges), done=done)
    if out is not None and explain is None:
        keep_from_loss(out, files, start.now)
    if job is not None:
        start = upright(without_its_tension(start, job), job, files)
    if job is not None and not ignore_dish:
        start = placed(start, job, build)
    return job, build, start


def _planned(start: Start, build: Wheel, wishes: Wishes) -> Plan:
    """Plan the round, and say where the middle is from."""
    from rimgauge.correcting import correct
    from rimgauge.plan import typed_in

    plan = correct(
        start.now,
        build,
        wishes=wishes,
        round_number=start.round_number,
        previous=start.last,
        measured=start.files.measured(),
        unseen=start.unseen,
        told=start.told,
    )
    typed = start.files.readings is not None and plan.refused is None
    taken = typed_in(start.now, turns=bool(plan.corrections), before=start.before) if typed else ()
    return replace(plan, notes=(*start.notes, *plan.notes, *taken))


class _Written(NamedTuple):
    """The files that were written, and the job's newest plan where it is this one already."""

    files: tuple[Path, ...]
    there: Path | None

    @property
    def words(self) -> str:
        """Say it in a sentence or two."""
        said = [] if self.there is None else [f"{self.there.name} is this very plan; it is not kept twice."]
        said += [f"Wrote {' and '.join(shown(path) for path in self.files)}."] if self.files else []
        return " ".join(said)


def _keep(
    plan: Plan,
    build: Wheel,
    where: Job | Path | None,
    sheet: Path | None,
    seen_from: SeenFrom,
    typed: Collection[Path],
) -> _Written:
    """Write the plan into the job or the file, and the sheet where one is wanted; typed: readings it was made on.

    A job keeps a plan once, however often it is asked for with nothing new.
    """
    from rimgauge.job import keep_plan, kept_already, write_plan

    there, written = None, []
    if isinstance(where, Path):
        write_plan(where, plan)
        written.append(where)
        into_record(where, used=typed)
    elif where is not None:
        there = kept_already(where, plan)
        written += [] if there is not None else [keep_plan(where, plan, typed=typed)]
    if sheet is not None:
        _write_sheet(sheet, plan, build, seen_from)
        written.append(sheet)
        into_record(sheet, used=typed)
    return _Written(tuple(written), there)


def _show(plan: Plan, written: _Written, job: Job | None, *, as_json: bool, typed: bool) -> None:
    """Print the plan, where it was written, and what to do next; typed: it was made on readings typed in."""
    from rimgauge.job import headed, next_path, plan_fields
    from rimgauge.plan import plan_text

    if as_json:
        print_json(headed("rimgauge-plan", plan_fields(plan)))
        return
    click.echo(plan_text(plan))
    click.echo(written.words)
    if plan.corrections:
        into = (
            f", write what you read into {next_path(job, 'readings').name}"
            if job is not None and typed
            else ""
        )
        next_step(
            f"turn these nipples, then measure{into} and plan again. If you left steps out, tell the next plan the "
            "numbers of the spokes that you turned (not of the steps), as in --done 3,7,12.",
            *([] if job is None or typed else _measure_again(plan)),
        )
    elif plan.refused is None and job is not None:
        _nothing_to_turn(job, typed=typed)


def _nothing_to_turn(job: Job, *, typed: bool) -> None:
    """Say what comes after a plan of no turns: to read the wheel again some day, to measure what is still open, else the page."""
    from rimgauge.job import history, next_path

    if typed:
        next_step(
            "leave the nipples as they are. Spokes settle on the first ride: read the wheel again after it, write what you "
            f"read into {next_path(job, 'readings').name} and plan again."
        )
        return
    left_open = history(job).left_open()
    if left_open:
        measure = (f"rimgauge measure SOURCE --direction {each.direction}" for each in left_open)
        next_step("measure what wasn't measured since the last turns were planned, and plan again.", *measure)
    else:
        next_step("make the page that tells how the wheel runs.", "rimgauge report")


def _measure_again(plan: Plan) -> list[str]:
    """Write out the commands that measure again what this plan was made on."""
    measured = {"lateral": plan.before.lateral_mm, "radial": plan.before.radial_mm}
    return [f"rimgauge measure SOURCE --direction {name}" for name, mm in measured.items() if mm is not None]


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


def _write_sheet(path: Path, plan: Plan, build: Wheel, seen_from: SeenFrom) -> None:
    from datetime import UTC, datetime

    from rimgauge import __version__
    from rimgauge.job import write_bytes
    from rimgauge.report.correction import correction_sheet
    from rimgauge.report.pdf import pdf_bytes

    page = correction_sheet(plan, build, seen_from=seen_from)
    title = f"Round {plan.round} of {build.name}"
    software = f"rimgauge {__version__}"
    write_bytes(path, pdf_bytes([page], when=datetime.now(UTC), title=title, software=software))
