"""`rimgauge measure`: frames to millimetres of runout at every spoke."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from rimgauge.cli.common import json_option, next_step, print_json, quoted, shown, stop_on_ctrl_c
from rimgauge.cli.decimals import DECIMAL, WHOLE, DecimalRange, WholeRange
from rimgauge.cli.runout_words import check_text, other_direction, runout_text, to_decide
from rimgauge.cli.views import view_beside, view_in_job
from rimgauge.errors import BadFile, BadInput, RimgaugeError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rimgauge.capture import Frame, FrameSource
    from rimgauge.job import Job
    from rimgauge.records import Direction, GapTrack, Runout, SideRunout, View, Wheel


Keep = Literal["frames", "worst", "none"]


@click.command()
@click.argument("source")
@click.option(
    "--view",
    "view_file",
    type=click.Path(path_type=Path),
    help="Where things are. Default: the job's, or the view.json beside the frames.",
)
@click.option(
    "--direction", type=click.Choice(["lateral", "radial"]), help="In a job: which of its views SOURCE shows."
)
@click.option("--spokes", type=WHOLE, help="How many spokes, when there is no wheel file.")
@click.option(
    "--wheel", "wheel_file", type=click.Path(path_type=Path), help="The wheel's build (wheel.toml)."
)
@click.option("--out", type=click.Path(path_type=Path), help="File to write (pass.json).")
@click.option(
    "--keep",
    type=click.Choice(["frames", "worst", "none"]),
    default="worst",
    show_default=True,
    help="Pictures to keep beside the result: all frames and the worst place, the worst place alone, or none.",
)
@click.option(
    "--tolerance-mm",
    type=DECIMAL,
    help="How much total runout is accepted. Default: the wheel file's, or 0.5.",
)
@click.option(
    "--fps", type=DECIMAL, default=30.0, show_default=True, help="Frame rate where the source states none."
)
@click.option(
    "--radial",
    "radial_file",
    type=click.Path(path_type=Path),
    metavar="PASS",
    help="Radial measurement of the same wheel: takes off a lateral one what a tilted camera mixes in.",
)
@click.option(
    "--lateral",
    "lateral_file",
    type=click.Path(path_type=Path),
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
    help="Leave with code 3 unless it is within the tolerance and, in a job, what was last measured of the other "
    "direction is too.",
)
@json_option
def command(
    *,
    source: str,
    view_file: Path | None,
    direction: Direction | None,
    spokes: int | None,
    wheel_file: Path | None,
    out: Path | None,
    keep: Keep,
    tolerance_mm: float | None,
    fps: float,
    radial_file: Path | None,
    lateral_file: Path | None,
    start_spoke: int | None,
    revolutions: float | None,
    beep: bool,
    by: str,
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
    import sys
    from textwrap import fill

    from rimgauge.capture import open_source
    from rimgauge.cli.guidance import guided
    from rimgauge.job import find_job, pass_fields

    job = find_job(Path.cwd())
    if view_file is None and job is None:
        view_file = view_beside(source)
    view = _view(view_file, direction, job)
    if wheel_file is None and spokes is None and job is not None:
        wheel_file = job.wheel
    wheel = load_wheel(wheel_file, spokes)
    against_mm = _tolerance_mm(wheel, view.direction, tolerance_mm)
    if not 0.5 <= fps <= 1000.0:
        raise BadInput("--fps must be between 0.5 and 1000 frames a second")
    to = _Target(out, job, keep, Path(source), by)
    other = _other_side(view.direction, radial_file, lateral_file)
    with open_source(source, fps=fps) as frames, stop_on_ctrl_c(frames.stop):
        _check_start(start_spoke, wheel, live=not frames.files())
        seen = frames if frames.files() else guided(frames, view, wheel, against_mm, revolutions, beep=beep)
        runout, written = _measure(
            frames, seen, source_name(source), view, wheel, against_mm, to, other, start_spoke
        )
    if as_json and written is None:
        print_json(pass_fields(runout))
    elif as_json and written is not None:
        click.echo(written.read_text(encoding="utf-8"), nl=False)
    else:
        _tell(runout, written, job, in_job=job is not None and out is None, alone=other is None)
    if check:
        passed, words = check_text(runout, job if out is None else None)
        click.echo(fill(words, 80), err=as_json)
        if not passed:
            sys.exit(3)


def _tolerance_mm(wheel: Wheel, direction: Direction, given_mm: float | None) -> float:
    """The tolerance that was given, or else the wheel file's."""
    of_wheel = wheel.tolerance.lateral_mm if direction == "lateral" else wheel.tolerance.radial_mm
    tolerance_mm = of_wheel if given_mm is None else given_mm
    if not 0.0 < tolerance_mm < 100.0:
        raise BadInput("--tolerance-mm must be more than 0 and under 100 mm")
    return tolerance_mm


