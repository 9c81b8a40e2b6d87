"""Bytes to and from the disk: whole files or none, and one sentence for every trouble."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import shutil
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from rimgauge.errors import BadFile

LARGEST_BYTES = 100_000_000
"""No file of ours comes near: an hour of frames makes a pass of about 10 MB."""

_TROUBLES = {
    errno.ENOENT: "there is no such file or folder",
    errno.ENOTDIR: "part of this path is a file, not a folder",
    errno.EISDIR: "is a folder, not a file",
    errno.EACCES: "may not be opened or written; check its permissions",
    errno.EPERM: "may not be opened or written; check its permissions",
    errno.EROFS: "lies on a disk that can only be read; choose another place",
    errno.ENOSPC: "the disk is full; free some space and run the command again",
    errno.EDQUOT: "your share of the disk is full; free some space and run the command again",
    errno.EFBIG: "there is no room for a file of this size; free some space and run the command again",
    errno.EIO: "the disk reports an error; save the job elsewhere and run the command again",
    errno.ENAMETOOLONG: "the name is too long; choose a shorter one",
    errno.EEXIST: "is there already",
}


@contextlib.contextmanager
def one_sentence(path: Path) -> Iterator[None]:
    """Turn what the operating system complains about into a BadFile that names the path."""
    try:
        yield
    except OSError as trouble:
        words = _TROUBLES.get(trouble.errno or 0) or (trouble.strerror or str(trouble)).lower()
        raise BadFile(path, words) from trouble
    except ValueError as trouble:  # a zero character in the name
        raise BadFile(repr(str(path)), "is no name that a file can have") from trouble


def read_text(path: Path) -> str:
    """Read a whole text file; a byte order mark is dropped.

    Raises
    ------
    BadFile
        The file isn't there, may not be read, is a folder, is too large or is not UTF-8 text.

    """
    data = read_bytes(path)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as trouble:
        raise BadFile(path, "is not UTF-8 text; save it again as plain text in UTF-8") from trouble


def read_bytes(path: Path) -> bytes:
    """Read a whole file.

    Raises
    ------
    BadFile
        The file isn't there, may not be read, is a folder or is too large.

    """
    with one_sentence(path):
        if path.is_dir():  # Windows would only say that access is denied
            raise IsADirectoryError(errno.EISDIR, "")
        with path.open("rb") as file:
            data = file.read(LARGEST_BYTES + 1)
    if len(data) > LARGEST_BYTES:
        raise BadFile(
            path, f"is larger than {LARGEST_BYTES // 1_000_000} MB; that can't be one of rimgauge's files"
        )
    return data


def write_text(path: Path, text: str) -> None:
    """Write a whole text file as UTF-8, or leave what was there as it was; see write_bytes."""
    write_bytes(path, as_bytes(text))


def as_bytes(text: str) -> bytes:
    """Encode text as UTF-8; a name that is no text (odd bytes on Linux) survives as an escape that JSON and Python read."""
    return text.encode("utf-8", "backslashreplace")


def write_bytes(path: Path, data: bytes) -> None:
    """Write a whole file, or leave what was there as it was; see write_together."""
    write_together({path: data})


def write_together(files: Mapping[Path, bytes]) -> None:
    """Write whole files, or leave all that was there as it was; no disk that fills up comes between.

    The bytes of all go to hidden files in the same folders and are forced to the disk; only then they take the names
    over, in this order. A name that isn't a regular file (a device, a pipe) is simply written to.

    Raises
    ------
    BadFile
        One can't be written; the files of these names, if there were any, are untouched, but for those before one whose name
        can't be taken over though its bytes were written.

    """
    parts: list[tuple[Path, Path, Path]] = []
    try:
        for path, data in files.items():
            target = _target(path)
            if target is None:
                with one_sentence(path):
                    path.write_bytes(data)
                continue
            parts.append((path, target, target.with_name(f".rimgauge-{secrets.token_hex(6)}.part")))
            with one_sentence(path), parts[-1][2].open("xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
        for path, target, part in parts:
            with one_sentence(path):
                os.replace(part, target)
    except BaseException:
        for _, _, part in parts:
            part.unlink(missing_ok=True)
        raise
    for folder in {target.parent for _, target, _ in parts}:
        _settle(folder)


def _target(path: Path) -> Path | None:
    """Give the regular file that a name stands for, through a link, so that the link stays; None for a device or pipe."""
    check_name(path)
    with one_sentence(path):
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, "")
        if path.exists() and not path.is_file():
            return None
        target = path.resolve()
    if not target.parent.is_dir():
        raise BadFile(path, f"can't be written, for there is no folder {path.parent}; make it first")
    return target


def sweep(folder: Path) -> None:
    """Throw away half-made copies of frames that a command left when it was killed.

    Only for who holds the job: such copies are made by nobody else.
    """
    with contextlib.suppress(OSError):
        for path in folder.glob(".rimgauge-*.part"):
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)


def check_writable(path: Path) -> None:
    """Make sure that a file of this name could be written now, before work is done that would be lost.

    Raises
    ------
    BadFile
        It could not; nothing is changed.

    """
    target = _target(path)
    if target is None:
        return
    with one_sentence(path):
        trial = target.with_name(f".rimgauge-{secrets.token_hex(6)}.part")
        try:
            trial.open("xb").close()
        finally:
            trial.unlink(missing_ok=True)


_DEVICES = {
    *("con", "prn", "aux", "nul", "conin$", "conout$"),
    *(f"{port}{digit}" for port in ("com", "lpt") for digit in "123456789¹²³"),
}
"""Names that Windows keeps for devices, with any ending."""


def is_device_name(name: str) -> bool:
    """Tell whether Windows would take a file of this name for a device."""
    return name.split(".", maxsplit=1)[0].rstrip(" ").lower() in _DEVICES


def check_name(path: Path) -> None:
    """Refuse the name of a device: a record is meant to be handed on to any system.

    Raises
    ------
    BadFile
        It is one.

    """
    if is_device_name(path.name):
        raise BadFile(path, "is a name that Windows keeps for a device; choose another")


def copy_files(files: Iterable[Path], folder: Path) -> None:
    """Copy files into a new folder that appears whole or not at all.

    Raises
    ------
    BadFile
        The folder is there already, a file can't be read, or there is no room.

    """
    if folder.exists():
        raise BadFile(folder, "is there already; move it away, or write to another name")
    part = folder.with_name(f".rimgauge-{secrets.token_hex(6)}.part")
    try:
        with one_sentence(folder):
            part.mkdir()
            for file in files:
                _copy(file, part / file.name)
            part.rename(folder)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    _settle(folder.parent)


def _copy(file: Path, target: Path) -> None:
    with file.open("rb") as old, target.open("xb") as new:
        shutil.copyfileobj(old, new)
        new.flush()
        os.fsync(new.fileno())


def _settle(folder: Path) -> None:
    """Force a rename to the disk, where folders can be opened (not on Windows)."""
    if os.name != "posix":
        return
    with contextlib.suppress(OSError):  # some network disks refuse; the file itself is safe by now
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
