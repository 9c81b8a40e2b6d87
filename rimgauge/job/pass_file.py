"""pass-NN.json: one measurement, with what every frame said, NaN standing as null; every digit is kept."""

from __future__ import annotations

import math
import re
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from rimgauge.records import (
    Basis,
    BudgetLine,
    Direction,
    FloatArray,
    FrameValues,
    Measured,
    Runout,
    SideRunout,
    Source,
    Verdict,
    Zone,
)

from .reader import FARTHEST_MM, FileFormat, Reader, read_json, read_moment
from .view_file import parse_view, view_fields

MOST_AHEAD_MM = 1000.0
"""No picture that shows a gap shows a metre of the rim."""


# --- record to fields ---------------------------------------------------------------------------------


def pass_fields(runout: Runout) -> dict[str, Any]:
    """List the fields of a measurement as they stand in the file, format and version apart."""
    return {
        "direction": runout.direction,
        "created": runout.created,
        "source": asdict(runout.source),
        "revolutions": runout.revolutions,
        "total_runout_mm": asdict(runout.total_runout),
        "sides": [_side_fields(side) for side in runout.sides],
        "uncertainty_budget": budget_fields(runout.budget),
        "verdict": asdict(runout.verdict),
        "measured_by": runout.measured_by,
        "picture_sha256": runout.picture_sha256,
        "basis": runout.basis and _basis_fields(runout.basis),
        "notes": list(runout.notes),
        "advice": list(runout.advice),
        "frames": _frame_fields(runout.frames),
    }


def budget_fields(budget: tuple[BudgetLine, ...]) -> list[dict[str, Any]]:
    """List the lines of a budget as they stand in a file; infinite freedom is null, no one-sided part left out."""
    return [
        {
            "source": line.source,
            "standard_uncertainty_mm": line.standard_uncertainty_mm,
            "degrees_of_freedom": None if math.isinf(line.degrees_of_freedom) else line.degrees_of_freedom,
        }
        | ({"one_sided_mm": line.one_sided_mm} if line.one_sided_mm else {})
        for line in budget
    ]


def _side_fields(side: SideRunout) -> dict[str, Any]:
    harmonics = zip(
        side.harmonic_order.tolist(),
        side.harmonic_amplitude_mm.tolist(),
        side.harmonic_phase_deg.tolist(),
        strict=True,
    )
    spokes = zip(
        side.spoke_flange,
        side.spoke_angle_deg.tolist(),
        side.spoke_mm.tolist(),
        side.spoke_standard_uncertainty_mm.tolist(),
        strict=True,
    )
    return {
        "side": side.side,
        "mean_gap_mm": side.mean_gap_mm,
        "total_runout_mm": asdict(side.total_runout),
        "non_repeatable_mm": _or_null(side.non_repeatable_mm),
        "harmonics": [
            {"order": order, "amplitude_mm": amplitude, "phase_deg": phase}
            for order, amplitude, phase in harmonics
        ],
        "curve": {"angle_deg": side.curve_angle_deg.tolist(), "runout_mm": side.curve_mm.tolist()},
        "spokes": [
            {
                "number": number,
                "side": flange,
                "angle_deg": angle,
                "runout_mm": runout,
                "standard_uncertainty_mm": uncertainty,
            }
            for number, (flange, angle, runout, uncertainty) in enumerate(spokes, start=1)
        ],
        "zones": [{**asdict(zone), "spokes": list(zone.spokes)} for zone in side.zones],
        "repeated_error_mm": side.repeated_error_mm,
    }


def _frame_fields(frames: FrameValues) -> dict[str, Any]:
    gaps = [_with_nulls(row) for row in frames.gap_mm]
    return {
        "time_s": frames.time_s.tolist(),
        "angle_deg": _with_nulls(frames.angle_deg),
        "gap_mm": gaps[0] if len(gaps) == 1 else gaps,
        "quality": _with_nulls(frames.quality),
    }


def _basis_fields(basis: Basis) -> dict[str, Any]:
    return {
        "software": basis.software,
        "rim_radius_mm": basis.rim_radius_mm,
        "ahead_mm": basis.ahead_mm.tolist(),
        "reversals": basis.reversals,
        "evidence": list(basis.evidence),
        "gap_standard_error_mm": [_with_nulls(row) for row in basis.gap_standard_error_mm],
        "angle_standard_uncertainty_deg": _with_nulls(basis.angle_standard_uncertainty_deg),
        "angle_common_uncertainty_deg": basis.angle_common_uncertainty_deg,
        "view": view_fields(basis.view),
        "other": basis.other and _side_fields(basis.other),
        "start_spoke": basis.start_spoke,
    }


