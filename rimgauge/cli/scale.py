"""rimgauge scale: tell how many millimetres a pixel is."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rimgauge.cli.common import PATH, gathered, json_option, next_step, print_json, quoted, shown
from rimgauge.cli.decimals import DECIMAL, PLACE, DecimalRange
from rimgauge.cli.views import put_view, view_named
from rimgauge.errors import BadFile, BadInput

if TYPE_CHECKING:
    from rimgauge.cli.scale_picture import Still
    from rimgauge.records import CameraPlace, Direction, FloatArray, View
    from rimgauge.signal.scale import ScaleResult

PICTURE = click.Path(path_type=str)
"""A file, or a camera's number or a stream's address, which a path would spoil."""
COINS = ("1-euro", "2-euro", "50-cent", "us-quarter")


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Given:
    """What the person gave of the length, and of the camera."""

    checkerboard: str | None
    square_mm: float | None
    card: str | None
    coin: str | None
    coin_is: str | None
    coin_mm: float | None
    rim_mm: float | None
    length_mm: float | None
    start: tuple[float, float] | None
    end: tuple[float, float] | None
    picture: str | None
    shim_mm: float | None
    pictures: tuple[Path, ...]
    distance_mm: float | None
    tilt_deg: float | None


@click.command()
@click.option("--view", "view_file", type=PATH, help="Where things are in the picture.")
@click.option("--direction", type=click.Choice(["lateral", "radial"]), help="In a job: which of its views.")
@click.option("--checkerboard", type=PICTURE, metavar="PICTURE", help="Board at the rim's edge.")
@click.option("--square-mm", type=DECIMAL, metavar="MM", help="Side of one square of the board.")
@click.option(
    "--card",
    type=PICTURE,
    metavar="PICTURE",
    help="Bank card at the rim's edge, its short side along the runout.",
)
@click.option("--coin", type=PICTURE, metavar="PICTURE", help="Coin at the rim's edge, facing the camera.")
@click.option("--coin-is", type=click.Choice(COINS), help="Which coin it is.")
@click.option("--coin-mm", type=DECIMAL, metavar="MM", help="Diameter of another coin.")
@click.option(
    "--rim-mm",
    type=DECIMAL,
    metavar="MM",
    help="Width of the rim by a caliper; its edges are at --from and --to.",
)
@click.option(
    "--length-mm", type=DECIMAL, metavar="MM", help="A known length between two points of the picture."
)
@click.option("--from", "start", type=PLACE, metavar="X,Y", help="One end of the length, in pixels.")
@click.option("--to", "end", type=PLACE, metavar="X,Y", help="Its other end.")
@click.option(
    "--picture",
    type=PICTURE,
    metavar="PICTURE",
    help="Picture in which both ends are straight edges: they are found there to a fraction of a pixel.",
)
@click.option("--shim-mm", type=DECIMAL, metavar="MM", help="How far the pointer was moved from the rim.")
@click.argument("pictures", nargs=-1, type=PATH, metavar="[BEFORE AFTER]")
@click.option(
    "--distance-mm",
    type=DECIMAL,
    metavar="MM",
    help="From the lens to the rim, by a ruler: the runout becomes surer.",
)
@click.option(
    "--tilt-deg",
    type=DecimalRange(-60.0, 60.0),
    help="How far the camera looks off square at the rim, 0 for square. + where it stands to the wheel's "
    "right of the rim, − to its left; radial: + farther out than the rim's edge, − nearer the hub. A "
    "checkerboard tells it by itself.",
)
@json_option
@gathered("told", _Given)
def command(*, view_file: Path | None, direction: Direction | None, told: _Given, as_json: bool) -> None:
    """Tell how many millimetres a pixel is, and keep it in the view.

    Hold a printed checkerboard, a bank card or a coin flat where the rim's edge is, and take a picture; or
    give the rim's width, or two points a known length apart; or take one picture, put a shim of known
    thickness behind the pointer so that it moves straight away from the rim, and take another. Instead of the
    two pictures two short videos will do, which see finer.

    A PICTURE is a file, or the number of the camera or a phone's address, which then takes it by itself: hold
    the thing still for three seconds.

    Example:  rimgauge scale --checkerboard sheet.jpg --square-mm 5

    By the camera itself:  rimgauge scale --checkerboard 0 --square-mm 5
    """
    from rimgauge.cli.scale_words import fields, words
    from rimgauge.job import check_view_as_recorded, kept_scale_picture, read_view
    from rimgauge.signal.scale import disagree

    _check_choice(told)
    _check_together(told)
    path = view_named(view_file, direction, None)
    check_view_as_recorded(path)
    view = read_view(path)
    place = _place_of_picture(path, told)
    found, seen = _found(view, told)
    other = view.scale
    differs = other is not None and disagree(found.scale, other)
    _check_scale(path, view, found.scale.mm_per_px)
    kept = dataclasses.replace(view, scale=found.scale)
    files = [*told.pictures, *([seen.file] if seen is not None and seen.file is not None else [])]
    taken = {} if place is None or seen is None else {place: seen.jpeg()}
    stale = [] if taken else [old for old in kept_scale_picture(path) if not _is_among(old, files)]
    put_view(path, kept, used=files, pictures=taken, gone=stale)
    if as_json:
        picture = None if place is None else str(place)
        print_json({**fields(path, kept, found, other, differs), "picture": picture})
        return
    click.echo(words(path, kept, found, other, differs))
    if place is not None:
        click.echo(f"The picture is kept as {shown(place)}: look whether it is sharp.")
    if not differs and not found.doubts:
        which = (
            f" --direction {view.direction}"
            if view_file is None
            else f" --view {quoted(path)} --wheel wheel.toml"
        )
        next_step("turn the wheel slowly, three times round, and measure.", f"rimgauge measure SOURCE{which}")


def _check_scale(path: Path, view: View, mm_per_px: float) -> None:
    """Refuse a scale that no picture of a rim can have."""
    from rimgauge.records import scale_trouble

    trouble = scale_trouble(mm_per_px, view.image_size)
    if trouble:
        raise BadInput(
            f"{shown(path)} is left as it was, for one pixel can't be {mm_per_px:.4g} mm: {trouble}; check the "
            "millimetres that you typed (an inch is 25.4 mm), and where the two ends are"
        )


def _place_of_picture(view_file: Path, told: _Given) -> Path | None:
    """Name the file in which a job keeps the picture that the camera itself is to take; None where it does neither.

    Raises
    ------
    BadFile
        A file of this name is there that no command put there.

    """
    from rimgauge.cli.scale_picture import is_live
    from rimgauge.job import find_job, kept_scale_picture, scale_picture_path

    named = (told.checkerboard, told.card, told.coin, told.picture)
    if find_job(view_file.resolve().parent) is None or not any(each and is_live(each) for each in named):
        return None
    place = scale_picture_path(view_file)
    if place.exists() and not kept_scale_picture(view_file):
        raise BadFile(
            place, "is there already, and not as scale kept it; move it away, or give it another name"
        )
    return place


def _is_among(file: Path, files: list[Path]) -> bool:
    """Whether a file is one of some, however they were named."""
    return any(file.samefile(each) for each in files)


def _found(view: View, told: _Given) -> tuple[ScaleResult, Still | None]:
    """Take the scale by the way that was chosen, and the picture of the length, where there is one."""
    import rimgauge.cli.scale_ways as ways
    from rimgauge.cli.scale_picture import still
    from rimgauge.signal.standing import told_camera

    distance_mm = None if told.distance_mm is None else _given("--distance-mm", told.distance_mm)
    if told.checkerboard is not None:
        square_mm = _given("--square-mm", told.square_mm)
        seen = still(told.checkerboard)
        return ways.by_board(view, seen, square_mm, distance_mm), seen
    camera, doubts = told_camera(view, distance_mm, told.tilt_deg)
    found, picture = _without_board(view, told, camera)
    return dataclasses.replace(found, doubts=doubts), picture


def _without_board(view: View, told: _Given, camera: CameraPlace | None) -> tuple[ScaleResult, Still | None]:
    import rimgauge.cli.scale_ways as ways
    from rimgauge.cli.scale_picture import still
    from rimgauge.signal.scale import COINS_MM

    if told.card is not None:
        seen = still(told.card)
        return ways.by_card(view, seen, camera), seen
    if told.coin is not None:
        coin_mm = COINS_MM[told.coin_is] if told.coin_is else _given("--coin-mm", told.coin_mm)
        seen = still(told.coin)
        return ways.by_coin(view, seen, coin_mm, camera), seen
    if told.shim_mm is not None:
        return ways.by_shim(view, _given("--shim-mm", told.shim_mm), told.pictures, camera), None
    ends = _point("--from", told.start, view), _point("--to", told.end, view)
    if told.length_mm is not None:
        length_mm = _given("--length-mm", told.length_mm)
        picture = None if told.picture is None else still(told.picture)
        return ways.by_length(view, length_mm, *ends, picture, camera), picture
    if told.picture is None:
        raise BadInput("--rim-mm needs --picture: one in which both edges of the rim are seen")
    rim_mm, seen = _given("--rim-mm", told.rim_mm), still(told.picture)
    return ways.by_rim(view, rim_mm, *ends, seen, camera), seen


def _check_together(told: _Given) -> None:
    """Refuse options that don't belong to the way chosen."""
    if told.pictures and told.shim_mm is None:
        raise BadInput("pictures without an option belong to --shim-mm; name a board's with --checkerboard")
    if told.square_mm is not None and told.checkerboard is None:
        raise BadInput("--square-mm goes with --checkerboard PICTURE; leave it out")
    if told.tilt_deg is not None and told.checkerboard is not None:
        raise BadInput("--tilt-deg isn't needed with --checkerboard, which tells it")
    by_ends = told.length_mm is not None or told.rim_mm is not None
    if (told.start is not None or told.end is not None) and not by_ends:
        raise BadInput("--from and --to go with --length-mm or --rim-mm; leave them out")
    if told.picture is not None and not by_ends:
        raise BadInput("--picture goes with --length-mm or --rim-mm, whose ends are found in it")
    sizes = sum(size is not None for size in (told.coin_is, told.coin_mm))
    if told.coin is None and sizes:
        raise BadInput("--coin-is and --coin-mm go with --coin PICTURE")
    if told.coin is not None and sizes != 1:
        raise BadInput(
            f"say which coin it is with --coin-is ({', '.join(COINS)}), or its diameter with --coin-mm"
        )


