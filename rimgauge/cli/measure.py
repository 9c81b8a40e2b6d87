"""`rimgauge measure`: frames to millimetres of runout at every spoke."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rimgauge.cli.common import (
    DRIVE,
    PATH,
    folded,
    fps_option,
    gathered,
    json_option,
    named,
    next_step,
    print_json,
    quoted,
    shown,
    stop_on_ctrl_c,
)
from rimgauge.cli.decimals import TOLERANCE_MM, WHOLE, DecimalRange, WholeRange
from rimgauge.cli.forward import way_of
from rimgauge.cli.measure_given import Given
from rimgauge.cli.measure_kept import Kept, Target, worst_picture
from rimgauge.cli.runout_words import bad_dish, check_text, other_direction, runout_text, to_decide
from rimgauge.cli.turned_round import turned_round
from rimgauge.errors import BadFile

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rimgauge.capture import Frame, FrameSource
    from rimgauge.cli.measure_given import Known
    from rimgauge.job import Job
    from rimgauge.records import Direction, Runout


@click.command()
@click.argument("source")
@click.option(
    "--view",
    "view_file",
    type=PATH,
    help="Where things are. Default: the job's, or the view.json beside the frames.",
)
@click.option(
    "--direction", type=click.Choice(["lateral", "radial"]), help="In a job: which of its views SOURCE shows."
)
@click.option("--spokes", type=WHOLE, help="How many spokes, when there is no wheel file.")
@click.option("--wheel", "wheel_file", type=PATH, help="The wheel's build (wheel.toml).")
@click.option("--out", type=PATH, help="File to write (pass.json).")
@click.option(
    "--keep",
    type=click.Choice(["frames", "worst", "none"]),
    default="worst",
    show_default=True,
    help="Pictures to keep beside the result: all frames and the worst place, the worst place alone, or none.",
)
@click.option(
    "--tolerance-mm",
    type=TOLERANCE_MM,
    help="How much total runout is accepted. Default: the wheel file's, or 0.5.",
)
@fps_option
@click.option(
    "--radial",
    "radial_file",
    type=PATH,
    metavar="PASS",
    help="Radial measurement of the same wheel: takes off a lateral one what a tilted camera mixes in.",
)
@click.option(
    "--lateral",
    "lateral_file",
    type=PATH,
    metavar="PASS",
    help="The same the other way round.",
)
@click.option(
    "--start-spoke",
    type=WholeRange(min=1),
    help="No mark on the wheel: the number of the spoke at the pointer when the film begins.",
)
@click.option(
    "--revolutions",
    type=DecimalRange(1.2, 50.0),
    help="Camera or stream: stop after so many. Default: when the curve is known well enough.",
)
@click.option("--beep", is_flag=True, help="Camera or stream: beep when it is enough.")
@click.option("--by", default="", help="Who measures, if that is to stand in the record and on its page.")
@click.option(
    "--check",
    is_flag=True,
    help="Leave with code 3 unless this direction is within the tolerance; says how the other one and the dish stand.",
)
@json_option
@gathered("given", Given)
@gathered("kept", Kept)
def command(
    *,
    source: str,
    given: Given,
    kept: Kept,
    fps: float,
    revolutions: float | None,
    beep: bool,
    check: bool,
    as_json: bool,
) -> None:
    """Measure the runout in SOURCE: a folder of frames, a video file, a camera number or a stream's address.

    With a camera or stream it says when to turn the wheel and stops by itself; Ctrl-C stops it sooner, and
    what was seen until then is measured.

    Beside the result lies a picture of the worst place, pointer and rim edge marked in it. Inside a job
    folder the files need not be named; where it has a lateral and a radial view, --direction says which.

    Example in a job folder:  rimgauge measure 0

    Example anywhere:  rimgauge measure frames --view view.json --spokes 32
    """
    from rimgauge.capture import open_source
    from rimgauge.cli.guidance import guided
    from rimgauge.job import find_job

    job = find_job(Path.cwd())
    known = given.read(source)
    to = Target(kept, job, Path(source))
    with open_source(source, fps=fps) as frames, stop_on_ctrl_c(frames.stop):
        known.check_start(live=not frames.files())
        seen = frames if frames.files() else guided(frames, known, revolutions, beep=beep)
        runout, written = _measure(frames, seen, source_name(source), known, to)
    if as_json:
        _print_record(runout, written)
    else:
        _tell(runout, written, to, alone=known.other is None)
    if check:
        _check(runout, to.home, written, aside=as_json)


def _print_record(runout: Runout, written: Path | None) -> None:
    """Print the measurement as its file holds it."""
    from rimgauge.job import pass_fields

    if written is None:
        print_json(pass_fields(runout))
    else:
        click.echo(written.read_text(encoding="utf-8"), nl=False)


def _check(runout: Runout, job: Job | None, written: Path | None, *, aside: bool) -> None:
    """Say what the wheel was judged by, aside where a program reads the rest, and leave with 3 unless it passes."""
    passed, words = check_text(runout, job, written.name if written else "")
    click.echo(folded(words), err=aside)
    if not passed:
        sys.exit(3)


def _tell(runout: Runout, written: Path | None, to: Target, *, alone: bool) -> None:
    """Say the result, where it was written and what comes next; alone: the other direction wasn't given."""
    from rimgauge.job import picture_path

    click.echo(runout_text(runout))
    if written is None:
        return
    click.echo(f"\nWrote {shown(written)}.")
    if to.keeps != "none":
        words = (
            f"Look at {shown(picture_path(written))}, the worst place: if the ring isn't on the pointer's tip, or the "
            "line not on the rim's edge, aim and measure again."
        )
        click.echo(folded(words))
    if to.job is not None and alone:
        _offer_other(runout, to.job)
    if to.home is not None:
        _ask_how_it_stands(runout, to.home)
    _next_step(runout, to.home, written.name)


