"""What the person asks of a plan, in plain terms."""

from __future__ import annotations

import math
from typing import Literal

from rimgauge.errors import BadInput
from rimgauge.records import EIGHTH, Direction, SeenFrom, record

Checked = Literal["axle", "spokes", "rim", "turns"]
"""What a person has looked at and found in order."""


@record
class Known:
    """What is known of a wheel beside its readings.

    stop: why to refuse a plan, if nothing else does. axle: what a measurement says of it, in place of what the readings
    hint at. unseen: directions known to have been over their tolerance before the last round, and not read since: the
    wheel isn't called true. measured: directions whose runout is of a measurement, not typed in.
    """

    stop: str | None = None
    axle: str | None = None
    unseen: frozenset[Direction] = frozenset()
    measured: frozenset[Direction] = frozenset()


@record
class Wishes:
    """How a person wants the round planned.

    largest_turn: most that one nipple is turned in this round [turns], an eighth to two turns; no
    more than half a turn of it a lap round the wheel.
    seen_from: where the person looks at the nipple from, for the words.
    checked: what was looked at and is in order; what points there stops no plan then (turns: of the last round).
    cracked: a crack, a dent or other damage was found. seized: spokes (from 1) whose nipples don't turn.
    """

    largest_turn: float = 0.75
    seen_from: SeenFrom = "tyre"
    checked: frozenset[Checked] = frozenset()
    cracked: bool = False
    seized: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if not EIGHTH <= self.largest_turn <= 2.0:
            raise BadInput(
                f"the largest turn must be between an eighth (0.125) and two turns, not {self.largest_turn:g}"
            )
        if self.seen_from not in ("tyre", "hub"):
            raise BadInput(f"nipples are seen from the tyre or from the hub, not from {self.seen_from!r}")

    @property
    def most_eighths(self) -> int:
        """The largest turn in whole eighths, rounded down."""
        return math.floor(self.largest_turn / EIGHTH + 1e-9)
