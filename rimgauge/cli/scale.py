"""rimgauge scale: tell how many millimetres a pixel is."""

from __future__ import annotations

import dataclasses
import math
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rimgauge.cli.common import json_option, next_step, print_json, quoted, shown, view_in_job
from rimgauge.errors import BadInput

if TYPE_CHECKING:
    from rimgauge.records import CameraPlace, Direction, FloatArray, Scale, View
    from rimgauge.signal.scale import ScaleResult

METHODS = {
    "checkerboard": "a checkerboard",
    "length": "an object of known length",
    "card": "a bank card",
    "coin": "a coin",
    "rim": "the width of the rim",
    "shim": "a shim behind the pointer",
}
COINS = ("1-euro", "2-euro", "50-cent", "us-quarter")
_PATH = click.Path(path_type=Path)


@click.command()
@click.option("--view", "view_file", type=_PATH, help="Where things are in the picture.")
@click.option("--direction", type=click.Choice(["lateral", "radial"]), help="In a job: which of its views.")
@click.option("--checkerboard", type=_PATH, metavar="PICTURE", help="Board at the rim's edge.")
@click.option("--square-mm", metavar="MM", help="Side of one square of the board.")
@click.option(
    "--card",
    type=_PATH,
    metavar="PICTURE",
    help="Bank card at the rim's edge, its short side along the runout.",
)
@click.option("--coin", type=_PATH, metavar="PICTURE", help="Coin at the rim's edge, facing the camera.")
@click.option("--coin-is", type=click.Choice(COINS), help="Which coin it is.")
@click.option("--coin-mm", metavar="MM", help="Diameter of another coin.")
@click.option(
    "--rim-mm", metavar="MM", help="Width of the rim by a caliper; its edges are at --from and --to."
)
@click.option("--length-mm", metavar="MM", help="A known length between two points of the picture.")
@click.option("--from", "start", metavar="X,Y", help="One end of the length, in pixels.")
@click.option("--to", "end", metavar="X,Y", help="Its other end.")
@click.option(
    "--picture",
    type=_PATH,
    help="Picture in which both ends are straight edges: they are found there to a fraction of a pixel.",
)
@click.option("--shim-mm", metavar="MM", help="How far the pointer was moved from the rim.")
@click.option(
    "--distance-mm", metavar="MM", help="From the lens to the rim, by a ruler: the runout becomes surer."
)
@click.option(
    "--tilt-deg",
    type=click.FloatRange(0.0, 60.0),
    help="How far the camera looks off square at the rim, 0 for square; a checkerboard tells it by itself.",
)
@click.argument("pictures", nargs=-1, type=_PATH, metavar="[BEFORE AFTER]")
@json_option
def command(
    *,
    view_file: Path | None,
    direction: Direction | None,
    checkerboard: Path | None,
    square_mm: str | None,
    card: Path | None,
    coin: Path | None,
    coin_is: str | None,
    coin_mm: str | None,
    rim_mm: str | None,
    length_mm: str | None,
    start: str | None,
    end: str | None,
    picture: Path | None,
    shim_mm: str | None,
    distance_mm: str | None,
    tilt_deg: float | None,
    pictures: tuple[Path, ...],
    as_json: bool,
) -> None:
    """Tell how many millimetres a pixel is, and keep it in the view.

    Hold a printed checkerboard, a bank card or a coin flat where the rim's edge is, and take a picture; or
    give the rim's width, or two points a known length apart; or take one picture, put a shim of known
    thickness behind the pointer so that it moves straight away from the rim, and take another.

    Example:  rimgauge scale --checkerboard sheet.jpg --square-mm 5
    """
    import rimgauge.cli.scale_ways as ways
    from rimgauge.job import read_view
    from rimgauge.signal.scale import COINS_MM, disagree, told_camera

    _check_choice(checkerboard, card, coin, rim_mm, length_mm, shim_mm)
    _check_together(
        board=(checkerboard, square_mm),
        coin=(coin, coin_is, coin_mm),
        lengths=(length_mm, rim_mm),
        ends=(start, end),
        ends_picture=picture,
        shim=(shim_mm, pictures),
        tilt_deg=tilt_deg,
    )
    path = _view_path(view_file, direction)
    view = read_view(path)
    distance = None if distance_mm is None else _millimetres("--distance-mm", distance_mm)
    camera = told_camera(view, distance, tilt_deg)
    if checkerboard is not None:
        found = ways.by_board(view, checkerboard, _millimetres("--square-mm", square_mm), distance)
    elif card is not None:
        found = ways.by_card(view, card, camera)
    elif coin is not None:
        diameter_mm = COINS_MM[coin_is] if coin_is else _millimetres("--coin-mm", coin_mm)
        found = ways.by_coin(view, coin, diameter_mm, camera)
    elif shim_mm is not None:
        found = ways.by_shim(view, _millimetres("--shim-mm", shim_mm), pictures, camera)
    else:
        ends = _point("--from", start, view), _point("--to", end, view)
        if length_mm is not None:
            found = ways.by_length(view, _millimetres("--length-mm", length_mm), *ends, picture, camera)
        elif picture is not None:
            found = ways.by_rim(view, _millimetres("--rim-mm", rim_mm), *ends, picture, camera)
        else:
            raise BadInput("--rim-mm needs --picture: one in which both edges of the rim are seen")
    other = view.scale
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