def _check_choice(told: _Given) -> None:
    """Exactly one way to tell the scale."""
    ways = (told.checkerboard, told.card, told.coin, told.rim_mm, told.length_mm, told.shim_mm)
    if sum(way is not None for way in ways) != 1:
        raise BadInput(
            "give one of --checkerboard PICTURE, --card PICTURE, --coin PICTURE, --rim-mm MM, --length-mm MM or "
            "--shim-mm MM; see rimgauge scale --help"
        )


def _given(option: str, value_mm: float | None) -> float:
    """Refuse a length that is missing, or none."""
    if value_mm is None:
        raise BadInput(f"{option} is missing; say how many millimetres it is")
    if not 1e-3 <= value_mm <= 1e4:
        raise BadInput(f"{option} must lie between 0.001 and 10000 mm, not {value_mm:g}")
    return value_mm


def _point(option: str, place: tuple[float, float] | None, view: View) -> FloatArray:
    """Check that a place (2,) lies in the picture."""
    import numpy as np

    if place is None:
        raise BadInput(f"{option} is missing; give the place as x,y in pixels")
    (x, y), (width, height) = place, view.image_size
    if not (0 <= x <= width - 1 and 0 <= y <= height - 1):
        raise BadInput(f"{option} {x:g},{y:g} lies outside the picture of {width} × {height} pixels")
    return np.array(place)
