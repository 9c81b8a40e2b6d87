"""rimgauge aim: find the pointer and the rim in the picture."""

from __future__ import annotations

import contextlib
import math
import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rimgauge.cli.aim_second import second_of, seen_by
from rimgauge.cli.common import (
    DRIVE,
    FILE,
    folded,
    fps_option,
    json_option,
    next_step,
    print_json,
    quoted,
    shown,
)
from rimgauge.cli.decimals import PLACE
from rimgauge.cli.forward import say_forward
from rimgauge.cli.scale_picture import is_live
from rimgauge.cli.views import put_view
from rimgauge.errors import BadFile, BadInput

if TYPE_CHECKING:
    from rimgauge.capture.aim import Hints
    from rimgauge.capture.aim_trial import Aim
    from rimgauge.capture.aim_way import Way
    from rimgauge.job import Job
    from rimgauge.records import Direction, Side

ASSUMED = {
    "lateral": "Taken for lateral, as --direction says: the pointer stands beside the rim's flank. If it looks at the "
    "rim's outer edge, aim with --direction radial.",
    "radial": "Taken for radial, as --direction says: the pointer looks at the rim's outer edge. If it stands beside "
    "the rim's flank, aim with --direction lateral.",
}
"""What no picture tells for sure, and the person must look at: which edge of the rim it is."""


@click.command()
@click.argument("source", required=False)
@click.option(
    "--direction", type=click.Choice(["lateral", "radial"]), required=True, help="Runout to be measured."
)
@click.option("--out", type=FILE, help="Where to write what was found (view.json).")
@click.option("--picture", type=FILE, help="Where to write a picture of what was found (PNG).")
@click.option(
    "--pointer-at", metavar="X,Y", type=PLACE, help="About where the pointer's tip is in the picture."
)
@click.option("--rim-at", metavar="X,Y", type=PLACE, help="About where the rim's edge is beside the tip.")
@click.option(
    "--second-pointer-at",
    "second_at",
    metavar="X,Y",
    type=PLACE,
    help="Where a second pointer's tip is, on the wheel's other side: both sides are measured at once.",
)
@click.option("--mark-at", metavar="X,Y", type=PLACE, help="Where the mark on the rim passes.")
@click.option(
    "--runs",
    type=click.Choice(["up", "down", "left", "right"]),
    help="Which way the rim runs past the pointer as the wheel rolls forward.",
)
@click.option(
    "--side",
    type=click.Choice(["right", "left"]),
    help="Side of the wheel the pointer is on; right is where the drive is. Default: by the way the rim runs.",
)
@fps_option
@click.option(
    "--forget", is_flag=True, help="Take a job's view of that direction away: it was made by mistake."
)
@json_option
def command(
    *,
    source: str | None,
    direction: Direction,
    out: Path | None,
    picture: Path | None,
    pointer_at: tuple[float, float] | None,
    rim_at: tuple[float, float] | None,
    second_at: tuple[float, float] | None,
    mark_at: tuple[float, float] | None,
    runs: Way | None,
    side: Side | None,
    fps: float,
    forget: bool,
    as_json: bool,
) -> None:
    """Find the pointer and the rim in the picture.

    SOURCE is a folder of frames, a video file, a camera number or an http(s) or rtsp address. Turn the wheel
    forward by hand while it looks. Check the picture afterwards; where it shows the wrong place, say the
    right one with --pointer-at and --rim-at, in the camera's pixels from the top left corner. Inside a job
    folder the files need not be named.

    Example:  rimgauge aim 0 --direction lateral
    """
    from rimgauge.capture.aim import Hints
    from rimgauge.job import find_job, kept_scale_picture

    if forget:
        _forget(direction, source, as_json=as_json)
        return
    if source is None:
        context = click.get_current_context()
        lacking = next(param for param in context.command.params if param.name == "source")
        raise click.MissingParameter(ctx=context, param=lacking)
    hints = Hints(pointer_at=pointer_at, rim_at=rim_at, mark_at=mark_at, runs=runs)
    view_file, picture_file = _files(find_job(Path.cwd()), direction, out, picture)
    found = _found(source, fps, direction, side, hints, second_at)
    pictures = {} if picture_file is None else {picture_file: _picture(picture_file, found)}
    told = (*_noted(direction, found), *_lost(view_file))
    gone = kept_scale_picture(view_file)
    put_view(view_file, seen_by(found), used=[Path(source)], pictures=pictures, gone=gone)
    _print(found, told, view_file, picture_file, side_told=side is not None, as_json=as_json)
    if not as_json:
        _next_step(source, f"--direction {direction}" if out is None else f"--view {quoted(out)}")


def _next_step(source: str, which: str) -> None:
    """Say that the scale comes next, and how; an address is shown without what may be secret in it."""
    from rimgauge.capture.http_stream import without_secrets

    words, picture = "take a picture of it.", "sheet.jpg"
    if is_live(source):
        address = without_secrets(source)
        words, picture = "let the camera take a picture of it.", shlex.quote(address)
        if address != source:
            words = (
                words[:-1]
                + " (the address here lacks its user, password and what follows a question mark: type them too)."
            )
    next_step(
        f"if the picture is right, hold the printed sheet where the rim's edge is and {words}",
        f"rimgauge scale --checkerboard {picture} --square-mm 5 {which}",
    )


def _noted(direction: Direction, found: list[Aim]) -> tuple[str, ...]:
    """What is to be said of the aim, each remark once."""
    remarks = (note for each in found for note in (*each.notes, *each.edge_notes))
    return tuple(dict.fromkeys((ASSUMED[direction], *remarks)))


