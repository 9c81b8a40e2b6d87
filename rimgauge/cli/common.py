"""What several commands share: the --json option and how results are printed."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any, TypeVar

import click

_F = TypeVar("_F", bound=Callable[..., Any])


def json_option(function: _F) -> _F:
    """Add --json: print one JSON object for programs instead of words for people."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON for programs instead of words.")(
        function
    )


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
