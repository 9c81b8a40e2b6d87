"""Work a recorded measurement out again, and say where the numbers differ from the recorded ones."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from rimgauge.capture import at_times, kept_source
from rimgauge.errors import BadFile, NotTrustworthy, RimgaugeError
from rimgauge.job import dish_fields, frames_path, pass_fields, read_dish, read_pass, tells_what_errs_alike
from rimgauge.pipeline import reckon, see
from rimgauge.records import Basis, EdgeTrack, GapTrack, Runout, Turning, WheelInView, record
from rimgauge.signal import REPEATED_PX, REPEATED_PX_BEFORE
from rimgauge.signal.centre import dish_between, dish_turned

FROM_VALUES = 1e-6
"""Millimetres or degrees that numbers worked out again from recorded values may differ by: other libraries and
processors round otherwise, far below this."""
FROM_PICTURES = 0.005
"""The same in millimetres for pictures, which another version of OpenCV may decode a shade differently."""
_NOT_WORKED_OUT = ("created", "source", "notes", "advice", "picture_sha256", "measured_by", "basis", "frames")
_RESTS_ON_WHAT_ERRS_ALIKE = re.compile(
    r"sides\[\d+\]\.(repeated_error_mm|spokes\[\d+\]\.standard_uncertainty_mm)"
)
"""Older programs recorded neither what errs alike in every turn and at every angle, nor counted it at the spokes."""


@record
class Difference:
    """A number or word of a measurement that comes out otherwise; the field is named as in the file."""

    field: str
    recorded: object
    again: object

    @property
    def words(self) -> str:
        """Say it in a sentence."""
        return f"{self.field} is recorded as {_shown(self.recorded)}, but comes out as {_shown(self.again)}"


def _shown(value: object) -> str:
    return f"{value:.6g}" if isinstance(value, float) else "nothing" if value is None else str(value)


@record
class Check:
    """What came of working one measurement out again.

    rests_on: what it was worked out from, the values or the pictures of its frames or, for a dish, other measurements;
    count: of how many. trouble: why it could not be, '' where it could. older: an older program made it, and the spokes'
    uncertainties, which rest on what it didn't record, weren't compared.
    """

    file: str
    rests_on: Literal["values", "pictures", "measurements"]
    count: int
    differences: tuple[Difference, ...]
    trouble: str
    older: bool = False

    @property
    def same(self) -> bool:
        """Whether it came out as recorded."""
        return not self.differences and not self.trouble


def check_pass(path: Path) -> tuple[Check, ...]:
    """Work a measurement out again from its frames' values, and from its pictures where all were kept.

    Of one that an older program made, without what errs alike in every turn, the spokes' uncertainties aren't compared.

    Raises
    ------
    BadFile
        The measurement can't be read.

    """
    recorded, folder = read_pass(path), frames_path(path)
    checks = [_check(path, recorded, "values", lambda: from_values(recorded))]
    if folder.is_dir() and recorded.basis is not None:
        checks.append(_check(path, recorded, "pictures", lambda: from_pictures(recorded, folder)))
    return tuple(checks if tells_what_errs_alike(path) else map(_of_an_older_program, checks))


def _of_an_older_program(check: Check) -> Check:
    """Leave out what comes out otherwise only because the file lacks what it rests on now."""
    kept = (each for each in check.differences if not _RESTS_ON_WHAT_ERRS_ALIKE.fullmatch(each.field))
    return replace(check, differences=tuple(kept), older=True)


def check_dish(path: Path) -> Check:
    """Work a dish out again from the measurements that it names.

    Raises
    ------
    BadFile
        The dish can't be read.

    """
    recorded = read_dish(path)
    differences: tuple[Difference, ...] = ()
    trouble = ""
    try:
        measured = [read_pass(path.with_name(name)) for name in recorded.measurements]
        if recorded.between_mm is not None and len(measured) == 1:
            dish = dish_between(measured[0], recorded.between_mm)
        elif recorded.between_mm is None and len(measured) == 2:
            dish = dish_turned(measured[0], measured[1])
        else:
            raise BadFile(path, "names other measurements than its kind of dish needs")
        one, other = dish_fields(recorded), dish_fields(replace(recorded, dish=dish))
        differences = tuple(_differ("dish", one, other, FROM_VALUES))
    except RimgaugeError as found:
        trouble = str(found)
    return Check(
        file=path.name,
        rests_on="measurements",
        count=len(recorded.measurements),
        differences=differences,
        trouble=trouble,
    )


def _check(
    path: Path,
    recorded: Runout,
    rests_on: Literal["values", "pictures"],
    work_out: Callable[[], tuple[Difference, ...]],
) -> Check:
    differences: tuple[Difference, ...] = ()
    trouble = ""
    try:
        differences = work_out()
    except RimgaugeError as found:
        trouble = str(found)
    return Check(
        file=path.name,
        rests_on=rests_on,
        count=recorded.source.frames,
        differences=differences,
        trouble=trouble,
    )


def from_values(recorded: Runout) -> tuple[Difference, ...]:
    """Work the runout out again from the recorded gap and angle of every frame.

    Raises
    ------
    NotTrustworthy
        The measurement holds too little to be worked out again, or what it holds gives no answer.

    """
    seen, turning = _as_seen(recorded, _basis(recorded))
    return _differences(recorded, seen, turning, FROM_VALUES)


def from_pictures(recorded: Runout, folder: Path) -> tuple[Difference, ...]:
    """Measure kept pictures again with the recorded view, at the recorded times.

    Compared are the total runout, the runout at the spokes and the verdict.

    Raises
    ------
    RimgaugeError
        The pictures are not those that were measured, or can't be measured.

    """
    basis = _basis(recorded)
    time_s = recorded.frames.time_s.tolist()
    with kept_source(folder, recorded.source.every) as kept:
        if kept.sha256() != recorded.source.sha256:
            raise BadFile(folder, "these are not the pictures that were measured: their SHA-256 is another")
        seen, turning = see(
            at_times(kept, time_s),
            basis.view,
            _wheel(recorded, basis),
        )
    fields = ("total_runout_mm", "verdict", "sides[].total_runout_mm", "sides[].spokes")
    found = _differences(recorded, seen, turning, FROM_PICTURES)
    return tuple(each for each in found if _within(each.field, fields))


def _within(field: str, wanted: tuple[str, ...]) -> bool:
    return any(field.replace("[0]", "[]", 1).replace("[1]", "[]", 1).startswith(name) for name in wanted)


def _basis(recorded: Runout) -> Basis:
    if recorded.basis is None:
        raise NotTrustworthy("it was written by a program that did not record what its numbers rest on")
    return recorded.basis


def _as_seen(recorded: Runout, basis: Basis) -> tuple[GapTrack, Turning]:
    """Lay the recorded values out as capture and signal gave them."""
    frames, scale = recorded.frames, basis.view.scale
    if scale is None or len(basis.view.edges) != len(recorded.sides):
        raise NotTrustworthy("its view does not fit its values")
    nowhere = np.full((len(frames.time_s), 2), np.nan)
    sides = tuple(
        EdgeTrack(
            side=edge.side,
            gap_px=gap_mm / scale.mm_per_px,
            standard_error_px=error_mm / scale.mm_per_px,
            quality=frames.quality,
            tip_px=nowhere,
            rim_px=nowhere,
            ahead_px=ahead_mm / scale.mm_per_px,
        )
        for edge, gap_mm, error_mm, ahead_mm in zip(
            basis.view.edges, frames.gap_mm, basis.gap_standard_error_mm, basis.ahead_mm.tolist(), strict=True
        )
    )
    unseen = np.full(len(frames.time_s), np.nan)
    seen = GapTrack(
        time_s=frames.time_s,
        sides=sides,
        mark_px=unseen,
        mark_strength=unseen,
        spoke_profile=np.empty((len(unseen), 0, 0), dtype=np.float16),
        lost=tuple("" if ok else "not used" for ok in np.isfinite(frames.gap_mm.sum(axis=0)).tolist()),
    )
    turning = Turning(
        angle_deg=frames.angle_deg,
        standard_uncertainty_deg=basis.angle_standard_uncertainty_deg,
        common_uncertainty_deg=basis.angle_common_uncertainty_deg,
        revolutions=float(np.ptp(frames.angle_deg[np.isfinite(frames.angle_deg)])) / 360.0,
        reversals=basis.reversals,
        evidence=basis.evidence,
    )
    return seen, turning


def _wheel(recorded: Runout, basis: Basis) -> WheelInView:
    side = recorded.sides[0]
    return WheelInView(
        spoke_angles_deg=side.spoke_angle_deg,
        flanges=side.spoke_flange,
        rim_radius_mm=basis.rim_radius_mm,
        start_spoke=basis.start_spoke,
    )


def _differences(
    recorded: Runout, seen: GapTrack, turning: Turning, tolerance: float
) -> tuple[Difference, ...]:
    """Where it comes out otherwise: by what the program of now takes pixels to do, or older ones, whichever fits better."""
    ways = (
        tuple(_compare(recorded, _again(recorded, seen, turning, repeated_px), tolerance))
        for repeated_px in (REPEATED_PX, REPEATED_PX_BEFORE)
    )
    fewest = next(ways)
    return min(fewest, *ways, key=len) if fewest else fewest


def _again(recorded: Runout, seen: GapTrack, turning: Turning, repeated_px: float = REPEATED_PX) -> Runout:
    basis = _basis(recorded)
    return reckon(
        seen,
        turning,
        basis.view,
        _wheel(recorded, basis),
        tolerance_mm=recorded.verdict.tolerance_mm,
        created=recorded.created,
        source=recorded.source,
        other=basis.other,
        repeated_px=repeated_px,
    )


def _compare(recorded: Runout, again: Runout, tolerance: float) -> Iterator[Difference]:
    one, other = pass_fields(recorded), pass_fields(again)
    for name in one:
        if name not in _NOT_WORKED_OUT:
            yield from _differ(name, one[name], other[name], tolerance)


def _differ(field: str, one: Any, other: Any, tolerance: float) -> Iterator[Difference]:
    """Walk two values of a file side by side, down to numbers and words."""
    if isinstance(one, dict) and isinstance(other, dict):
        for name in one:
            yield from _differ(f"{field}.{name}", one[name], other.get(name), tolerance)
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        for index, (here, there) in enumerate(zip(one, other, strict=True)):
            yield from _differ(f"{field}[{index}]", here, there, tolerance)
    elif isinstance(one, list) and isinstance(other, list):
        yield Difference(field=field, recorded=f"{len(one)} entries", again=f"{len(other)} entries")
    elif isinstance(one, float) and isinstance(other, float):
        apart = abs(one - other)
        if field.endswith("_deg"):  # 359.999999 and 0 are neighbours
            apart = min(apart, abs(360.0 - apart))
        if not apart <= tolerance:
            yield Difference(field=field, recorded=one, again=other)
    elif one != other:
        yield Difference(field=field, recorded=one, again=other)