def _forget(direction: Direction, source: str | None, *, as_json: bool) -> None:
    """Take the view away from the job here, and say so."""
    from rimgauge.job import find_job, forget_view

    job = find_job(Path.cwd())
    if source is not None or job is None:
        raise BadInput(
            "--forget takes a view away from the job it is typed in: go into its folder, and name no SOURCE"
        )
    path = forget_view(job, direction)
    if as_json:
        print_json({"forgotten": str(path)})
    else:
        click.echo(f"The job has no {direction} view any more; what was measured with it stays.")


def _found(
    source: str,
    fps: float,
    direction: Direction,
    side: Side | None,
    hints: Hints,
    second_at: tuple[float, float] | None,
) -> list[Aim]:
    """Find the pointer, and the second one where its place is told."""
    from rimgauge.capture.aim import Hints
    from rimgauge.capture.aim_begin import aim_from
    from rimgauge.capture.sources import open_source

    if second_at is not None and direction == "radial":
        raise BadInput(
            "--second-pointer-at is for --direction lateral: the rim has two sides, but one outer edge"
        )
    with open_source(source, fps=fps) as opened:
        frames, first = aim_from(opened, direction, "outer" if direction == "radial" else side, hints)
    if second_at is None:
        return [first]
    return [first, second_of(first, frames, Hints(pointer_at=second_at, mark_at=hints.mark_at))]


def _files(
    job: Job | None, direction: Direction, out: Path | None, picture: Path | None
) -> tuple[Path, Path | None]:
    """Name the files to write: those asked for, where nothing else would be lost, else those of the job here."""
    from rimgauge.job import aim_picture_path, check_replaceable, view_path

    check_replaceable((out, "rimgauge-view"), (picture, "picture"))
    if out is not None:
        return out, picture
    if job is None:
        raise BadInput("say where to write what is found with --out view.json, or go into a job folder first")
    return view_path(job, direction), picture or aim_picture_path(job, direction)


def _lost(view_file: Path) -> list[str]:
    """Say what the view that is written over holds and a new one doesn't."""
    from rimgauge.job import read_view

    before = None
    if view_file.exists():
        with contextlib.suppress(BadFile):  # what can't be read holds nothing
            before = read_view(view_file)
    if before is None:
        return []
    held = {"a scale": before.scale, "what the lens does": before.lens}
    words = " and ".join(name for name, value in held.items() if value is not None)
    if not words:
        return []
    return [
        f"{shown(view_file)} held {words}, of the camera as it was: it holds that no longer, so find it out again."
    ]


def _picture(path: Path, found: list[Aim]) -> bytes:
    """Draw what was found, each pointer in a picture of its own below the other, as the file's name asks."""
    import cv2
    import numpy as np

    from rimgauge.capture.aim_picture import draw_aim
    from rimgauge.job import signed_picture

    if path.suffix.lower() not in (".png", ".jpg", ".jpeg"):
        raise BadFile(path, "a picture's name must end in .png or .jpg")
    _, data = cv2.imencode(path.suffix.lower(), np.vstack([draw_aim(each) for each in found]))
    return signed_picture(data.tobytes())


def _print(
    found: list[Aim],
    notes: tuple[str, ...],
    view_file: Path,
    picture_file: Path | None,
    *,
    side_told: bool,
    as_json: bool,
) -> None:
    if as_json:
        pointers = [
            {"tip_px": list(each.tip_px), "rim_px": list(each.rim_px), "side": each.view.edges[0].side}
            for each in found
        ]
        print_json(
            {
                "view": str(view_file),
                "picture": None if picture_file is None else str(picture_file),
                **pointers[0],
                "second": pointers[1] if len(pointers) > 1 else None,
                "notes": list(notes),
            }
        )
        return
    for number, each in enumerate(found):
        _print_place(each, "Second pointer tip" if number else "Pointer tip", side_told=side_told)
    for note in notes:
        click.echo(folded(note))
    click.echo(f"Wrote {shown(view_file)}.")
    say_forward(found[0].view, side_told=side_told, pictured=picture_file is not None)
    _print_look(found[0], picture_file)


def _print_place(found: Aim, tip: str, *, side_told: bool) -> None:
    """Say where a pointer is, in the picture and at the wheel."""
    gap_px = math.dist(found.tip_px, found.rim_px)
    x, y = found.tip_px
    click.echo(f"{tip} at {x:.0f},{y:.0f}, {gap_px:.0f} pixels from the rim's edge.")
    side = found.view.edges[0].side
    if side != "outer":
        why = "as --side says" if side_told else "if the wheel was turned forward"
        click.echo(f"It is on the wheel's {side} side, {DRIVE[side]}, {why}.")


def _print_look(found: Aim, picture_file: Path | None) -> None:
    """Say what to look at before anything is measured."""
    from rimgauge.capture.aim_picture import zoom_of

    if picture_file is None:
        click.echo(
            folded("No picture was asked for; to see whether it is right, aim again with --picture aim.png.")
        )
        return
    click.echo(f"Look at {shown(picture_file)}:")
    click.echo("is the ring on the tip and the line on the rim's very edge beside it?")
    zoom = zoom_of(found.image)
    enlarged = "" if zoom == 1 else f" (that picture is enlarged {zoom} times: divide by {zoom})"
    words = f"If not, aim again with --pointer-at X,Y and --rim-at X,Y in the camera's pixels{enlarged}."
    click.echo(folded(words))
