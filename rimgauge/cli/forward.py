"""Which way was taken for rolling forward: no picture tells whether the wheel was turned so, and all numbers hang on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rimgauge.cli.common import folded

if TYPE_CHECKING:
    from pathlib import Path

    from rimgauge.capture.aim_way import Way
    from rimgauge.records import View

OPPOSITE: dict[Way, Way] = {"up": "down", "down": "up", "left": "right", "right": "left"}


def way_of(view: View) -> Way:
    """Which way the rim runs past the pointer in the picture as the wheel rolls forward, as --runs says it."""
    x, y = (float(part) for part in view.forward)
    if abs(x) > abs(y):
        return "right" if x > 0 else "left"
    return "down" if y > 0 else "up"


def say_forward(view: View, *, side_told: bool, pictured: bool) -> None:
    """Say which way `aim` took for forward, what hangs on it, and what to do if it isn't so.

    side_told: the pointer's side was typed, and would stand against the other way. pictured: an arrow shows the way.
    """
    way, side = way_of(view), view.edges[0].side
    also = "" if side == "outer" else ", and right and left exchanged"
    arrow = ": the way the white arrow points" if pictured else ". That"
    instead = f"add --runs {OPPOSITE[way]}" + (" and take --side away" if side_told else "")
    click.echo(
        folded(
            f"FORWARD is taken to be {way}{arrow} must be the way the rim runs past the pointer "
            f"when the bicycle rides ahead. If it isn't, every spoke would be numbered backward{also}, a plan would "
            f"turn the wrong nipples, and nothing later would tell: aim again and turn the wheel forward, or {instead}."
        )
    )


def say_before_first_turn(passes: list[Path]) -> None:
    """Ask, before the first nipple is turned, for a look at the way that the measurements took for forward."""
    from rimgauge.job import read_pass

    views = [runout.basis.view for runout in map(read_pass, passes) if runout.basis is not None]
    ways = " and ".join(f"{way_of(view)} in the {view.direction} picture" for view in views)
    if ways:
        click.echo(
            folded(
                "Before the first turn, one look: roll the wheel forward, as the bicycle rides ahead. The rim must run past "
                f"the pointer {ways}, as the white arrow of `aim` points. If it runs the other way, every number here is "
                "another spoke's: turn nothing, and aim and measure again."
            )
        )
