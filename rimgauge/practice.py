"""The practice wheel: a wheel out of true that answers every turn of a nipple, and what to say of it.

The model is the one that plans are made with, linear about the wheel's mean tensions; spokes of a practice wheel
pull and never push, don't wind up, and nothing on it breaks.
"""

from __future__ import annotations

import math
from dataclasses import replace
from textwrap import fill

import numpy as np

from rimgauge.errors import BadInput
from rimgauge.plan import SLACK_SHARE, Wishes, make_plan
from rimgauge.records import EIGHTH, FloatArray, Influence, IntArray, Plan, Readings, Wheel, record
from rimgauge.wheel import influence, slack_turns

LATERAL_MM = (1.0, 2.5)
RADIAL_MM = (0.15, 0.8)
"""Full indicator readings that a practice wheel starts with."""
LOWEST_SHARE = 0.4
"""At the start no spoke is under this share of its side's mean tension."""
LARGEST_TURN = 1.0
LEVELS = 4
"""Rows of the picture above and below its middle."""
LOWEST_TOP_MM = 0.1


@record
class PracticeWheel:
    """A wheel on which nipples are turned: turned (n,) since it was true, in turns, and the steps so far.

    slack (n,): turns by which each spoke is too loose to pull.
    """

    wheel: Wheel
    answer: Influence
    turned: FloatArray
    slack: FloatArray
    steps: tuple[tuple[int, float], ...] = ()

    @property
    def readings(self) -> Readings:
        """What it reads now, without noise, from the centre plane."""
        pulling = self.turned + self.slack
        radial = self.answer.radial_mm @ pulling
        tension_n = np.maximum(self.wheel.mean_tensions_n + self.answer.tension_n @ pulling, 0.0)
        return Readings(
            lateral_mm=self.answer.lateral_mm @ pulling,
            radial_mm=radial - radial.mean(),
            tension_n=np.where(self.slack > 0, 0.0, tension_n),
            centred=True,
        )


def practice_wheel(wheel: Wheel, random: np.random.Generator) -> PracticeWheel:
    """Put a wheel out of true: nipples turned here and there, and against each other in waves.

    Raises
    ------
    BadInput
        The wheel's tension leaves no room below its limit.

    """
    answer = influence(wheel)
    angle = np.radians(wheel.spoke_angles_deg)
    pull = np.where(np.array(wheel.flanges) == "right", 1.0, -1.0)
    for _ in range(200):
        each = random.normal(0, random.uniform(0.05, 0.3), len(angle))
        turned = each + pull * _waves(angle, random) + random.uniform(0.3, 1.0) * _waves(angle, random)
        turned = turned * random.uniform(*LATERAL_MM) / np.ptp(answer.lateral_mm @ turned)
        turned = np.round(turned / EIGHTH) * EIGHTH
        made = PracticeWheel(wheel=wheel, answer=answer, turned=turned, slack=np.zeros(len(turned)))
        if _fit_to_start(made):
            return made
    raise BadInput("this wheel's mean tension is so near its limit that it leaves nothing to practise with")


def _waves(angle: FloatArray, random: np.random.Generator) -> FloatArray:
    """A few waves round the wheel, the longer ones higher."""
    waves: FloatArray = np.sum(
        [random.normal() / order * np.cos(order * angle + random.uniform(0, 7)) for order in (1, 2, 3)],
        axis=0,
    )
    return waves


def _fit_to_start(made: PracticeWheel) -> bool:
    readings, tension = made.readings, made.wheel.tension
    lateral, radial = np.ptp(readings.lateral_mm), np.ptp(readings.radial_mm)
    lowest = LOWEST_SHARE * min(tension.right_n, tension.left_n)
    return bool(
        LATERAL_MM[0] <= lateral <= LATERAL_MM[1]
        and RADIAL_MM[0] <= radial <= RADIAL_MM[1]
        and lowest <= readings.tension_n.min()
        and readings.tension_n.max() <= tension.limit_n
    )


