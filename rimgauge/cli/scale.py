"""rimgauge scale: tell how many millimetres a pixel is."""

from __future__ import annotations

import dataclasses
import math
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rimgauge.cli.common import json_option, next_step, print_json, quoted, shown, view_in_job
from rimgauge.errors import BadInput, PointerNotSeen

if TYPE_CHECKING:
    from rimgauge.capture.targets import Length
    from rimgauge.records import CameraPlace, Direction, FloatArray, Scale, View
    from rimgauge.signal.scale import ScaleResult

METHODS = {
    "checkerboard": "a checkerboard",
    "length": "an object of known length",
    "shim": "a shim behind the pointer",
}


@click.command()
@click.option("--view", "view_file", type=click.Path(path_type=Path), help="Where things are in the picture.")
@click.option("--direction", type=click.Choice(["lateral", "radial"]), help="In a job: which of its views.")
@click.option(
    "--checkerboard", type=click.Path(path_type=Path), metavar="PICTURE", help="Board at the rim's edge."
)
@click.option("--square-mm", metavar="MM", help="Side of one square of the board.")
@click.option(
    "--distance-mm",
    metavar="MM",
    help="From the lens to the rim, by a ruler; helps where the board can't tell.",
)
@click.option("--length-mm", metavar="MM", help="A known length between two points of the picture.")
@click.option("--from", "start", metavar="X,Y", help="One end of the length, in pixels.")
@click.option("--to", "end", metavar="X,Y", help="Its other end.")
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    help="Picture in which both ends are straight edges: they are found there to a fraction of a pixel.",
)
@click.option("--shim-mm", metavar="MM", help="How far the pointer was moved from the rim.")
@click.argument("pictures", nargs=-1, type=click.Path(path_type=Path), metavar="[BEFORE AFTER]")
@json_option
def command(
    *,
    view_file: Path | None,
    direction: Direction | None,
    checkerboard: Path | None,
    square_mm: str | None,
    distance_mm: str | None,
    length_mm: str | None,
    start: str | None,
    end: str | None,
    picture: Path | None,
    shim_mm: str | None,
    pictures: tuple[Path, ...],
    as_json: bool,
) -> None:
    """Tell how many millimetres a pixel is, and keep it in the view.

    Hold a printed checkerboard flat where the rim's edge is; or give two points a known length apart; or take
    one picture, put a shim of known thickness behind the pointer so that it moves straight away from the rim,
    and take another.

    Example:  rimgauge scale --checkerboard sheet.jpg --square-mm 5
    """
    from rimgauge.job import read_view
    from rimgauge.signal.scale import disagree

    _check_choice(checkerboard, length_mm, shim_mm)
    if pictures and shim_mm is None:
        raise BadInput("pictures without an option belong to --shim-mm; name a board's with --checkerboard")
    if distance_mm is not None and checkerboard is None:
        raise BadInput("--distance-mm goes with --checkerboard, whose perspective it sharpens")
    if picture is not None and length_mm is None:
        raise BadInput("--picture goes with --length-mm, whose ends are found in it")
    path = _view_path(view_file, direction)
    view = read_view(path)
    if checkerboard is not None:
        distance = None if distance_mm is None else _millimetres("--distance-mm", distance_mm)
        found = _by_board(view, checkerboard, _millimetres("--square-mm", square_mm), distance)
    elif length_mm is not None:
        found = _by_length(
            view,
            _millimetres("--length-mm", length_mm),
            _point("--from", start, view),
            _point("--to", end, view),
            picture,
        )
    else:
        found = _by_shim(view, _millimetres("--shim-mm", shim_mm), pictures)
    before = view.scale
    other = before if before is not None and before.method != found.scale.method else None
    differs = other is not None and disagree(found.scale, other)
    _keep(path, dataclasses.replace(view, scale=found.scale))
    if as_json:
        print_json(_fields(path, found, other, differs))
    else:
        click.echo(_words(path, found, other, differs))
        if differs:
            return
        files = (
            f" --direction {view.direction}"
            if view_file is None
            else f" --view {quoted(path)} --wheel wheel.toml"
        )
        next_step("turn the wheel slowly, three times round, and measure.", f"rimgauge measure SOURCE{files}")