def _offer_other(runout: Runout, job: Job) -> None:
    """Name the job's measurement of the other direction where the advice asks for one."""
    from rimgauge.job import history, latest

    direction: Direction = "radial" if runout.direction == "lateral" else "lateral"
    found = latest(job, direction)
    wanted = any(f"--{direction}" in words for words in runout.advice)
    if wanted and found is not None and not history(job).planned_since(found.name):
        words = f"{found.name} is such a {direction} measurement; if no nipple was turned since, measure again with"
        click.echo(f"{folded(words)}\n  --{direction} {quoted(Path(shown(found)))}")


def _ask_how_it_stands(runout: Runout, job: Job) -> None:
    """Ask, at the first measurement of a direction, whether the wheel stands as it was aimed: later ones are compared."""
    from rimgauge.job import history

    if sum(each.direction == runout.direction for each in history(job).every) != 1:
        return
    sides = [side.side for side in runout.sides if side.side != "outer"]
    faces = f", its {sides[0]} side, {DRIVE[sides[0]]}, toward the pointer" if len(sides) == 1 else ""
    way = "" if runout.basis is None else f" {way_of(runout.basis.view)}"
    words = (
        f"This is the first {runout.direction} measurement here, so look: does the wheel stand as when you aimed{faces}? And "
        f"does its rim run{way} past the pointer in the picture when it rolls forward, as the arrow of "
        f"aim-{runout.direction}.png points? If not, its spokes are numbered backward. If it stays so, nothing will tell, and "
        "a plan would turn the wrong nipples; only a wheel turned round later is noticed."
    )
    click.echo(folded(words))


def _next_step(runout: Runout, job: Job | None, file: str = "") -> None:
    """Say what comes after this measurement; outside a job the plan's files depend on what the person has.

    file: what the job calls it.
    """
    from rimgauge.job import history

    again = "rimgauge measure SOURCE" + ("" if job is None else f" --direction {runout.direction}")
    old_film = "" if job is None else history(job).film_before_turning(file)
    if old_film:
        next_step(f"{old_film}.", again)
        return
    mirrored = None if job is None else turned_round(job, runout.direction).get(file)
    if mirrored is not None:
        _after_turning_round(runout.direction, mirrored, file)
        return
    if runout.verdict.outcome == "within":
        words, command = f"{runout.direction} runout is true enough", "rimgauge report"
        other = other_direction(runout.direction, job)
        if other.bars_true:
            words, command = f"{words}, but {other.words}; {other.to_do}.", other.command
        elif job is not None and (off_centre := _off_centre(job)):
            words, command = f"{words}, but {off_centre[0]}", off_centre[1]
        else:
            words = f"{words}, and {other.words}; make the page that says so."
    elif runout.verdict.outcome == "undecided":
        next_step(to_decide(runout), again)
        return
    else:
        words, command = "ask which nipples to turn.", "rimgauge plan"
    next_step(words, command if job is not None else f"{command} --help")


def _after_turning_round(direction: Direction, before: str, file: str) -> None:
    """Say what comes after a measurement that shows the wheel as if it had been turned round in the stand."""
    turned, commands = "If the wheel is still turned round in the stand, turn it back", []
    if direction == "lateral":
        turned = "If the wheel was turned round in the stand for its dish, have that told"
        commands.append(f"rimgauge dish {before} {file}")
    next_step(
        f"this is the runout of {before} the other way round. {turned}; if not, the rim runs the other way than its view "
        "says: aim anew, and measure again.",
        *commands,
        f"rimgauge aim SOURCE --direction {direction}",
    )


def _off_centre(job: Job) -> tuple[str, str] | None:
    """What the wheel's dish leaves to do, and the command for it; a dish file that was changed doesn't undo a measurement."""
    try:
        off_centre = bad_dish(job)
    except BadFile as trouble:
        return f"{trouble}.", "rimgauge verify"
    return (f"{off_centre}; ask which nipples to turn.", "rimgauge plan") if off_centre else None


def _measure(
    frames: FrameSource, seen_frames: Iterable[Frame], name: str, known: Known, to: Target
) -> tuple[Runout, Path | None]:
    """Measure, and write the result with its pictures; a live source is laid down first where pictures are kept."""
    import tempfile

    from rimgauge.capture import LaidDown, kept_source
    from rimgauge.job import now
    from rimgauge.pipeline import reckon, see
    from rimgauge.records import Source

    with tempfile.TemporaryDirectory(prefix="rimgauge-") as place:
        live = not frames.files()
        laid_down = live and to.keeps != "none"
        coming = LaidDown(seen_frames, Path(place)) if laid_down else seen_frames
        with named(frames.name):
            seen, turning = see(coming, known.view, known.in_view)
        again = kept_source(Path(place)) if laid_down else frames
        sha256 = "" if live and to.keeps != "frames" else again.sha256()
        made = reckon(
            seen,
            turning,
            known.view,
            known.in_view,
            tolerance_mm=known.tolerance_mm,
            created=now(),
            source=Source(kind=frames.kind, name=name, frames=0, used=0, sha256=sha256, every=frames.every),
            other=known.other,
        )
        runout = replace(made, measured_by=to.asked.by, notes=(*made.notes, *frames.notes()))
        picture = None if to.keeps == "none" else worst_picture(runout, seen, known.view, again)
        return runout, to.write(runout, picture, again.files() if to.keeps == "frames" else [])


def source_name(source: str) -> str:
    """Name a source in the record: of a path its last part, of an address nothing that may be secret."""
    from rimgauge.capture.http_stream import without_secrets

    return without_secrets(source) if "://" in source else Path(source).name
