"""lens.json: what a camera's lens does, for one size of picture."""

from __future__ import annotations

from pathlib import Path

from rimgauge.records import Lens

from .reader import Reader, read_json, write_json
from .view_file import lens_fields, parse_lens


def read_lens(path: Path) -> tuple[Lens, tuple[int, int]]:
    """Read a lens and the size of the pictures it was found in.

    Raises
    ------
    BadFile
        The file can't be read or understood; the sentence names the field.

    """
    return _parse(read_json(Path(path), "rimgauge-lens"))


def write_lens(path: Path, lens: Lens, image_size: tuple[int, int]) -> None:
    """Write a lens, whole or not at all.

    Raises
    ------
    BadFile
        It can't be written.

    """
    fields = {"image_size": list(image_size), **lens_fields(lens)}
    write_json(Path(path), "rimgauge-lens", fields, _parse)


def _parse(fields: Reader) -> tuple[Lens, tuple[int, int]]:
    width, height = (side.whole(least=1) for side in fields["image_size"].items(least=2, most=2))
    return parse_lens(fields), (width, height)