def turn(practice: PracticeWheel, spoke: int, turns: float) -> PracticeWheel:
    """Turn one nipple (spoke from 1, turns + tightens).

    Raises
    ------
    BadInput
        There is no such spoke, the turn is nothing or over one turn, or the rim would be held no longer.

    """
    spokes = len(practice.turned)
    if not 1 <= spoke <= spokes:
        raise BadInput(f"there is no spoke {spoke}; this wheel has spokes 1 to {spokes}")
    if turns == 0:
        raise BadInput("0 is no turn; type for example 1/4 to tighten or -1/8 to loosen")
    if abs(turns) > LARGEST_TURN:
        raise BadInput("a nipple is turned by up to one turn at a time, for example 1/4 or -1/8")
    return _moved(practice, spoke, turns, (*practice.steps, (spoke, turns)))


def _moved(
    practice: PracticeWheel, spoke: int, turns: float, steps: tuple[tuple[int, float], ...]
) -> PracticeWheel:
    turned = practice.turned.copy()
    turned[spoke - 1] += turns
    per_turn_n = practice.answer.tension_n
    slack = slack_turns(practice.wheel.mean_tensions_n + per_turn_n @ turned, per_turn_n)
    return replace(practice, turned=turned, slack=slack, steps=steps)


def undo(practice: PracticeWheel) -> PracticeWheel:
    """Take the last step back.

    Raises
    ------
    BadInput
        Nothing has been turned.

    """
    if not practice.steps:
        raise BadInput("nothing has been turned yet")
    spoke, turns = practice.steps[-1]
    return _moved(practice, spoke, -turns, practice.steps[:-1])


def plan_from_here(practice: PracticeWheel) -> Plan:
    """Plan a round for the wheel as it stands."""
    return make_plan(practice.readings, practice.wheel, practice.answer, wishes=Wishes())


def totals_text(practice: PracticeWheel) -> str:
    """Say in one line how the wheel stands."""
    readings = practice.readings
    return (
        f"Lateral {np.ptp(readings.lateral_mm):.2f} mm, radial {np.ptp(readings.radial_mm):.2f} mm, "
        f"off centre {readings.lateral_mm.mean():+.2f} mm, {_tensions(practice)}"
    )


def _tensions(practice: PracticeWheel) -> str:
    tension = practice.readings.tension_n
    return f"spokes {tension.min():.0f} to {tension.max():.0f} N"


def picture_text(practice: PracticeWheel, direction: str = "lateral") -> str:
    """Draw the runout round the wheel in characters, spoke by spoke, at most 80 columns."""
    values = practice.readings.lateral_mm if direction == "lateral" else practice.readings.radial_mm
    # Only by doubling does the scale change, so that from turn to turn a smaller runout is a lower bar.
    largest = max(float(np.abs(values).max()), LOWEST_TOP_MM)
    top = LOWEST_TOP_MM * 2.0 ** math.ceil(math.log2(largest / LOWEST_TOP_MM))
    rows = np.round(values / top * LEVELS).astype(int)
    width = 2 if len(values) <= 36 else 1
    ends = ("right", "left") if direction == "lateral" else ("out", "in")
    lines = [f"{direction.capitalize()} runout in mm"]
    for level in range(LEVELS, -LEVELS - 1, -1):
        marks = "".join(_mark(int(row), level).ljust(width) for row in rows)
        scale = f"{level / LEVELS * top:+.2f}" if level % LEVELS == 0 else ""
        scale = {LEVELS - 1: ends[0], 1 - LEVELS: ends[1]}.get(level, scale)
        lines.append(f"{scale:>6}|{marks}".rstrip())
    sides = "".join(side[0].upper().ljust(width) for side in practice.wheel.flanges)
    numbers = "".join(f"{number:<{5 * width}}" for number in [1, *range(6, len(values) + 1, 5)])
    return "\n".join([*lines, f"{'side':>6}|{sides}".rstrip(), f"{'spoke':>6}|{numbers}".rstrip()])


def _mark(row: int, level: int) -> str:
    """A bar from the middle line to the value."""
    if level == 0:
        return "-" if row else "o"
    return "#" if 0 < level <= row or row <= level < 0 else " "


