"""Numbers as people write them: 0.5 or 0,5, and − for a minus sign; whole ones; and places in a picture."""

from __future__ import annotations

import math
import re
from typing import Any

import click

_THOUSANDS = re.compile(r"-?[1-9]\d{0,2},\d{3}")
"""1,200 is 1.2 to some and 1200 to others."""

_WHOLE = re.compile(r"[+-]?[0-9]+")


def plain(text: str) -> str:
    """Write a number as Python reads it; what could be meant otherwise keeps its commas, and is no number then."""
    text = text.replace("\N{MINUS SIGN}", "-")
    if text.count(",") != 1 or "." in text or _THOUSANDS.fullmatch(text):
        return text
    return text.replace(",", ".")


class _WithComma(click.types.FloatParamType):
    """A number with a decimal point or comma."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read it."""
        if not isinstance(value, str):
            return super().convert(value, param, ctx)
        if _THOUSANDS.fullmatch(value):
            whole, rest = value.split(",")
            self.fail(f"{value} can be read in two ways; write {whole}{rest} or {whole}.{rest}", param, ctx)
        try:
            finite = math.isfinite(float(plain(value)))
        except ValueError:
            finite = False
        if not finite:
            self.fail(f"{value} is no number", param, ctx)
        given: Any = plain(value)
        return super().convert(given, param, ctx)


class DecimalRange(_WithComma, click.FloatRange):
    """A number with a decimal point or comma, between limits."""


DECIMAL = _WithComma()
TOLERANCE_MM = DecimalRange(0.0, 100.0, min_open=True, max_open=True)


class _Whole(click.types.IntParamType):
    """A whole number, refused in plain words."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read it."""
        if isinstance(value, str) and not _WHOLE.fullmatch(value.strip()):
            self.fail(f"{value} is no whole number", param, ctx)
        return super().convert(value, param, ctx)


class WholeRange(_Whole, click.IntRange):
    """A whole number between limits."""


WHOLE = _Whole()


class _Place(click.ParamType):  # type: ignore[type-arg] # generic in newer versions of click alone
    """A place in a picture, x,y in pixels."""

    name = "x,y"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read it."""
        try:
            x, y = (float(part) for part in value.split(","))
        except ValueError:
            x = y = math.nan
        if not (math.isfinite(x) and math.isfinite(y)):
            self.fail(f"must be two numbers with a comma between, like 320,180, not {value}", param, ctx)
        return x, y


PLACE = _Place()
