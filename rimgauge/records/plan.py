"""The plan: readings it starts from, corrections, and the wheel before and after."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

import numpy as np

from rimgauge.records.base import Flange, FloatArray, SeenFrom, own, record

EIGHTH = 0.125
"""The smallest turn that is asked for [turns]; a hand can't place a nipple much finer (common practice)."""
AT_ONCE_EIGHTHS = 4
"""Most that a nipple is turned at once, half a turn; what is over waits for further laps (common practice)."""


def clockwise(*, tighten: bool, seen_from: SeenFrom) -> bool:
    """Tell which way a nipple goes round: a right-hand thread tightens clockwise seen from the tyre."""
    return tighten == (seen_from == "tyre")


def turns_words(eighths: int) -> str:
    """Write so many eighths of a turn, above 0, as a mixed number: 1/4, 1 1/8, 2."""
    whole, rest = divmod(eighths, 8)
    return " ".join([*([str(whole)] if whole else []), *([str(Fraction(rest, 8))] if rest else [])]) or "0"


def turn_words(turns: float) -> str:
    """Say a nipple turn in short, + tightens: tighten 1/4 turn."""
    size = turns_words(round(8 * abs(turns)))
    return f"{'tighten' if turns > 0 else 'loosen'} {size} turn{'s' if abs(turns) > 1 else ''}"


def turns_in_all(turns: Iterable[float]) -> str:
    """Say how far nipples are turned together, either way, in eighths as each of them is told."""
    eighths = round(sum(abs(each) for each in turns) / EIGHTH)
    return f"{turns_words(eighths)} turn{'s' if eighths > 8 else ''} in all"


COARSE_STEPS_MM = (1.0, 0.5, 0.25)
"""Steps of an indicator that are too coarse for a reading to be taken as it stands."""


def _coarse_step_mm(values: FloatArray) -> float | None:
    """Largest coarse step of which all values (n,) lie whole numbers apart; 0 for none, None where all are alike."""
    read = values[np.isfinite(values)]
    apart = read - read[0] if len(read) else read
    if not apart.any():
        return None
    return next(
        (step for step in COARSE_STEPS_MM if np.abs(apart - step * np.round(apart / step)).max() < 1e-6), 0.0
    )


@record
class Readings:
    """Runout at each of n spokes, from a pass or typed in by hand; NaN where not read.

    centred: lateral values are from the centre plane, so that their mean is the dish; otherwise the mean
    says nothing and is removed.
    """

    lateral_mm: FloatArray
    radial_mm: FloatArray
    tension_n: FloatArray
    centred: bool = False

    def __post_init__(self) -> None:
        own(self, "lateral_mm", (None,))
        for name in ("radial_mm", "tension_n"):
            own(self, name, (len(self.lateral_mm),))

    @property
    def steps_mm(self) -> tuple[float, float]:
        """Step in which lateral and radial runout were read, where it is coarse, as from a ruler; 0 where it is fine.

        Told by every reading being a whole number of steps from the others. Where all readings are alike, the
        step is taken to be that of the other direction.
        """
        lateral, radial = (_coarse_step_mm(values) for values in (self.lateral_mm, self.radial_mm))
        return (radial or 0.0) if lateral is None else lateral, (lateral or 0.0) if radial is None else radial


@record
class Round:
    """A round that was done: the readings from before it, and what each nipple was turned (n,), + tightens."""

    readings: Readings
    turns: FloatArray

    def __post_init__(self) -> None:
        own(self, "turns", (len(self.readings.lateral_mm),))


@record
class Correction:
    """One nipple turn: order of work, spoke number, its flange, turns (+ tightens), and the words for it."""

    order: int
    spoke: int
    side: Flange
    turns: float
    words: str


@record
class WheelState:
    """What is known or expected of a wheel; None where it isn't known (no radial pass, no tension readings)."""

    lateral_mm: float | None
    radial_mm: float | None
    dish_mm: float | None
    tension_spread_right: float | None
    tension_spread_left: float | None
    highest_tension_n: float | None


@record
class Bound:
    """The plan's own measure of badness reached, and the value no plan of this kind can beat."""

    objective: float
    proved: float


@record
class Plan:
    """One round of corrections (plan-NN.json); refused says why there are none, None otherwise.

    see_to_first: what to look at before any nipple is turned; said before the steps.
    follows: name of the job's newest measurement when it was kept there, '' for one that wasn't.
    readings: what it was made on; None in a file that doesn't hold it.
    earlier: the rounds done before this one, the oldest first, as far as they are known.
    """

    round: int
    corrections: tuple[Correction, ...]
    predicted: WheelState
    before: WheelState
    bound: Bound
    cautions: tuple[str, ...]
    refused: str | None = None
    notes: tuple[str, ...] = ()
    see_to_first: tuple[str, ...] = ()
    follows: str = ""
    readings: Readings | None = None
    earlier: tuple[Round, ...] = ()
