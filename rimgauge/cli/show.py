"""rimgauge show: the gap large and live, for the bench or a class."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rimgauge.cli.common import (
    FILE,
    folded,
    fps_option,
    gathered,
    into_record,
    json_option,
    named,
    print_json,
    stop_on_ctrl_c,
)
from rimgauge.cli.decimals import WHOLE
from rimgauge.cli.measure_given import load_wheel
from rimgauge.cli.views import view_named, with_scale
from rimgauge.errors import BadInput

if TYPE_CHECKING:
    from rimgauge.job import Job
    from rimgauge.live import Bench, Showing, Shown
    from rimgauge.live.desk import Draw
    from rimgauge.live.ink import Image
    from rimgauge.records import Direction, FloatArray, View, Wheel

LEGEND_SIZE = 1.9
"""Of the camera's picture, which stands small on the projector: as large as fits below it."""


@dataclass(frozen=True, kw_only=True)
class Look:
    """How it is shown: as WIDTHxHEIGHT, in a window or not, light or dark, and the video to write."""

    size: str
    no_window: bool
    light: bool
    record: Path | None

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height."""
        width, height = (int(part) for part in self.size.split("x"))
        return width, height

    def made(self, shown: Shown) -> tuple[Path, ...]:
        """Name the files that were written."""
        return shown.saved if self.record is None or not shown.recorded else (*shown.saved, self.record)


@click.command()
@click.argument("source", required=False)
@click.option(
    "--view",
    "view_file",
    type=FILE,
    help="Where things are. Default: the job's, or the view.json beside the frames.",
)
@click.option("--spokes", type=WHOLE, help="How many spokes the wheel has.")
@click.option("--wheel", type=FILE, help="The build of the wheel (wheel.toml) instead of --spokes.")
@click.option(
    "--direction",
    type=click.Choice(["lateral", "radial"]),
    default="lateral",
    show_default=True,
    help="Which of a job's views to take where none is named.",
)
@click.option(
    "--plan", type=FILE, help="Plan whose steps are shown. In a job: the latest, until measured again."
)
@click.option(
    "--before",
    type=FILE,
    help="Measurement to draw in dashes (pass.json). In a job: the latest, until measured again.",
)
@click.option("--record", type=FILE, help="Write what is shown to a video (.mp4 or .avi).")
@click.option(
    "--no-window", is_flag=True, help="Show no window; for machines without a screen, or a clip without keys."
)
@click.option(
    "--lesson", is_flag=True, help="Teach the whole job on the bundled frames; no SOURCE, no wheel."
)
@click.option("--light", is_flag=True, help="Start with dark letters on light.")
@click.option(
    "--size",
    type=click.Choice(["1280x720", "1920x1080"]),
    default="1280x720",
    show_default=True,
    help="Size of the picture.",
)
@fps_option
@json_option
@gathered("look", Look)
def command(
    *,
    source: str | None,
    view_file: Path | None,
    spokes: int | None,
    wheel: Path | None,
    direction: Direction,
    plan: Path | None,
    before: Path | None,
    lesson: bool,
    look: Look,
    fps: float,
    as_json: bool,
) -> None:
    """Show the gap large and live, for the bench or a class.

    SOURCE is a folder of frames, a video file, a camera number or an http(s) or rtsp address. Inside a job folder
    it is all that need be named: view, wheel, plan and the measurement before are the job's.

    The picture shows the gap in mm, the spoke at the pointer, the curve so far and what the camera sees; with a
    plan also the next nipple, and how the gap has changed since it was turned.

    Example:  rimgauge show 0 --view view.json --spokes 32

    Example:  rimgauge show --lesson
    """
    from rimgauge.cli.teaching import needs_nothing, teach

    if look.no_window and look.record is None:
        raise BadInput("--no-window leaves nothing to see; add --record FILE.mp4")
    if lesson:
        needs_nothing(source, view_file, spokes, wheel, plan, before)
        shown = teach(look)
    elif source is None:
        raise BadInput("say what to show: a folder, a video, a camera number or an address; or --lesson")
    else:
        shown = _watched(
            source, fps, view_named(view_file, direction, source), wheel, spokes, plan, before, look
        )
    into_record(*look.made(shown))
    if as_json:
        print_json(_fields(shown, look.record))
    else:
        _tell(shown, look.record, lesson=lesson)


def _watched(
    source: str,
    fps: float,
    view_file: Path,
    wheel_file: Path | None,
    spokes: int | None,
    plan: Path | None,
    before: Path | None,
    look: Look,
) -> Shown:
    """Show frames as they come, until they end or the person quits."""
    import threading

    from rimgauge.capture import ReadAhead, open_source
    from rimgauge.job import read_view
    from rimgauge.live import run_window
    from rimgauge.records import WheelInView
    from rimgauge.watching import watch

    view, wheel = with_scale(read_view(view_file), view_file), load_wheel(wheel_file, spokes)
    draw = drawing(view, wheel.spoke_angles_deg, look.size_px)
    bench = _bench(view, wheel, plan, before)
    stopped = threading.Event()
    with open_source(source, fps=fps) as frames, named(frames.name), stop_on_ctrl_c(stopped.set, frames.stop):
        live = not frames.files()
        return run_window(
            watch(frames if live else ReadAhead(frames), view, WheelInView.of(wheel), live=live),
            draw,
            bench=bench,
            window=not look.no_window,
            record_to=look.record,
            live=live,
            hold=not live and look.record is None,
            dark=not look.light,
            stopped=stopped.is_set,
        )


def _fields(shown: Shown, record: Path | None) -> dict[str, object]:
    """Put what was seen and written into the fields of --json."""
    from rimgauge.live import covered, spread_mm

    return {
        "frames": shown.seen,
        "recorded": shown.recorded,
        "record": None if record is None else str(record),
        "wheel_seen": covered(shown.trail),
        "largest_minus_smallest_mm": spread_mm(shown.trail),
        "saved": [str(path) for path in shown.saved],
    }


def _tell(shown: Shown, record: Path | None, *, lesson: bool) -> None:
    """Say what was written, and what the figure in the picture is worth beside a measurement's."""
    import math

    from rimgauge.live import spread_mm

    if record is not None and not shown.recorded:
        click.echo("Ended before the first picture; no clip is written.")
    elif record is not None:
        click.echo(f"Wrote {record}: {shown.recorded} pictures from {shown.seen} frames.")
    if shown.saved:
        click.echo(f"Saved {', '.join(str(path) for path in shown.saved)}.")
    spread = spread_mm(shown.trail)
    if not lesson and math.isfinite(spread):
        words = (
            f"The {spread:.2f} mm shown at the end are of the last time round, smoothed over five degrees; "
            "`rimgauge measure` takes all turns together and says how sure its figure is."
        )
        click.echo(folded(words))