def _with_nulls(values: FloatArray) -> list[float | None]:
    return [_or_null(value) for value in values.tolist()]


def _or_null(value: float) -> float | None:
    return None if math.isnan(value) else value


# --- fields to record ---------------------------------------------------------------------------------


def _parse(fields: Reader) -> Runout:
    direction: Direction = fields["direction"].choice("lateral", "radial")
    sides = tuple(_side(item) for item in fields["sides"].items(least=1, most=2))
    verdict, frames = fields["verdict"], _frames(fields["frames"], len(sides))
    optional = ("notes", "advice", "picture_sha256", "basis", "measured_by")
    notes, advice, picture, basis, measured_by = (fields.get(name) for name in optional)
    return Runout(
        direction=direction,
        created=read_moment(fields["created"]),
        source=_source(fields["source"]),
        revolutions=fields["revolutions"].number(least=0),
        total_runout=parse_measured(fields["total_runout_mm"]),
        sides=sides,
        budget=parse_budget(fields["uncertainty_budget"]),
        verdict=Verdict(
            tolerance_mm=verdict["tolerance_mm"].number(above=0),
            rule=verdict["rule"].text(),
            outcome=verdict["outcome"].choice("within", "out", "undecided"),
        ),
        frames=frames,
        notes=tuple(note.text() for note in notes.items()) if notes else (),
        advice=tuple(each.text() for each in advice.items()) if advice else (),
        basis=basis.or_none(lambda place: _basis(place, frames.gap_mm.shape, len(sides[0].spoke_mm)))
        if basis
        else None,
        picture_sha256=_sha256(picture, "no picture") if picture else "",
        measured_by=measured_by.text() if measured_by else "",
    )


def parse_budget(place: Reader) -> tuple[BudgetLine, ...]:
    """Read a budget wherever it stands."""
    return tuple(_budget_line(line) for line in place.items())


def _budget_line(line: Reader) -> BudgetLine:
    """Read a line; freedom that is null or left out is infinite, a one-sided part that is left out is none."""
    given, one_sided = line.get("degrees_of_freedom"), line.get("one_sided_mm")
    freedom = given and given.or_none(lambda found: found.number(above=0))
    standard_mm = line["standard_uncertainty_mm"].number(least=0)
    return BudgetLine(
        source=line["source"].text(),
        standard_uncertainty_mm=standard_mm,
        degrees_of_freedom=freedom or math.inf,
        one_sided_mm=one_sided.number(least=0, most=standard_mm) if one_sided else 0.0,
    )


def _source(place: Reader) -> Source:
    count, every = place["frames"].whole(least=0), place.get("every")
    return Source(
        kind=place["kind"].text(),
        name=place["name"].text(),
        frames=count,
        used=place["used"].whole(least=0, most=count),
        sha256=_sha256(place["sha256"], "a live camera"),
        every=1 if every is None else every.whole(least=1),
    )


def _sha256(place: Reader, empty_for: str) -> str:
    text = place.text()
    if not re.fullmatch(r"([0-9a-f]{64})?", text):
        place.fail(f"must be 64 hexadecimal digits, or empty for {empty_for}")
    return text


def parse_measured(place: Reader) -> Measured:
    """Read a value with its uncertainty wherever it stands."""
    return Measured(
        value=place["value"].number(least=0),
        expanded_uncertainty=place["expanded_uncertainty"].number(least=0),
        coverage_probability=place["coverage_probability"].number(above=0, below=1),
    )


