"""A measurement in words for the terminal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from rimgauge.cli.common import folded, signed

if TYPE_CHECKING:
    from rimgauge.job import Job
    from rimgauge.records import Direction, Outcome, Runout

OUTCOME_WORDS: dict[Outcome, str] = {"within": "WITHIN", "out": "OUT OF", "undecided": "UNDECIDED against"}


def runout_text(runout: Runout) -> str:
    """Put the result in words and a table of spokes, at most 80 columns wide."""
    total = runout.total_runout
    outcome = OUTCOME_WORDS[runout.verdict.outcome]
    lines = [
        f"{runout.direction.capitalize()} runout: {total.value:.2f} ± {total.expanded_uncertainty:.2f} mm "
        f"({total.coverage_probability:.0%}), {outcome} the tolerance of {runout.verdict.tolerance_mm:g} mm",
        f"{runout.source.used} of {runout.source.frames} frame{'' if runout.source.frames == 1 else 's'} used, "
        f"{runout.revolutions:.1f} revolutions",
    ]
    ways = ("to the right", "to the left") if runout.direction == "lateral" else ("outward", "inward")
    for side in runout.sides:
        if len(runout.sides) > 1:
            lines += ["", f"{side.side.capitalize()} side of the rim: {side.total_runout.value:.2f} mm"]
        for zone in side.zones[:4]:
            words = (
                f"{abs(zone.peak_mm):.2f} mm {ways[zone.peak_mm < 0]} at {zone.centre_deg:.0f}°, "
                f"from {zone.start_deg:.0f}° to {zone.end_deg:.0f}°: {_stretch(zone.spokes)}"
            )
            lines.append(folded(words, "  ", "    "))
        edge = "the rim's outer edge" if side.side == "outer" else f"{side.side} side of the rim"
        lines += ["", f"Runout at each spoke, {edge} [mm, + {ways[0]}; R, L: flange]:"]
        cells = [
            f"{number:3d}{flange[0].upper()} {signed(value)}"
            for number, (flange, value) in enumerate(
                zip(side.spoke_flange, side.spoke_mm, strict=True), start=1
            )
        ]
        lines += ["  ".join(cells[k : k + 6]) for k in range(0, len(cells), 6)]
    notes = (*runout.notes, *runout.advice)
    if notes:
        lines.append("")
    for note in notes:
        lines.append(folded(note, "- "))
    return "\n".join(lines)


def _stretch(spokes: tuple[int, ...]) -> str:
    """Name the spokes of a zone, which stand in a row, maybe across the valve."""
    if not spokes:
        return "between two spokes"
    if len(spokes) == 1:
        return f"spoke {spokes[0]}"
    return f"spokes {spokes[0]} {'and' if len(spokes) == 2 else 'to'} {spokes[-1]}"


def to_decide(runout: Runout) -> str:
    """Say what would decide a runout too close to call, by what its uncertainty mostly comes from."""
    from rimgauge.signal.bending import LENS_LINE
    from rimgauge.signal.budget import DEPTH_LINE, PLACE_LINE

    given = runout.basis is not None and runout.basis.other is not None
    other = "radial" if runout.direction == "lateral" else "lateral"
    ways = {
        "scale": "take the scale again, from a sheet or thing that is larger in the picture",
        DEPTH_LINE: "take the camera further off and the scale again with `rimgauge scale --checkerboard`",
        PLACE_LINE: "stand the camera square to the rim"
        if given
        else f"give a {other} measurement of the same wheel with --{other}, or stand the camera square",
        LENS_LINE: "take the lens's bending out with `rimgauge lens`",
    }
    worst = max(runout.budget, key=lambda line: line.standard_uncertainty_mm, default=None)
    source = "" if worst is None else f", most of it from: {worst.source}"
    way = ways.get(worst.source if worst else "", "turn the wheel more often, slowly and evenly")
    return (
        f"it is too close to call, for the uncertainty reaches over the tolerance{source}. To decide it, {way}, and "
        "measure again."
    )


AGAINST: dict[Outcome, str] = {
    "within": "within its",
    "out": "out of its",
    "undecided": "too close to call against its",
}


@dataclass(frozen=True)
class OtherDirection:
    """What is known of the direction that was not just measured: in words, how it came out, and what settles it.

    outcome: None where it was not measured. command: '' where nothing is to be done.
    """

    words: str
    outcome: Outcome | None = None
    to_do: str = ""
    command: str = ""

    @property
    def bars_true(self) -> bool:
        """Whether the wheel can't be called true for it."""
        return self.outcome not in (None, "within")


def other_direction(direction: Direction, job: Job | None) -> OtherDirection:
    """Look up the direction that was not just measured in the job; None: outside one, where nothing is known of it."""
    from rimgauge.job import history

    other: Direction = "radial" if direction == "lateral" else "lateral"
    if job is None:
        return OtherDirection(f"{other} runout was not judged")
    course = history(job)
    found = course.of(other)
    if not found:
        return OtherDirection(f"{other} runout was not measured")
    last, again = found[-1], f"rimgauge measure SOURCE --direction {other}"
    came_to = f"{AGAINST[last.outcome]} tolerance of {last.tolerance_mm:g} mm"
    if course.planned_since(last.file):
        words = f"{other} runout was {came_to} in {last.file} and was not measured since the corrections were planned"
        return OtherDirection(words, last.outcome, "measure that too", again)
    words = f"{other} runout is {came_to} ({last.file})"
    if last.outcome == "out":
        return OtherDirection(words, last.outcome, "ask which nipples to turn", "rimgauge plan")
    return OtherDirection(words, last.outcome, "measure that again", again)


def check_text(runout: Runout, job: Job | None, file: str = "") -> tuple[bool, str]:
    """Tell whether this measurement passes, and say how the other direction and the dish stand, which it doesn't judge.

    A film known to be from before turns says nothing of the wheel as it is, and never passes.

    Parameters
    ----------
    runout : the measurement.
    job : the job that holds it.
    file : what the job calls it; '' where that is not known.

    Raises
    ------
    BadFile
        A result of the job is gone or was changed.

    """
    from rimgauge.job import check_as_recorded, check_none_missing, history, straight_passes

    if job is not None:
        check_none_missing(job)
        check_as_recorded(straight_passes(job))
        if file and (old_film := history(job).film_before_turning(file)):
            return False, f"Check not passed: {old_film}."
    verdict, other = runout.verdict, other_direction(runout.direction, job)
    passed, off_centre = verdict.outcome == "within", "" if job is None else bad_dish(job)
    but = ", BUT" if passed and (other.bars_true or off_centre) else ";"
    return passed, (
        f"Check {'passed' if passed else 'not passed'}: {runout.direction} runout is {AGAINST[verdict.outcome]} "
        f"tolerance of {verdict.tolerance_mm:g} mm{but} {other.words}{'; ' if off_centre else ''}{off_centre}."
    )


def bad_dish(job: Job) -> str:
    """Say that the wheel's dish, as last measured, is not within its tolerance; '' where it is, or isn't known as it is now."""
    from rimgauge.cli.dish import dish_of

    found = dish_of(job)
    if found is None:
        return ""
    kept, outcome = found
    if outcome is None or outcome == "within":
        return ""
    return f"dish is {AGAINST[outcome]} tolerance of {kept.tolerance_mm:g} mm ({' and '.join(kept.measurements)})"
