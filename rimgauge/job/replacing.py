"""What a command may write over: a file of the very kind that it writes, and nothing that a job's record rests on."""

from __future__ import annotations

import contextlib
import struct
import zlib
from pathlib import Path
from typing import Literal

from rimgauge.errors import BadFile

from . import disk
from .keep import is_kept_picture, picture_path
from .names import is_page, result_stem
from .reader import JsonFormat, Reader, read_json
from .recorded import recorded_as

Kind = JsonFormat | Literal[".pdf", ".html", "picture"]
_CALLED: dict[Kind, str] = {
    "rimgauge-view": "a view",
    "rimgauge-pass": "a measurement",
    "rimgauge-plan": "a plan",
    "rimgauge-lens": "a lens that was found",
    ".pdf": "a PDF that rimgauge made",
    ".html": "a page that rimgauge made",
    "picture": "a picture that rimgauge drew",
}
_PNG, _JPEG = b"\x89PNG", b"\xff\xd8"
_OURS, _SIGNED_WITHIN = b"drawn by rimgauge", 100
_PNG_HEADER = 33
"""Bytes of a PNG's signature and its first chunk."""


def signed_picture(data: bytes) -> bytes:
    """A PNG or JPEG with a comment that tells it from a person's pictures (PNG: a tEXt chunk; JPEG: a COM segment)."""
    if data.startswith(_PNG):
        chunk = b"tEXtComment\0" + _OURS
        framed = struct.pack(">I", len(chunk) - 4) + chunk + struct.pack(">I", zlib.crc32(chunk))
        return data[:_PNG_HEADER] + framed + data[_PNG_HEADER:]
    return data[:2] + b"\xff\xfe" + struct.pack(">H", 2 + len(_OURS)) + _OURS + data[2:]


def check_replaceable(*files: tuple[Path | None, Kind]) -> None:
    """Refuse names under which something of a person's, or of a job's record, would be lost; each with what is to be written.

    None, where nothing was named, is passed over.

    Raises
    ------
    BadFile
        A file of the name is there and of another kind, is a job's result or goes with one, or can't be written, or one
        name is meant for two kinds of file.

    """
    kinds: dict[Path, Kind] = {}
    for path, kind in files:
        if path is None:
            continue
        disk.check_writable(path)
        if kinds.setdefault(path.resolve(), kind) != kind:
            raise BadFile(
                path, "is named for two files, of which one would be lost; give each a name of its own"
            )
        name, sha256 = recorded_as(path)
        if result_stem(name) and not is_page(name) and (path.exists() or sha256):
            raise BadFile(
                path,
                "belongs to a measurement, plan or dish of this job, and those never change; choose another name",
            )
        # A page of the record is made anew though it was changed by hand since.
        made_anew = bool(sha256) and is_page(name) and path.suffix.lower() == kind
        if path.is_file() and not made_anew and not _is_of(path, kind):
            raise BadFile(
                path,
                f"is there already and is not {_CALLED[kind]}, so it is left as it is; choose another name, or move it away",
            )


def _is_of(path: Path, kind: Kind) -> bool:
    """Whether a file is of a kind, or holds nothing."""
    data = disk.read_bytes(path)
    if kind == "picture":
        return not data or (data.startswith((_PNG, _JPEG)) and _OURS in data[:_SIGNED_WITHIN])
    if kind == ".pdf" or kind == ".html":  # noqa: PLR1714 # mypy follows this
        starts = b"%pdf" if kind == ".pdf" else b"<!doctype html"
        return not data or (b"rimgauge" in data and data[: len(starts)].lower() == starts)
    return not data or _read(path, kind) is not None


def _read(path: Path, kind: JsonFormat) -> Reader | None:
    with contextlib.suppress(BadFile):
        return read_json(path, kind)
    return None


def check_picture_replaceable(measurement: Path) -> None:
    """Refuse the name of a measurement beside which another file has the name of its picture.

    Raises
    ------
    BadFile
        There is one, and not as it was kept with a measurement of this name.

    """
    picture = picture_path(measurement)
    if picture.exists() and not is_kept_picture(measurement):
        raise BadFile(
            picture,
            f"is there already, and the picture of the worst place that goes with {measurement.name} takes this name: choose "
            "another --out, move that file away, or add --keep none",
        )