def _tell(runout: Runout, written: Path | None, job: Job | None, *, in_job: bool, alone: bool) -> None:
    """Say the result, where it was written and what comes next; alone: the other direction wasn't given."""
    click.echo(runout_text(runout))
    if written is None:
        return
    click.echo(f"\nWritten: {shown(written)}")
    if job is not None and alone:
        _offer_other(runout, job)
    _next_step(runout, job if in_job else None, written.name)


def _check_start(start_spoke: int | None, wheel: Wheel, *, live: bool) -> None:
    if start_spoke is None:
        return
    if start_spoke > len(wheel.flanges):
        raise BadInput(f"--start-spoke {start_spoke}: the wheel has {len(wheel.flanges)} spokes")
    if live:
        raise BadInput(
            "--start-spoke is for a film or a folder of frames; for a camera or stream stick a piece of tape at the valve"
        )


def _offer_other(runout: Runout, job: Job) -> None:
    """Name the job's measurement of the other direction where the note asks for one."""
    from rimgauge.job import history, latest

    direction: Direction = "radial" if runout.direction == "lateral" else "lateral"
    found = latest(job, direction)
    wanted = any(f"--{direction}" in note for note in runout.notes)
    if wanted and found is not None and not history(job).planned_since(found.name):
        click.echo(
            f"{found.name} is such a {direction} measurement; if no nipple was turned since, measure\n"
            f"again with  --{direction} {quoted(Path(shown(found)))}"
        )


def _next_step(runout: Runout, job: Job | None, file: str = "") -> None:
    """Say what comes after this measurement; outside a job the plan's files depend on what the person has.

    file: what the job calls it.
    """
    from rimgauge.job import history

    old_film = "" if job is None else history(job).film_before_turning(file)
    if old_film:
        next_step(f"{old_film}.", "rimgauge measure SOURCE")
        return
    if runout.verdict.outcome == "within":
        words, command = f"{runout.direction} runout is true enough", "rimgauge report"
        other = other_direction(runout.direction, job)
        if other.bars_true:
            words, command = f"{words}, but {other.words}; {other.to_do}.", other.command
        else:
            words = f"{words}, and {other.words}; make the page that says so."
    elif runout.verdict.outcome == "undecided":
        next_step(to_decide(runout), "rimgauge measure SOURCE")
        return
    else:
        words, command = "ask which nipples to turn.", "rimgauge plan"
    next_step(words, command if job is not None else f"{command} --help")


def _other_side(
    direction: Direction, radial_file: Path | None, lateral_file: Path | None
) -> SideRunout | None:
    """Read the measurement of the other direction that --radial or --lateral names."""
    from rimgauge.job import read_pass
    from rimgauge.pipeline import other_side

    same, wanted = (lateral_file, radial_file) if direction == "lateral" else (radial_file, lateral_file)
    if same is not None:
        raise BadInput(f"the view is {direction}; --{direction} would correct a view of the other direction")
    return None if wanted is None else other_side(read_pass(wanted), direction)


@dataclass(frozen=True)
class _Target:
    """Where the result goes: the file named, else the job's next number, else nowhere; and what goes with it.

    source: what is measured, a path if it is one. by: who measures, '' if that isn't told.
    """

    out: Path | None
    job: Job | None
    keep: Keep
    source: Path
    by: str = ""

    def __post_init__(self) -> None:
        """Refuse now what would lose the measurement later."""
        from rimgauge.job import check_writable, frames_path, picture_path

        if self.out is None:
            if self.job is not None:
                check_writable(self.job.folder / "pass.json")
            elif self.keep == "frames":
                raise BadInput("--keep frames needs --out pass.json, or a job folder, to keep them in")
            return
        check_writable(self.out)
        if self.keep != "none" and picture_path(self.out) == self.out:
            raise BadFile(self.out, "a measurement is JSON; give it a name that ends in .json")
        if self.keep == "frames" and frames_path(self.out).exists():
            raise BadFile(frames_path(self.out), "is there already; move it away, or use another --out")

    @property
    def keeps(self) -> Keep:
        """What is kept; nothing where there is no file to keep it beside."""
        return "none" if self.out is None and self.job is None else self.keep

    def write(self, runout: Runout, picture: bytes | None, frames: list[Path]) -> Path | None:
        """Write the result; where that fails it is shown, so that it isn't lost."""
        try:
            return self._write(runout, picture, frames)
        except RimgaugeError:
            click.echo(f"{runout_text(runout)}\n\nNOT written:", err=True)
            raise

    def _write(self, runout: Runout, picture: bytes | None, frames: list[Path]) -> Path | None:
        from rimgauge.job import frames_path, keep_pass, picture_path, update_manifest, write_measured

        if self.out is None:
            if self.job is None:
                return None
            return keep_pass(self.job, runout, picture=picture, frames=frames, used=[self.source])
        write_measured(self.out, runout, picture=picture, frames=frames)
        if self.job is not None and self.out.resolve().is_relative_to(self.job.folder):
            beside = (picture_path(self.out), frames_path(self.out))
            update_manifest(self.job, ours=[self.out, *beside], used=[self.source])
        return self.out


