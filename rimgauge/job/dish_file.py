"""dish-NN.json: how far the rim stands from the middle, and the measurements that say so."""

from __future__ import annotations

import functools
from dataclasses import asdict
from typing import Any

from rimgauge.records import Dish, record

from .pass_file import budget_fields, parse_budget, parse_measured
from .reader import FileFormat, Reader, read_moment

_MOST_MM = 1000.0


@record
class KeptDish:
    """A dish as it stands in a job.

    measurements: names of the files beside it, the second one of the wheel turned round; one with two pointers.
    between_mm: from pointer tip to pointer tip, None for a wheel turned round. tolerance_mm: what is near enough.
    """

    created: str
    measurements: tuple[str, ...]
    between_mm: float | None
    tolerance_mm: float
    dish: Dish


def dish_fields(kept: KeptDish) -> dict[str, Any]:
    """List the fields of a dish as they stand in the file, format and version apart."""
    dish = kept.dish
    return {
        "created": kept.created,
        "measurements": list(kept.measurements),
        "between_mm": kept.between_mm,
        "tolerance_mm": kept.tolerance_mm,
        "offset_mm": {
            "value": dish.offset_mm,
            "expanded_uncertainty": dish.expanded_uncertainty_mm,
            "coverage_probability": dish.coverage_probability,
        },
        "width_mm": dish.width and asdict(dish.width),
        "uncertainty_budget": budget_fields(dish.budget),
    }


def _parse(fields: Reader) -> KeptDish:
    offset, between = fields["offset_mm"], fields["between_mm"]
    return KeptDish(
        created=read_moment(fields["created"]),
        measurements=tuple(_name(item) for item in fields["measurements"].items(least=1, most=2)),
        between_mm=between.or_none(functools.partial(Reader.number, above=0, below=_MOST_MM)),
        tolerance_mm=fields["tolerance_mm"].number(above=0, below=100),
        dish=Dish(
            offset_mm=offset["value"].number(least=-_MOST_MM, most=_MOST_MM),
            expanded_uncertainty_mm=offset["expanded_uncertainty"].number(least=0),
            coverage_probability=offset["coverage_probability"].number(above=0, below=1),
            budget=parse_budget(fields["uncertainty_budget"]),
            width=fields["width_mm"].or_none(parse_measured),
        ),
    )


def _name(place: Reader) -> str:
    name = place.text()
    if not name or "/" in name or "\\" in name or "\0" in name or name in (".", ".."):
        place.fail(f"must be the name of a measurement beside it, not {name[:60]!r}")
    return name


_FORMAT = FileFormat("rimgauge-dish", dish_fields, _parse)
read_dish, write_dish = _FORMAT.read, _FORMAT.write
