"""rimgauge show: the gap large and live, for the bench or a class."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rimgauge.cli.common import json_option, print_json, stop_on_ctrl_c
from rimgauge.errors import BadInput

if TYPE_CHECKING:
    from rimgauge.live import Trail
    from rimgauge.live.ink import Image
    from rimgauge.live.window import Draw
    from rimgauge.records import Direction, FloatArray, Moment, View

_FILE = click.Path(dir_okay=False, path_type=Path)


@click.command()
@click.argument("source")
@click.option("--view", "view_file", type=_FILE, help="Where things are in the picture (view.json).")
@click.option("--spokes", metavar="NUMBER", help="How many spokes the wheel has.")
@click.option("--wheel", type=_FILE, help="The build of the wheel (wheel.toml) instead of --spokes.")
@click.option(
    "--direction",
    type=click.Choice(["lateral", "radial"]),
    default="lateral",
    show_default=True,
    help="Which of a job's views to take where none is named.",
)
@click.option("--record", type=_FILE, help="Write what is shown to a video (.mp4 or .avi).")
@click.option("--no-window", is_flag=True, help="Show no window; for machines without a screen.")
@click.option("--light", is_flag=True, help="Start with dark letters on light.")
@click.option(
    "--size",
    type=click.Choice(["1280x720", "1920x1080"]),
    default="1280x720",
    show_default=True,
    help="Size of the picture.",
)
@click.option(
    "--fps",
    type=click.FloatRange(min=0.1, max=1000),
    default=30.0,
    show_default=True,
    help="Frame rate where none is stated.",
)
@json_option
def command(
    *,
    source: str,
    view_file: Path | None,
    spokes: str | None,
    wheel: Path | None,
    direction: Direction,
    record: Path | None,
    no_window: bool,
    light: bool,
    size: str,
    fps: float,
    as_json: bool,
) -> None:
    """Show the gap large and live, for the bench or a class.

    SOURCE is a folder of frames, a video file, a camera number or an http(s) or rtsp address. The picture
    shows the gap in mm, the spoke at the pointer, the curve so far and what the camera sees. Inside a job
    folder the view and the wheel need not be named.

    Example:  rimgauge show 0 --view view.json --spokes 32
    """
    from rimgauge.capture.sources import open_source
    from rimgauge.live import covered, run_window, spread_mm
    from rimgauge.watching import watch

    if no_window and record is None:
        raise BadInput("--no-window leaves nothing to see; add --record FILE.mp4")
    view = _view(view_file, direction)
    angles_deg = _spoke_angles(spokes, wheel)
    width, height = (int(part) for part in size.split("x"))
    draw = _drawing(view, angles_deg, (width, height))
    with open_source(source, fps=fps) as frames, stop_on_ctrl_c(frames.stop):
        live = not frames.files()
        moments = watch(frames, view, angles_deg, live=live)
        shown = run_window(moments, draw, window=not no_window, record_to=record, live=live, dark=not light)
    if as_json:
        print_json(
            {
                "frames": shown.seen,
                "recorded": shown.recorded,
                "record": None if record is None else str(record),
                "wheel_seen": covered(shown.trail),
                "largest_minus_smallest_mm": spread_mm(shown.trail),
            }
        )
    elif record is not None:
        click.echo(f"Wrote {record}: {shown.recorded} pictures from {shown.seen} frames.")


def _view(path: Path | None, direction: Direction) -> View:
    from rimgauge.job import find_job, read_view, view_path

    if path is None:
        job = find_job(Path.cwd())
        path = view_path(job, direction) if job is not None else None
    if path is None:
        raise BadInput("say where things are in the picture with --view view.json; `rimgauge aim` makes one")
    return read_view(path)


def _spoke_angles(spokes: str | None, wheel: Path | None) -> FloatArray:
    """Take the spokes from the wheel file, the number given, or the job here."""
    from rimgauge.job import find_job, read_build
    from rimgauge.wheel import complete_wheel

    if spokes is not None and not (spokes.isdecimal() and int(spokes) > 0):
        raise BadInput(f"--spokes must be a whole number above 0, not {spokes}")
    if wheel is None and spokes is None:
        job = find_job(Path.cwd())
        if job is None:
            raise BadInput("say how many spokes the wheel has with --spokes, or name its file with --wheel")
        wheel = job.wheel
    build = read_build(wheel) if wheel is not None else {"spokes": int(spokes or 0)}
    if spokes is not None and build["spokes"] != int(spokes):
        raise BadInput(f"--spokes says {spokes} but {wheel} says {build['spokes']}; leave one of them out")
    return complete_wheel(build).spoke_angles_deg


def _drawing(view: View, angles_deg: FloatArray, size: tuple[int, int]) -> Draw:
    """Join the marks on the camera picture and the projector picture."""
    from rimgauge.live import draw_projector
    from rimgauge.report import overlay

    sides = tuple(edge.side for edge in view.edges)

    def draw(moment: Moment, trail: Trail, *, dark: bool, note: str) -> Image:
        return draw_projector(
            moment,
            trail,
            spoke_angles_deg=angles_deg,
            sides=sides,
            picture=overlay(
                moment.image,
                moment.tip_px,
                moment.rim_px,
                moment.gap_mm,
                view.positive,
                label="What the camera sees",
            ),
            size=size,
            dark=dark,
            note=note,
        )

    return draw