def _check_choice(*ways: object) -> None:
    """Exactly one way to tell the scale."""
    if sum(way is not None for way in ways) != 1:
        raise BadInput(
            "give one of --checkerboard PICTURE, --length-mm MM or --shim-mm MM; see rimgauge scale --help"
        )


def _view_path(path: Path | None, direction: Direction | None) -> Path:
    from rimgauge.job import find_job

    if path is not None:
        return path
    job = find_job(Path.cwd())
    if job is None:
        raise BadInput("say where things are in the picture with --view view.json; `rimgauge aim` makes one")
    return view_in_job(job, direction)


def _millimetres(option: str, text: str | None) -> float:
    """Read a length that can be one."""
    if text is None:
        raise BadInput(f"{option} is missing; say how many millimetres it is")
    try:
        value = float(text)
    except ValueError:
        raise BadInput(f"{option} must be a number of millimetres, not {text}") from None
    if not (math.isfinite(value) and 1e-3 <= value <= 1e4):
        raise BadInput(f"{option} must lie between 0.001 and 10000 mm, not {text}")
    return value


def _point(option: str, text: str | None, view: View) -> FloatArray:
    """Read x,y and check that it lies in the picture."""
    import numpy as np

    if text is None:
        raise BadInput(f"{option} is missing; give the place as x,y in pixels")
    try:
        x, y = (float(part) for part in text.split(","))
    except ValueError:
        raise BadInput(f"{option} must be two numbers x,y in pixels, not {text}") from None
    width, height = view.image_size
    if not (0 <= x <= width - 1 and 0 <= y <= height - 1):
        raise BadInput(f"{option} {text} lies outside the picture of {width} × {height} pixels")
    return np.array([x, y])


def _by_board(view: View, picture: Path, square_mm: float, distance_mm: float | None) -> ScaleResult:
    import numpy as np

    from rimgauge.capture.camera_place import camera_place
    from rimgauge.capture.sources import read_picture
    from rimgauge.capture.targets import check_size, find_corners, squares_px
    from rimgauge.signal.scale import scale_from_squares

    image = read_picture(picture)
    check_size(image, view, str(picture))
    corners = find_corners(image, str(picture))
    squares = squares_px(corners, view)
    return scale_from_squares(
        square_mm,
        np.array([square.px for square in squares]),
        np.array([square.standard_error_px for square in squares]),
        np.array([square.place_error_px for square in squares]),
        camera_place(corners, square_mm, view, distance_mm),
    )


def _known_camera(view: View) -> CameraPlace | None:
    """Where a board showed the camera to stand: still true when the scale comes from something else."""
    return None if view.scale is None else view.scale.camera


def _by_length(
    view: View, length_mm: float, start: FloatArray, end: FloatArray, picture: Path | None
) -> ScaleResult:
    from rimgauge.capture.ends import between_edges
    from rimgauge.capture.sources import read_picture
    from rimgauge.capture.targets import check_size
    from rimgauge.signal.scale import scale_from_points

    if picture is None or bool((start == end).all()):
        return scale_from_points(length_mm, start, end, view)
    image = read_picture(picture)
    check_size(image, view, str(picture))
    found = between_edges(image, start, end, str(picture))
    return scale_from_points(length_mm, start, end, view, sharpened=(found.px, found.standard_error_px))


def _by_shim(view: View, shim_mm: float, pictures: tuple[Path, ...]) -> ScaleResult:
    import numpy as np

    from rimgauge.capture.shim import pointer_moved_px
    from rimgauge.capture.sources import read_picture
    from rimgauge.signal.scale import scale_from_shim

    if len(pictures) != 2:
        raise BadInput("--shim-mm needs two pictures: one before the shim was put in, one after")
    before, after = (read_picture(picture) for picture in pictures)
    moves: list[Length] = []
    for edge in view.edges:
        try:
            moves.append(pointer_moved_px(before, after, view, edge))
        except PointerNotSeen:  # with two pointers, one may have been left where it was
            if edge is view.edges[-1] and not moves:
                raise
    return scale_from_shim(
        shim_mm,
        np.array([move.px for move in moves]),
        np.array([move.standard_error_px for move in moves]),
        _known_camera(view),
    )


