"""Where the rim's middle stands when `rimgauge plan` starts: from a dish kept in the job, or from the last round."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rimgauge.cli.plan_files import Start
    from rimgauge.job import Job
    from rimgauge.records import FloatArray, Wheel


def placed(start: Start, job: Job, wheel: Wheel) -> Start:
    """Count the lateral readings from the middle, if the job knows where that is; and say from what.

    A dish counts whose first measurement has no corrections between it and the newest one. Without such a one,
    a middle known before the last round is brought forward by what its turns should have moved the rim.
    """
    import numpy as np

    from rimgauge.job import passes

    lateral_mm, newest = start.now.lateral_mm, start.files.lateral
    if start.now.centred or newest is None or not np.isfinite(lateral_mm).any():
        return start
    if newest.resolve() not in {path.resolve() for path in passes(job)}:
        # A measurement from elsewhere may be of another wheel.
        return start
    found = _from_dish(job, newest.name)
    if found is None and start.last is not None and start.last[1].centred:
        offset_mm = _brought_forward(start, wheel)
        words = "as the last round's turns should have left it; `rimgauge dish` tells it anew."
    elif found is not None:
        offset_mm, name = found
        words = f"as {name} says."
    else:
        return start
    side = "right" if offset_mm > 0 else "left"
    off = f"{abs(offset_mm):.2f} mm to the {side} of" if round(abs(offset_mm), 2) else "in"
    note = (
        f"The plan counts on the rim standing {off} the middle, {words} "
        "`--ignore-dish` leaves the middle where it is."
    )
    about_mean: FloatArray = lateral_mm - np.nanmean(lateral_mm) + offset_mm
    return replace(
        start, now=replace(start.now, lateral_mm=about_mean, centred=True), notes=(*start.notes, note)
    )


def _from_dish(job: Job, newest: str) -> tuple[float, str] | None:
    """Offset of the newest dish of the wheel as it stands in a measurement, and the name of its file."""
    from rimgauge.job import check_as_recorded, corrections_between, dishes, read_dish

    check_as_recorded(dishes(job))
    for path in reversed(dishes(job)):
        kept = read_dish(path)
        if corrections_between(job, job.folder / kept.measurements[0], job.folder / newest) is None:
            return kept.dish.offset_mm, path.name
    return None


def _brought_forward(start: Start, wheel: Wheel) -> float:
    """Where the rim's mean should stand after the last round's turns, as this wheel is learnt to answer [mm]."""
    import numpy as np

    from rimgauge.correcting import rounds_done
    from rimgauge.wheel.learning import learn

    assert start.last is not None
    rounds = rounds_done(*start.last)
    answer, _ = learn(wheel, rounds, start.now)
    return float(np.nanmean(rounds[-1].readings.lateral_mm) + answer.dish_mm @ rounds[-1].turns)
