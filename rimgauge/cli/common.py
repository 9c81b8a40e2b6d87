"""What every command says to the person and how: options that several take, words, paths and JSON."""

from __future__ import annotations

import contextlib
import json
import math
import os
import re
import shlex
import signal
import sys
import textwrap
import threading
from collections.abc import Callable, Collection, Iterator
from dataclasses import fields
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import click

from rimgauge.cli.decimals import DecimalRange
from rimgauge.errors import BadFile, FrameTrouble

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from rimgauge.job import Job

_F = TypeVar("_F", bound=Callable[..., Any])
PATH = click.Path(path_type=Path)
FILE = click.Path(dir_okay=False, path_type=Path)
DRIVE = {"right": "where the drive is", "left": "away from the drive"}
"""Which side of the wheel is meant, of a bike on its head too."""
LONGEST_WORD = 1000
"""A name or number longer than this is shown with its middle left out; no system takes a longer name."""


_FILM = "this is a film, and one picture is wanted; save one still of it as a JPEG or PNG"
_PHONES_OWN = "this kind of picture can't be read; have the phone or the computer save it as a JPEG"
NO_PICTURES = {
    **dict.fromkeys((".mp4", ".mov", ".m4v", ".avi", ".mkv", ".webm", ".3gp"), _FILM),
    **dict.fromkeys((".heic", ".heif"), _PHONES_OWN),
}


def json_option(function: _F) -> _F:
    """Add --json: print one JSON object for programs instead of words for people."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON for programs instead of words.")(
        function
    )


def fps_option(function: _F) -> _F:
    """Add --fps, for sources that don't say it."""
    rate = DecimalRange(0.5, 1000.0)
    words = "Frame rate where the source states none."
    return click.option("--fps", type=rate, default=30.0, show_default=True, help=words)(function)


def gathered(name: str, into: Callable[..., object]) -> Callable[[_F], _F]:
    """Hand options that belong together to the command as one value, `into` being the dataclass that has their names."""
    taken = [field.name for field in fields(cast(Any, into))]

    def add(function: _F) -> _F:
        @wraps(function)
        def gathering(**given: Any) -> Any:
            return function(**{name: into(**{each: given.pop(each) for each in taken})}, **given)

        return cast(_F, gathering)

    return add


@contextlib.contextmanager
def stop_on_ctrl_c(*stops: Callable[[], None]) -> Iterator[None]:
    """Let Ctrl-C stop the frames rather than the program, so that what was seen is kept; a second one ends it."""

    def first(number: int, frame: object) -> None:
        signal.signal(signal.SIGINT, before)
        for stop in stops:
            stop()

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.getsignal(signal.SIGINT)
    signal.signal(signal.SIGINT, first)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextlib.contextmanager
def named(source: str) -> Iterator[None]:
    """Say of which source the frames are that can't be used: those who look at frames don't know where they come from."""
    try:
        yield
    except FrameTrouble as told:
        if told.source != "frames":
            raise
        raise FrameTrouble(source, told.trouble) from told


def picture_at(path: Path) -> NDArray[np.uint8]:
    """Read a picture that a person took; what a phone may have made instead is told by its name where it can't be read."""
    from rimgauge.capture.sources import read_picture

    try:
        return read_picture(path)
    except BadFile as told:
        kind = path.suffix.lower()
        if not path.is_file() or kind not in NO_PICTURES:
            raise
        raise BadFile(path, NO_PICTURES[kind]) from told


def complain(text: str) -> None:
    """Print to stderr: at a terminal in lines of at most 80 columns, else a sentence a line, for programs."""
    text = "".join(
        letter if letter.isprintable() or letter == "\n" else "\N{REPLACEMENT CHARACTER}" for letter in text
    )
    text = re.sub(rf"\S{{{LONGEST_WORD},}}", lambda word: f"{word[0][:150]}...{word[0][-50:]}", text)
    if sys.stderr.isatty():
        text = "\n".join(folded(line) for line in text.splitlines())
    click.echo(text.rstrip("\n"), err=True)


def folded(words: str, lead: str = "", hang: str | None = None) -> str:
    """Break words into lines of 80 columns, at spaces only, so that options and paths stay whole.

    lead: what the first line begins with; hang: what the others do, spaces of the same width where nothing is said.
    """
    return textwrap.fill(
        words,
        80,
        initial_indent=lead,
        subsequent_indent=" " * len(lead) if hang is None else hang,
        break_long_words=False,
        break_on_hyphens=False,
    )


def shown(path: Path) -> str:
    """Name a file as short as it can be typed from here."""
    here = Path.cwd().resolve()
    whole = path.resolve()
    return str(whole.relative_to(here)) if whole.is_relative_to(here) else str(path)


def signed(value: float) -> str:
    """Write a number with its sign and two places; what rounds to nothing has no minus."""
    return f"{round(value, 2) + 0.0:+.2f}"


def quoted(path: Path) -> str:
    """Write a path as it must be typed on this system's command line."""
    if os.name == "nt":
        return f'"{path}"' if " " in str(path) else str(path)
    return shlex.quote(str(path))


def next_step(words: str, *commands: str) -> None:
    """End a command by saying what comes next, with each command on a line of its own to copy."""
    click.echo("\n".join(["", folded(f"Next: {words}"), *(f"  {command}" for command in commands)]))


def into_record(*files: Path, used: Collection[Path] = ()) -> None:
    """Record files that a command has made, where they lie in a job: what is ours, `verify` must not find added.

    used: what they were made from; what of that lies in the job is recorded too, if it isn't yet.
    """
    from rimgauge.job import find_job, update_manifest

    for file in files:
        job = find_job(file.resolve().parent)
        if job is not None:
            update_manifest(job, [file], used)


def print_json(value: object) -> None:
    """Print a value as JSON; numbers that don't exist become null, since JSON has no NaN."""
    click.echo(json.dumps(_without_nan(value), ensure_ascii=False, indent=1))


def _without_nan(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_nan(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_without_nan(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def readings_are_none(job: Job) -> str:
    """Say, after words on measurements that are missing, that the job's readings typed in don't count as such."""
    from rimgauge.job import reading_files

    typed = reading_files(job)
    return f" (readings typed in, such as {typed[-1].name}, serve `rimgauge plan` alone)" if typed else ""
