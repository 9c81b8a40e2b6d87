"""rimgauge lens: find out what the camera's lens does."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rimgauge.cli.common import PATH, json_option, picture_at, print_json, shown
from rimgauge.cli.views import put_view
from rimgauge.errors import BadInput

if TYPE_CHECKING:
    from rimgauge.capture.lens import Sighted
    from rimgauge.records import Lens, View


@click.command()
@click.argument("pictures", nargs=-1, type=PATH)
@click.option("--squares", metavar="9x6", help="Inner corners of a checkerboard, across and down.")
@click.option("--charuco", metavar="7x5", help="Squares of a board with markers between, across and down.")
@click.option("--markers", default="4X4_50", show_default=True, help="Set of markers of such a board.")
@click.option("--out", type=PATH, help="File to keep it in for other views (lens.json).")
@click.option("--view", "view_file", type=PATH, help="View of the same camera to keep it in.")
@json_option
def command(
    *,
    pictures: tuple[Path, ...],
    squares: str | None,
    charuco: str | None,
    markers: str,
    out: Path | None,
    view_file: Path | None,
    as_json: bool,
) -> None:
    """Find out focal length and distortion of the camera's lens, from pictures of a flat board.

    Take ten pictures or more with the camera setting that you measure with: the board tilted every way, near
    and far, and reaching into the corners of the picture.

    A lens.json that was written before may stand in place of the pictures, to keep it in another view.

    Example:  rimgauge lens board/*.jpg --squares 9x6 --out lens.json

    Example:  rimgauge lens lens.json --view view-lateral.json
    """
    from rimgauge.capture.lens import calibrate
    from rimgauge.job import check_replaceable, check_view_as_recorded, write_lens

    if len(pictures) == 1 and pictures[0].suffix.lower() == ".json":
        if view_file is None or squares or charuco or out:
            raise BadInput(
                f"{pictures[0]} holds a lens found before: give --view alone with it, to keep it there"
            )
        _from_file(pictures[0], view_file, as_json=as_json)
        return
    if (squares is None) == (charuco is None):
        raise BadInput("give --squares 9x6 for a checkerboard, or --charuco 7x5 for a board with markers")
    if not pictures:
        raise BadInput("name the pictures of the board")
    if view_file is not None:
        check_view_as_recorded(view_file)
    check_replaceable((out, "rimgauge-lens"))
    size = _size("--squares" if charuco is None else "--charuco", squares or charuco or "")
    sighted, missed, image_size = _sighted(pictures, size, None if charuco is None else markers)
    lens = calibrate(sighted, image_size)
    view = None if view_file is None else _with_lens(view_file, lens, image_size)
    if out is not None:
        write_lens(out, lens, image_size)
    if view_file is not None and view is not None:
        put_view(view_file, view, used=[*pictures, *([] if out is None else [out])])
    if as_json:
        print_json(_fields(lens, image_size, len(sighted), missed))
    else:
        click.echo(_words(lens, len(sighted), missed, [path for path in (out, view_file) if path]))


def _from_file(path: Path, view_file: Path, *, as_json: bool) -> None:
    """Keep in a view a lens that was written into a file before."""
    from rimgauge.job import check_view_as_recorded, lens_fields, read_lens

    check_view_as_recorded(view_file)
    lens, image_size = read_lens(path)
    put_view(view_file, _with_lens(view_file, lens, image_size), used=[path])
    if as_json:
        print_json({"image_size": list(image_size), **lens_fields(lens)})
    else:
        click.echo(f"Wrote {shown(view_file)}.")


def _sighted(
    pictures: tuple[Path, ...], size: tuple[int, int], markers: str | None
) -> tuple[list[Sighted], list[Path], tuple[int, int]]:
    """Boards seen, the pictures that show none, and the size of all of them; markers: those between a board's squares."""
    from rimgauge.capture.lens import sight_charuco, sight_checkerboard

    sighted: list[Sighted] = []
    missed, image_size = [], (0, 0)
    for path in pictures:
        picture = picture_at(path)
        shape = (picture.shape[1], picture.shape[0])
        if image_size not in ((0, 0), shape):
            raise BadInput(
                f"{path} is {shape[0]} × {shape[1]} pixels, the ones before {image_size[0]} × {image_size[1]}; "
                "all must come from one camera with one setting"
            )
        image_size = shape
        found = (
            sight_checkerboard(picture, size) if markers is None else sight_charuco(picture, size, markers)
        )
        if found is None:
            missed.append(path)
        else:
            sighted.append(found)
    return sighted, missed, image_size


def _size(option: str, text: str) -> tuple[int, int]:
    found = re.fullmatch(r"(\d{1,2})[x×](\d{1,2})", text.strip())
    if found is None or min(int(found[1]), int(found[2])) < 3:
        raise BadInput(f"{option} must be two whole numbers of 3 or more such as 9x6, not {text}")
    return int(found[1]), int(found[2])


def _with_lens(path: Path, lens: Lens, image_size: tuple[int, int]) -> View:
    """Read the view and put the lens into it."""
    import dataclasses

    from rimgauge.job import read_view

    view = read_view(path)
    if view.image_size != image_size:
        raise BadInput(
            f"the board's pictures are {image_size[0]} × {image_size[1]} pixels, {path} is for "
            f"{view.image_size[0]} × {view.image_size[1]}; take them with the same camera setting"
        )
    return dataclasses.replace(view, lens=lens)


def _fields(lens: Lens, image_size: tuple[int, int], used: int, missed: list[Path]) -> dict[str, object]:
    from rimgauge.job import lens_fields

    return {
        "image_size": list(image_size),
        **lens_fields(lens),
        "used": used,
        "missed": [str(path) for path in missed],
    }


def _words(lens: Lens, used: int, missed: list[Path], written: list[Path]) -> str:
    matrix = lens.camera_matrix
    lines = [
        f"Focal length {matrix[0, 0]:.1f} × {matrix[1, 1]:.1f} px, optical axis at "
        f"{matrix[0, 2]:.1f},{matrix[1, 2]:.1f} px.",
        "Distortion (k1 k2 p1 p2 k3): " + " ".join(f"{value:.4f}" for value in lens.distortion) + ".",
        f"From {used} pictures; corners fit within {lens.rms_px:.2f} px (rms).",
    ]
    lines += [f"The board wasn't found in {path}; that picture was left out." for path in missed]
    if lens.rms_px > 1.0:
        lines.append("That is poor: use sharper pictures and a flatter board.")
    return "\n".join([*lines, *(f"Wrote {shown(path)}." for path in written)])