def _check_together(
    *,
    board: tuple[Path | None, str | None],
    coin: tuple[Path | None, str | None, str | None],
    lengths: tuple[str | None, ...],
    ends: tuple[str | None, ...],
    ends_picture: Path | None,
    shim: tuple[str | None, tuple[Path, ...]],
    tilt_deg: float | None,
) -> None:
    """Refuse options that don't belong to the way chosen.

    Parameters
    ----------
    board, coin, shim : each way, and what goes with that way alone.
    lengths : of the ways that go by two ends in the picture.
    ends, ends_picture : those ends, and where they are found.
    tilt_deg : what was told of the camera.
    """
    (board_picture, square_mm), (coin_picture, *coin_sizes), (shim_mm, pictures) = board, coin, shim
    if pictures and shim_mm is None:
        raise BadInput("pictures without an option belong to --shim-mm; name a board's with --checkerboard")
    if square_mm is not None and board_picture is None:
        raise BadInput("--square-mm goes with --checkerboard PICTURE; leave it out")
    if tilt_deg is not None and board_picture is not None:
        raise BadInput("--tilt-deg isn't needed with --checkerboard, which tells it")
    by_ends = any(length is not None for length in lengths)
    if any(end is not None for end in ends) and not by_ends:
        raise BadInput("--from and --to go with --length-mm or --rim-mm; leave them out")
    if ends_picture is not None and not by_ends:
        raise BadInput("--picture goes with --length-mm or --rim-mm, whose ends are found in it")
    sizes = sum(size is not None for size in coin_sizes)
    if coin_picture is None and sizes:
        raise BadInput("--coin-is and --coin-mm go with --coin PICTURE")
    if coin_picture is not None and sizes != 1:
        raise BadInput(
            f"say which coin it is with --coin-is ({', '.join(COINS)}), or its diameter with --coin-mm"
        )


def _check_choice(*ways: object) -> None:
    """Exactly one way to tell the scale."""
    if sum(way is not None for way in ways) != 1:
        raise BadInput(
            "give one of --checkerboard PICTURE, --card PICTURE, --coin PICTURE, --rim-mm MM, --length-mm MM or "
            "--shim-mm MM; see rimgauge scale --help"
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


def _keep(path: Path, view: View) -> None:
    """Write the view; where it belongs to a job, its manifest follows."""
    from rimgauge.job import find_job, keep_view, write_view

    job = find_job(path.resolve().parent)
    if job is None:
        write_view(path, view)
    else:
        keep_view(job, path, view)


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


def _camera_words(camera: CameraPlace | None) -> list[str]:
    """Say how the camera stands, and what to do where that isn't known or isn't good."""
    if camera is None:
        return textwrap.wrap(
            "Where the camera stands isn't known, which makes the runout less sure. Measure from the lens to the "
            "rim and give --distance-mm, stand it square and give --tilt-deg 0, or use a checkerboard.",
            78,
        )
    off_deg = math.degrees(math.atan(abs(camera.crosstalk)))
    unsure_deg = math.degrees(math.atan(camera.crosstalk_standard_uncertainty))
    spread_mm = 2.0 * camera.distance_standard_uncertainty_mm
    looks = f"{off_deg:.0f}° ± {2.0 * unsure_deg:.0f}° off square at it."
    if spread_mm < camera.distance_mm:
        said = f"The camera is about {camera.distance_mm:.0f} mm ± {spread_mm:.0f} mm from the rim and looks {looks}"
    else:
        said = f"How far the camera is from the rim isn't known; it looks {looks}"
    if spread_mm > 0.4 * camera.distance_mm:
        said += " Measure the distance with a ruler and give --distance-mm: the runout becomes surer."
    if off_deg > 5.0:
        said += " Stand it square, or correct with a measurement of the other direction."
    elif unsure_deg > 5.0:
        said += " Stand it square and give --tilt-deg 0, or use a checkerboard: the runout becomes surer."
    return textwrap.wrap(said, 78)
