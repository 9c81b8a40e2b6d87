"""Which view a command works with, and how a new one is put down."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rimgauge.cli.common import quoted, shown
from rimgauge.errors import BadInput, FrameTrouble, ScaleMissing

if TYPE_CHECKING:
    from rimgauge.job import Job
    from rimgauge.records import Direction, View


def view_in_job(job: Job, direction: Direction | None) -> Path:
    """Name the job's view of the direction, or its only one; two are never guessed between."""
    from rimgauge.job import check_view_not_missing, view_path

    wanted: tuple[Direction, ...] = ("lateral", "radial") if direction is None else (direction,)
    found = [path for path in (view_path(job, each) for each in wanted) if path.is_file()]
    if len(found) > 1:
        raise BadInput(
            "this job has a lateral and a radial view; "
            "say which one is meant with --direction lateral or --direction radial "
            "(one made by mistake is taken away with: rimgauge aim --direction radial --forget)"
        )
    if not found:
        for each in wanted:
            check_view_not_missing(job, each)
        which = f"{direction} view" if direction else "view"
        raise BadInput(
            f"this job has no {which} yet; make one with: rimgauge aim SOURCE --direction {wanted[0]}"
        )
    return found[0]


def view_named(named: Path | None, direction: Direction | None, source: str | None) -> Path:
    """Name the view: the one that was named, else the job's here, else the one beside the source."""
    from rimgauge.job import find_job

    if named is not None:
        return named
    job = find_job(Path.cwd())
    if job is not None:
        return view_in_job(job, direction)
    found = None if source is None else view_beside(source)
    if found is None:
        raise BadInput(
            "no job folder here: go into the wheel's first, or say where things are in the picture with --view view.json; "
            "`rimgauge aim` makes one"
        )
    return found


def with_scale(view: View, path: Path) -> View:
    """Give back the view that was read from a file; without a scale nothing can be measured with it.

    Raises
    ------
    ScaleMissing
        It has none; the file is named, and what to type.

    """
    if view.scale is None:
        raise ScaleMissing(
            f"{shown(path)}: this view has no scale yet; take a picture of the printed sheet where the rim's edge is and run "
            f"rimgauge scale --view {quoted(Path(shown(path)))} --checkerboard sheet.jpg --square-mm 5 (a camera's "
            "number in place of sheet.jpg lets it take the picture; or give a card or a coin, see rimgauge scale --help)"
        )
    return view


def put_view(
    path: Path,
    view: View,
    *,
    used: Sequence[Path],
    pictures: Mapping[Path, bytes] | None = None,
    gone: Collection[Path] = (),
) -> None:
    """Write a view, and pictures that go with it; where it belongs to a job, its manifest follows.

    used: what the view was made from; gone: pictures a job kept of the view as it was, to be taken away.
    """
    from rimgauge.job import find_job, keep_view, write_bytes, write_view

    job = find_job(path.resolve().parent)
    if job is not None:
        keep_view(job, path, view, pictures, used=used, gone=gone)
        return
    write_view(path, view)
    for name, data in (pictures or {}).items():
        write_bytes(name, data)


def view_beside(source: str) -> Path | None:
    """Find the view.json that lies with a folder of frames, or beside a video, and say which it is.

    Raises
    ------
    FrameTrouble
        There is no such source: that is said rather than asking for its view.

    """
    place = Path(source)
    if not (source.isdecimal() or "://" in source or place.exists()):
        raise FrameTrouble(source, "there is no such file or folder; check the spelling")
    folders = [place] if place.is_dir() else [place.parent] if place.is_file() else []
    if place.is_dir() and place.resolve().name == "frames":
        folders.append(place.resolve().parent)
    found = (folder / "view.json" for folder in folders)
    view = next((path for path in found if path.is_file()), None)
    if view is not None:
        click.echo(f"Where things are is taken from {shown(view)}.", err=True)
    return view