def _measure(
    frames: FrameSource,
    seen_frames: Iterable[Frame],
    name: str,
    view: View,
    wheel: Wheel,
    tolerance_mm: float,
    to: _Target,
    other: SideRunout | None,
    start_spoke: int | None,
) -> tuple[Runout, Path | None]:
    """Measure, and write the result with its pictures; a live source is laid down first where pictures are kept."""
    import tempfile

    from rimgauge.capture import LaidDown, open_source
    from rimgauge.job import now
    from rimgauge.pipeline import reckon, see
    from rimgauge.records import Source, WheelInView

    with tempfile.TemporaryDirectory(prefix="rimgauge-") as place:
        live = not frames.files()
        laid_down = live and to.keeps != "none"
        coming = LaidDown(seen_frames, Path(place)) if laid_down else seen_frames
        seen_wheel = WheelInView.of(wheel, start_spoke)
        seen, turning = see(coming, view, seen_wheel)
        again = open_source(place) if laid_down else frames
        sha256 = "" if live and to.keeps != "frames" else again.sha256()
        made = reckon(
            seen,
            turning,
            view,
            seen_wheel,
            tolerance_mm=tolerance_mm,
            created=now(),
            source=Source(kind=frames.kind, name=name, frames=0, used=0, sha256=sha256),
            other=other,
        )
        runout = replace(made, measured_by=to.by)
        files = again.files()
        picture = None if to.keeps == "none" else worst_picture(runout, seen, view, files)
        return runout, to.write(runout, picture, files if to.keeps == "frames" else [])


def source_name(source: str) -> str:
    """Name a source in the record: of a path its last part, of an address no user and no password."""
    from urllib.parse import urlsplit

    if "://" not in source:
        return Path(source).name
    parts = urlsplit(source)
    return f"{parts.scheme}://{parts.netloc.rpartition('@')[2]}{parts.path}"


def worst_picture(runout: Runout, seen: GapTrack, view: View, files: list[Path]) -> bytes:
    """Draw pointer, rim edge and gap into the frame that shows the worst place; a JPEG."""
    import cv2
    import numpy as np

    from rimgauge.capture import picture_at
    from rimgauge.pipeline import worst_frame
    from rimgauge.report import overlay

    index, worst_deg, off_mm = worst_frame(runout)
    ways = ("to the right", "to the left") if runout.direction == "lateral" else ("outward", "inward")
    picture = overlay(
        picture_at(files, index, float(runout.frames.time_s[index])),
        np.array([side.tip_px[index] for side in seen.sides]),
        np.array([side.rim_px[index] for side in seen.sides]),
        runout.frames.gap_mm[:, index],
        view.positive,
        label=f"Worst place: {abs(off_mm):.2f} mm {ways[off_mm < 0]}, {worst_deg:.0f} degrees from the mark",
    )
    _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 92])
    return data.tobytes()


def _view(view_file: Path | None, direction: Direction | None, job: Job | None) -> View:
    """Read the view that was named, else the one of the job here that fits."""
    from rimgauge.job import check_view_as_recorded, read_view

    if view_file is None:
        if job is None:
            raise BadInput("measure needs --view view.json; make one with aim, or work inside a job folder")
        view_file = view_in_job(job, direction)
    check_view_as_recorded(view_file)
    view = read_view(view_file)
    if direction is not None and view.direction != direction:
        raise BadInput(f"{view_file} is a {view.direction} view, not a {direction} one")
    return view


def load_wheel(wheel_file: Path | None, spokes: int | None) -> Wheel:
    """Read the wheel file, or make a wheel of the usual kind with so many spokes."""
    import rimgauge.job as job
    from rimgauge.records import FEWEST_SPOKES, MOST_SPOKES
    from rimgauge.wheel import complete_wheel

    if wheel_file is not None:
        build = job.read_build(wheel_file)
        if spokes is not None and spokes != build["spokes"]:
            raise BadInput(f"--spokes {spokes} disagrees with {wheel_file}, which says {build['spokes']}")
        return complete_wheel(build)
    if spokes is None:
        raise BadInput("say how many spokes the wheel has with --spokes, or give its file with --wheel")
    if not FEWEST_SPOKES <= spokes <= MOST_SPOKES:
        raise BadInput(f"--spokes {spokes}: a wheel has between {FEWEST_SPOKES} and {MOST_SPOKES} spokes")
    return complete_wheel({"spokes": spokes})
