"""Numbers as people write them: 0.5 or 0,5, and − for a minus sign."""

from __future__ import annotations

from typing import Any

import click


def plain(text: str) -> str:
    """Write a number as Python reads it; what holds a point, or more than one comma, keeps its commas."""
    text = text.replace("\N{MINUS SIGN}", "-")
    return text.replace(",", ".") if text.count(",") == 1 and "." not in text else text


class _Decimal(click.types.FloatParamType):
    """A number with a decimal point or comma."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read it."""
        given: Any = plain(value) if isinstance(value, str) else value
        return super().convert(given, param, ctx)


class DecimalRange(click.FloatRange):
    """A number with a decimal point or comma, between limits."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read it."""
        given: Any = plain(value) if isinstance(value, str) else value
        return super().convert(given, param, ctx)


DECIMAL = _Decimal()