def _bench(view: View, wheel: Wheel, plan: Path | None, before: Path | None) -> Bench:
    """Take the plan and the measurement before from their files, or the latest of the job here."""
    from rimgauge.bench import to_compare
    from rimgauge.job import find_job, latest, read_pass, read_plan

    job = find_job(Path.cwd())
    if plan is None and job is not None:
        plan = _still_to_do(job)
    if before is None and job is not None:
        before = latest(job, view.direction)
    runout = None if before is None else read_pass(before)
    if runout is not None and runout.direction != view.direction:
        raise BadInput(f"{before} is a {runout.direction} measurement, but the view is {view.direction}")
    corrections = () if plan is None else read_plan(plan).corrections
    if any(item.spoke > len(wheel.flanges) for item in corrections):
        raise BadInput(f"{plan} is for a wheel of more spokes; name the plan of this wheel with --plan")
    return to_compare(view, wheel, [(item.spoke, item.turns) for item in corrections], runout)


def _still_to_do(job: Job) -> Path | None:
    """Find the job's newest plan, unless the wheel was measured after it; that is said."""
    from rimgauge.job import history, plans, read_plan

    newest, course = next(reversed(plans(job)), None), history(job)
    if newest is None or not course.straight:
        return newest
    follows = read_plan(newest).follows
    last = max((result.file for result in course.straight), key=lambda file: course.places[file])
    if not follows or course.waits(follows, last):
        return newest
    click.echo(
        f"The wheel was measured ({last}) after {newest.name} was made, so its steps are not shown; "
        f"--plan {newest.name} shows them all the same.",
        err=True,
    )
    return None


def drawing(view: View, spoke_angles_deg: FloatArray, size: tuple[int, int]) -> Draw:
    """Join the marks on the camera picture and the projector picture."""
    import cv2
    import numpy as np

    from rimgauge.live import draw_projector
    from rimgauge.report.marked import overlay

    sides = tuple(edge.side for edge in view.edges)
    unplaced = "Turn the wheel slowly, once round past its mark"
    if view.tag_box is not None:
        unplaced = "No tag can be read: turn the wheel more slowly"
    elif view.mark_box is None:
        unplaced = "No mark on the wheel: spokes can't be told"

    def draw(showing: Showing) -> Image:
        moment = showing.moment
        # The picture is shown small: marks drawn into half of it cost a quarter.
        half = moment.image.shape[1] >= size[0]
        image = (
            cv2.resize(moment.image, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
            if half
            else moment.image
        )
        shrunk = 0.5 if half else 1.0
        marked = overlay(
            np.asarray(image, dtype=np.uint8),
            moment.tip_px * shrunk,
            moment.rim_px * shrunk,
            moment.gap_mm,
            view.positive,
            label="What the camera sees",
            legend_size=LEGEND_SIZE,
        )
        return draw_projector(
            showing,
            spoke_angles_deg=spoke_angles_deg,
            sides=sides,
            picture=marked,
            size=size,
            unplaced=unplaced,
        )

    return draw