def _keep(path: Path, view: View) -> None:
    """Write the view; where it belongs to a job, its manifest follows."""
    from rimgauge.job import find_job, update_manifest, write_view

    write_view(path, view)
    job = find_job(path.resolve().parent)
    if job is not None:
        update_manifest(job, (path,))


def _fields(path: Path, found: ScaleResult, other: Scale | None, differs: bool) -> dict[str, object]:
    return {
        "view": str(path),
        **_scale_fields(found.scale),
        "budget": [
            {
                "source": line.source,
                "standard_uncertainty_mm_per_px": line.relative * found.scale.mm_per_px,
            }
            for line in found.budget
        ],
        "previous": None if other is None else _scale_fields(other),
        "agrees": None if other is None else not differs,
    }


def _scale_fields(scale: Scale) -> dict[str, object]:
    return {
        "mm_per_px": scale.mm_per_px,
        "standard_uncertainty_mm_per_px": scale.standard_uncertainty_mm_per_px,
        "method": scale.method,
        "camera": None
        if scale.camera is None
        else {
            "distance_mm": scale.camera.distance_mm,
            "distance_standard_uncertainty_mm": scale.camera.distance_standard_uncertainty_mm,
            "off_square_deg": math.degrees(math.atan(scale.camera.crosstalk)),
            "off_square_standard_uncertainty_deg": math.degrees(scale.camera.crosstalk_standard_uncertainty)
            / (1.0 + scale.camera.crosstalk**2),
        },
    }


def _words(path: Path, found: ScaleResult, other: Scale | None, differs: bool) -> str:
    scale = found.scale
    expanded = 2.0 * scale.standard_uncertainty_mm_per_px
    lines = [
        f"One pixel is {scale.mm_per_px:.5f} mm ± {expanded:.5f} mm (about 95 % sure),",
        f"from {METHODS[scale.method]}. On 1 mm of runout, ± {expanded / scale.mm_per_px:.3f} mm.",
        "",
        "What makes it unsure (standard uncertainty, share of the scale):",
        *(f"  {line.source:<32} {100.0 * line.relative:6.2f} %" for line in found.budget),
    ]
    if scale.camera is not None:
        lines += ["", *_camera_words(scale.camera)]
    if other is not None:
        percent = 100.0 * (scale.mm_per_px / other.mm_per_px - 1.0)
        told = METHODS.get(other.method, f'"{other.method}"')
        said = f"The scale kept before, from {told}, was {other.mm_per_px:.5f} mm; "
        said += f"the new one is {percent:+.1f} % off it"
        end = (
            ", more than both allow: one of them is wrong. Check sizes and camera before you measure."
            if differs
            else ", which both allow."
        )
        lines += ["", textwrap.fill(said + end, 78)]
    return "\n".join([*lines, "", f"Wrote it into {shown(path)}."])


def _camera_words(camera: CameraPlace) -> list[str]:
    """Say how the camera stands, and what to do where that isn't known or isn't good."""
    off_deg = math.degrees(math.atan(abs(camera.crosstalk)))
    spread_mm = 2.0 * camera.distance_standard_uncertainty_mm
    said = f"The camera is about {camera.distance_mm:.0f} mm ± {spread_mm:.0f} mm from the rim and looks "
    said += f"{off_deg:.0f}° off square at it."
    if spread_mm > 0.4 * camera.distance_mm:
        said += " Measure the distance with a ruler and give --distance-mm: the runout becomes surer."
    if off_deg > 5.0:
        said += " Stand it square, or correct with a measurement of the other direction."
    return textwrap.wrap(said, 78)