def change_text(before: PracticeWheel, after: PracticeWheel) -> str:
    """Say what the last turn did: totals before and after, and where the rim went."""
    old, new = before.readings, after.readings
    moved = new.lateral_mm - old.lateral_mm
    most = int(np.argmax(np.abs(moved)))
    spoke = after.steps[-1][0] if len(after.steps) > len(before.steps) else before.steps[-1][0]
    pull = new.tension_n[spoke - 1] - old.tension_n[spoke - 1]
    went = (
        f"the rim went {abs(moved[most]):.2f} mm to the {'right' if moved[most] > 0 else 'left'}, "
        f"most at spoke {most + 1}"
    )
    if before.slack[spoke - 1] > 0 and after.slack[spoke - 1] > 0:
        went = "slack, so the rim did not move"
    lines = [
        f"Spoke {spoke}, {after.wheel.flanges[spoke - 1]} side: {went};",
        f"its tension {pull:+.0f} N, now {new.tension_n[spoke - 1]:.0f} N. Lateral "
        f"{np.ptp(old.lateral_mm):.2f} to {np.ptp(new.lateral_mm):.2f} mm, radial "
        f"{np.ptp(old.radial_mm):.2f} to {np.ptp(new.radial_mm):.2f} mm.",
    ]
    return "\n".join([*lines, *warnings(after)])


def warnings(practice: PracticeWheel) -> list[str]:
    """Say what would be unsafe on a real wheel, and when the wheel is true."""
    readings, wheel = practice.readings, practice.wheel
    tension, limit = readings.tension_n, wheel.tension.limit_n
    said = []
    tight = [f"{spoke + 1} has {tension[spoke]:.0f} N" for spoke in np.flatnonzero(tension > limit)]
    if tight:
        said.append(
            fill(
                f"Careful: spoke {_listed(tight)}, over the limit of {limit:.0f} N. On a real wheel something "
                "could break: loosen, or undo.",
                79,
            )
        )
    loose = np.flatnonzero((tension < SLACK_SHARE * wheel.mean_tensions_n) & (practice.slack == 0))
    said += [_slack_words(practice.slack), _loose_words(loose)]
    if is_true(practice):
        tolerance = wheel.tolerance
        said.append(
            f"Within {tolerance.lateral_mm:g} mm sideways, {tolerance.radial_mm:g} mm radially and "
            f"{tolerance.dish_mm:g} mm of the centre: true enough.\nOn a real wheel: press the spokes in pairs, "
            "and measure again."
        )
    return [words for words in said if words]


def _slack_words(slack: FloatArray) -> str:
    """Name the spokes that pull no more, and how far each would have to be tightened before it did."""
    spokes = np.flatnonzero(slack > 0)
    if not len(spokes):
        return ""
    named = _listed([f"{spoke + 1} (by {slack[spoke]:.2f} turns)" for spoke in spokes])
    one = len(spokes) == 1
    return fill(
        f"Careful: {'spoke' if one else 'spokes'} {named} {'is' if one else 'are'} slack and "
        f"{'carries' if one else 'carry'} nothing: loosening moves the rim no further, tightening first takes up "
        f"the slack. On a real wheel {'its nipple' if one else 'such nipples'} would come loose.",
        79,
    )


def _loose_words(spokes: IntArray) -> str:
    """Name the spokes that still pull, but hardly."""
    if not len(spokes):
        return ""
    one = len(spokes) == 1
    return fill(
        f"Careful: {'spoke' if one else 'spokes'} {_listed([str(spoke + 1) for spoke in spokes])} "
        f"{'has' if one else 'have'} under {SLACK_SHARE:.0%} of the side's mean tension; "
        f"{'its nipple' if one else 'such nipples'} could come loose.",
        79,
    )


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def is_true(practice: PracticeWheel) -> bool:
    """Tell whether the wheel is within its tolerances."""
    readings, tolerance = practice.readings, practice.wheel.tolerance
    return bool(
        np.ptp(readings.lateral_mm) <= tolerance.lateral_mm
        and np.ptp(readings.radial_mm) <= tolerance.radial_mm
        and abs(readings.lateral_mm.mean()) <= tolerance.dish_mm
    )
