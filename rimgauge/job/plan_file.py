"""plan-NN.json: one round of corrections."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

import numpy as np

from rimgauge.records import EIGHTH, Bound, Correction, Plan, Readings, Round, WheelState

from .reader import FileFormat, Reader

_size: Callable[[Reader], float] = functools.partial(Reader.number, least=0)

MOST_TURNS = 100.0
"""A nipple has far fewer threads; a larger number is a slip."""
_READ = ("lateral_mm", "radial_mm", "tension_n")
_STATE: dict[str, Callable[[Reader], float]] = {
    "lateral_mm": _size,
    "radial_mm": _size,
    "dish_mm": Reader.number,  # its sign says to which side
    "tension_spread_right": _size,
    "tension_spread_left": _size,
    "highest_tension_n": _size,
}


def plan_fields(plan: Plan) -> dict[str, Any]:
    """List the fields of a plan as they stand in the file, format and version apart."""
    return {
        "round": plan.round,
        "corrections": [asdict(turn) for turn in plan.corrections],
        "predicted": asdict(plan.predicted),
        "before": asdict(plan.before),
        "bound": {name: None if math.isnan(value) else value for name, value in asdict(plan.bound).items()},
        "cautions": list(plan.cautions),
        "refused": plan.refused,
        "notes": list(plan.notes),
        "see_to_first": list(plan.see_to_first),
        "follows": plan.follows or None,
        "readings": None if plan.readings is None else _reading_fields(plan.readings),
        "earlier": [
            {"turns": done.turns.tolist(), **_reading_fields(done.readings)} for done in plan.earlier
        ],
    }


def _reading_fields(readings: Readings) -> dict[str, Any]:
    values = {name: getattr(readings, name).tolist() for name in _READ}
    gaps = {name: [None if math.isnan(value) else value for value in row] for name, row in values.items()}
    return {**gaps, "centred": readings.centred}


def _parse(fields: Reader) -> Plan:
    notes, follows = fields.get("notes"), fields.get("follows")
    see_to_first = fields.get("see_to_first")
    readings, earlier = fields.get("readings"), fields.get("earlier")
    return Plan(
        round=fields["round"].whole(least=1),
        corrections=tuple(_correction(item) for item in fields["corrections"].items()),
        predicted=_state(fields["predicted"]),
        before=_state(fields["before"]),
        bound=Bound(
            objective=fields["bound"]["objective"].or_nan(), proved=fields["bound"]["proved"].or_nan()
        ),
        cautions=tuple(item.text() for item in fields["cautions"].items()),
        refused=fields["refused"].or_none(Reader.text),
        notes=tuple(item.text() for item in notes.items()) if notes else (),
        see_to_first=tuple(item.text() for item in see_to_first.items()) if see_to_first else (),
        follows=(follows.or_none(Reader.text) if follows else None) or "",
        readings=readings.or_none(_readings) if readings else None,
        earlier=tuple(_round(item) for item in earlier.items()) if earlier else (),
    )


def _round(place: Reader) -> Round:
    readings = _readings(place)
    turns = place["turns"].numbers(length=len(readings.lateral_mm), least=-MOST_TURNS)
    if max(turns, default=0.0) > MOST_TURNS:
        place["turns"].fail(f"must be {MOST_TURNS:g} or less")
    return Round(readings=readings, turns=np.array(turns))


def _readings(place: Reader) -> Readings:
    spokes = len(place["lateral_mm"].items())
    values = {name: np.array(place[name].numbers(length=spokes, gaps=True)) for name in _READ}
    centred = place["centred"].value
    if not isinstance(centred, bool):
        place["centred"].fail("must be true or false")
    return Readings(**values, centred=centred)


def _correction(place: Reader) -> Correction:
    turns = place["turns"].number(least=-MOST_TURNS, most=MOST_TURNS)
    if turns == 0 or turns % EIGHTH:
        place["turns"].fail(f"must be whole eighths of a turn and not nothing, not {turns!r}")
    return Correction(
        order=place["order"].whole(least=1),
        spoke=place["spoke"].whole(least=1),
        side=place["side"].choice("right", "left"),
        turns=turns,
        words=place["words"].text(),
    )


def _state(place: Reader) -> WheelState:
    return WheelState(**{name: place[name].or_none(read) for name, read in _STATE.items()})


_FORMAT = FileFormat("rimgauge-plan", plan_fields, _parse)
read_plan, write_plan = _FORMAT.read, _FORMAT.write