def _side(place: Reader) -> SideRunout:
    harmonics, curve, spokes = place["harmonics"].items(), place["curve"], place["spokes"].items()
    angles = curve["angle_deg"].numbers(least=0)
    for number, spoke in enumerate(spokes, start=1):
        if spoke["number"].whole() != number:
            spoke["number"].fail(f"must be {number}: spokes are listed in order from 1")
    return SideRunout(
        side=place["side"].choice("right", "left", "outer"),
        mean_gap_mm=place["mean_gap_mm"].number(),
        total_runout=parse_measured(place["total_runout_mm"]),
        non_repeatable_mm=place["non_repeatable_mm"].or_nan(least=0),
        harmonic_order=np.array([item["order"].whole(least=0) for item in harmonics], dtype=np.int64),
        harmonic_amplitude_mm=np.array([item["amplitude_mm"].number(least=0) for item in harmonics]),
        harmonic_phase_deg=np.array([item["phase_deg"].number() for item in harmonics]),
        curve_angle_deg=np.array(angles),
        curve_mm=np.array(curve["runout_mm"].numbers(length=len(angles))),
        spoke_flange=tuple(spoke["side"].choice("right", "left") for spoke in spokes),
        spoke_angle_deg=np.array([spoke["angle_deg"].number() for spoke in spokes]),
        spoke_mm=np.array(
            [spoke["runout_mm"].number(least=-FARTHEST_MM, most=FARTHEST_MM) for spoke in spokes]
        ),
        spoke_standard_uncertainty_mm=np.array(
            [spoke["standard_uncertainty_mm"].number(least=0) for spoke in spokes]
        ),
        zones=tuple(_zone(item, len(spokes)) for item in place["zones"].items()),
        repeated_error_mm=repeated.number(least=0) if (repeated := place.get("repeated_error_mm")) else 0.0,
    )


def _zone(place: Reader, spoke_count: int) -> Zone:
    """Read a zone; where start and end are left out they follow from centre and width."""
    centre = place["centre_deg"].number()
    width = place["width_deg"].number(least=0, most=360)
    start, end = place.get("start_deg"), place.get("end_deg")
    return Zone(
        start_deg=start.number() if start else (centre - width / 2) % 360,
        centre_deg=centre,
        end_deg=end.number() if end else (centre + width / 2) % 360,
        width_deg=width,
        peak_mm=place["peak_mm"].number(),
        spokes=tuple(item.whole(least=1, most=spoke_count) for item in place["spokes"].items()),
    )


def _frames(place: Reader, side_count: int) -> FrameValues:
    time_s = place["time_s"].numbers()
    count, gaps = len(time_s), place["gap_mm"]
    rows = [gaps] if side_count == 1 else gaps.items(least=side_count, most=side_count)
    return FrameValues(
        time_s=np.array(time_s),
        angle_deg=np.array(place["angle_deg"].numbers(length=count, gaps=True)),
        gap_mm=np.array([row.numbers(length=count, gaps=True) for row in rows]).reshape(side_count, count),
        quality=np.array(place["quality"].numbers(length=count, gaps=True, least=0)),
    )


def _ahead_mm(place: Reader, sides: int, radius_mm: float) -> list[float]:
    most_mm = min(MOST_AHEAD_MM, math.pi * radius_mm)
    return [item.number(least=-most_mm, most=most_mm) for item in place.items(least=sides, most=sides)]


def _basis(place: Reader, shape: tuple[int, ...], spokes: int) -> Basis:
    sides, count = shape
    radius_mm = place["rim_radius_mm"].number(above=0)
    rows = place["gap_standard_error_mm"].items(least=sides, most=sides)
    angles = place["angle_standard_uncertainty_deg"].numbers(length=count, gaps=True, least=0)
    other, start, ahead = (place.get(name) for name in ("other", "start_spoke", "ahead_mm"))
    common = place.get("angle_common_uncertainty_deg")
    return Basis(
        view=parse_view(place["view"]),
        rim_radius_mm=radius_mm,
        software=place["software"].text(),
        reversals=place["reversals"].whole(least=0),
        evidence=tuple(item.text() for item in place["evidence"].items()),
        gap_standard_error_mm=np.array(
            [row.numbers(length=count, gaps=True, least=0) for row in rows]
        ).reshape(sides, count),
        angle_standard_uncertainty_deg=np.array(angles),
        angle_common_uncertainty_deg=common.number(least=0) if common else 0.0,
        ahead_mm=np.array(_ahead_mm(ahead, sides, radius_mm) if ahead else [0.0] * sides),
        other=other.or_none(_side) if other else None,
        start_spoke=start.or_none(lambda number: number.whole(least=1, most=spokes)) if start else None,
    )


_FORMAT = FileFormat("rimgauge-pass", pass_fields, _parse)
read_pass, write_pass, pass_text = _FORMAT.read, _FORMAT.write, _FORMAT.text


def tells_what_errs_alike(path: Path) -> bool:
    """Tell whether a measurement's file holds what errs alike in every turn and at every angle; older programs' don't.

    Raises
    ------
    BadFile
        The file can't be read.
    """
    fields = read_json(Path(path), _FORMAT.name)
    basis = fields.get("basis")
    angles = (
        None if basis is None else basis.or_none(lambda place: "angle_common_uncertainty_deg" in place.value)
    )
    return bool(angles) and all("repeated_error_mm" in side.value for side in fields["sides"].items())
