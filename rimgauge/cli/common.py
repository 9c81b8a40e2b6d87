"""What several commands share: the --json option and how results are printed."""

from __future__ import annotations

import contextlib
import json
import math
import signal
import threading
from collections.abc import Callable, Iterator
from typing import Any, TypeVar

import click

_F = TypeVar("_F", bound=Callable[..., Any])


def json_option(function: _F) -> _F:
    """Add --json: print one JSON object for programs instead of words for people."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON for programs instead of words.")(
        function
    )


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
