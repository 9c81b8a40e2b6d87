"""From what a person knows of a wheel to a complete one: gaps filled, nonsense refused."""

import math
from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import Any

import numpy as np

from rimgauge.errors import BadInput
from rimgauge.records import (
    FEWEST_SPOKES,
    MOST_SPOKES,
    NEWTONS_PER_KGF,
    Flange,
    FloatArray,
    Hub,
    Rim,
    SpokeBuild,
    Tension,
    Tolerance,
    Wheel,
)
from rimgauge.wheel.classes import DEFAULT_KIND, WheelClass, ready_made
from rimgauge.wheel.geometry import lateral_sines, lean_step_deg, spoke_lines

WIDEST_LEAN_DEG = 90.0
"""Beyond this a spoke would have to run back past its neighbour's head in the flange."""
USUAL_LEAN_DEG = 80.0

PLAUSIBLE: dict[str, tuple[float, float]] = {
    "rim.effective_diameter_mm": (150.0, 800.0),
    "rim.lateral_bending_n_m2": (1.0, 1e5),
    "rim.radial_bending_n_m2": (1.0, 1e5),
    "rim.torsion_n_m2": (0.1, 1e5),
    "rim.axial_n": (1e5, 1e9),
    "hub.right_flange_diameter_mm": (10.0, 140.0),
    "hub.left_flange_diameter_mm": (10.0, 140.0),
    "hub.right_flange_offset_mm": (1.0, 150.0),
    "hub.left_flange_offset_mm": (1.0, 150.0),
    "spoke.right_diameter_mm": (0.8, 5.0),
    "spoke.left_diameter_mm": (0.8, 5.0),
    "spoke.turn_mm": (0.1, 2.0),
    "tension.right_n": (1.0, 5000.0),
    "tension.left_n": (1.0, 5000.0),
    "tension.limit_n": (1.0, 5000.0),
    "tolerance.lateral_mm": (0.01, 50.0),
    "tolerance.radial_mm": (0.01, 50.0),
    "tolerance.dish_mm": (0.01, 50.0),
}
"""Lowest and highest value of each field: wide enough for any wheel, yet a slip of units is caught."""

SPOKE_BEARS_N_PER_MM2 = 780.0
"""A spoke of 2 mm breaks at 250 to 300 kgf (common practice): over the lower of these, by its section, no limit is set.
Spokes that are thinner in the middle have ends of 2 mm, and stronger wire."""
ENDS_MM = 2.0
LIKE_KGF = (20.0, 200.0)
"""No wheel is built to so few newtons, but many to so many kilograms-force; less is a wheel without tension, as models have it."""


def complete_wheel(build: Mapping[str, Any]) -> Wheel:
    """Complete a build.

    Parameters
    ----------
    build : what wheel.toml says, as parsed: only `spokes` has to be there. Keys and types are already checked.

    Returns
    -------
    Wheel
        `assumed` names each field that the build left out.

    Raises
    ------
    BadInput
        A value makes no sense: the message names the field.

    """
    kind = build.get("kind", DEFAULT_KIND)
    ready = ready_made(kind)
    spokes = _spokes(build)
    flanges = _flanges(build, spokes)
    side_key = "side_pattern" if "side_pattern" in build else "first_spoke_side"
    gaps = [key for key in ("kind", "crossings", side_key) if key not in build]
    if "spoke_angles_deg" not in build and "first_spoke_deg" not in build:
        gaps.append("first_spoke_deg")
    rim = Rim(**_filled("rim", build, ready.rim, gaps))
    hub = Hub(**_filled("hub", build, ready.hub, gaps))
    spoke = SpokeBuild(**_filled("spoke", build, ready.spoke, gaps))
    tolerance = Tolerance(**_filled("tolerance", build, ready.tolerance, gaps))
    untensioned = Wheel(
        name=build.get("name", kind),
        kind=kind,
        crossings=_crossings(build, flanges),
        flanges=flanges,
        spoke_angles_deg=_angles_deg(build, spokes),
        rim=rim,
        hub=hub,
        spoke=spoke,
        tension=Tension(right_n=0.0, left_n=0.0, limit_n=ready.limit_n),
        tolerance=tolerance,
    )
    tension = _tension(build, ready, untensioned, gaps)
    _check_borne(tension.limit_n, spoke)
    return replace(untensioned, tension=tension, assumed=tuple(gaps))


def _plausible(field: str, value: float) -> float:
    """Check one number against its table; NaN is outside every range."""
    low, high = PLAUSIBLE[field]
    if not low <= value <= high:
        raise BadInput(f"{field} = {value:g} makes no sense; it has to lie between {low:g} and {high:g}.")
    if field.startswith("tension.") and LIKE_KGF[0] <= value < LIKE_KGF[1]:
        raise BadInput(
            f"{field} = {value:g} makes no sense in newtons; if it is in kilograms-force, write {value * NEWTONS_PER_KGF:.0f}."
        )
    return float(value)


def _check_borne(limit_n: float, spoke: SpokeBuild) -> None:
    """Refuse a limit on tension that the thinner spokes wouldn't bear."""
    thinner_mm = max(min(spoke.right_diameter_mm, spoke.left_diameter_mm), ENDS_MM)
    bears_n = SPOKE_BEARS_N_PER_MM2 * math.pi * thinner_mm**2 / 4
    if limit_n > bears_n:
        raise BadInput(
            f"tension.limit_n = {limit_n:g} is more than the spokes bear, which may break from about {bears_n:.0f} N on; "
            "write the wheel maker's limit, in newtons."
        )


def _filled(table: str, build: Mapping[str, Any], ready: Any, gaps: list[str]) -> dict[str, float]:
    """Values of one table of the build, those left out taken from the class and noted in `gaps`."""
    given = build.get(table, {})
    values = {}
    for key, usual in asdict(ready).items():
        field = f"{table}.{key}"
        if key in given:
            values[key] = _plausible(field, given[key])
        else:
            values[key] = usual
            gaps.append(field)
    return values


def _spokes(build: Mapping[str, Any]) -> int:
    if "spokes" not in build:
        raise BadInput("spokes is missing; write how many the wheel has, for example spokes = 36.")
    spokes: int = build["spokes"]
    if not FEWEST_SPOKES <= spokes <= MOST_SPOKES:
        raise BadInput(
            f"spokes = {spokes} makes no sense; it has to lie between {FEWEST_SPOKES} and {MOST_SPOKES}."
        )
    if spokes % 2 and "side_pattern" not in build:
        raise BadInput(
            f"spokes = {spokes} is odd, so they can't go to the two flanges in turn; "
            'say how they do, for example side_pattern = "RRL".'
        )
    return spokes


def _flanges(build: Mapping[str, Any], spokes: int) -> tuple[Flange, ...]:
    """Lay the pattern of sides round the wheel from the first spoke on; without one the flanges alternate."""
    first = build.get("first_spoke_side", "right")
    if first not in ("right", "left"):
        raise BadInput(f'first_spoke_side = "{first}" makes no sense; write "right" or "left".')
    pattern = build.get("side_pattern", "RL" if first == "right" else "LR")
    if set(pattern) != {"R", "L"} or spokes % len(pattern):
        raise BadInput(
            f"side_pattern = {pattern[:60]!r} makes no sense for {spokes} spokes; write R and L for the sides of the "
            'spokes in turn, as often as it repeats, for example "RRL" for 24.'
        )
    sides: tuple[Flange, ...] = tuple("right" if letter == "R" else "left" for letter in pattern)
    if "first_spoke_side" in build and sides[0] != first:
        raise BadInput(
            "first_spoke_side and side_pattern disagree about spoke 1; leave first_spoke_side out."
        )
    return sides * (spokes // len(pattern))


def _crossings(build: Mapping[str, Any], flanges: tuple[Flange, ...]) -> int:
    """Crossings as given, or three or as many fewer as the flanges have room for."""
    on_flange = [flanges.count(side) for side in ("right", "left")]
    paired = all(spokes % 2 == 0 for spokes in on_flange)
    if "crossings" not in build:
        room = [x for x in (1, 2, 3) if lean_step_deg(x, min(on_flange)) <= USUAL_LEAN_DEG and paired]
        return max(room, default=0)
    crossings: int = build["crossings"]
    if crossings < 0:
        raise BadInput(f"crossings = {crossings} makes no sense; write 0 for radial spokes.")
    if crossings and not paired:
        sides = (
            f"{on_flange[0]} a side" if on_flange[0] == on_flange[1] else f"{on_flange[0]} and {on_flange[1]}"
        )
        raise BadInput(
            f"crossings = {crossings} is impossible with {len(flanges)} spokes: {sides} make no pairs; "
            "write 0 or correct the number of spokes."
        )
    if lean_step_deg(crossings, min(on_flange)) > WIDEST_LEAN_DEG:
        most = int(WIDEST_LEAN_DEG / lean_step_deg(1, min(on_flange)))
        raise BadInput(f"crossings = {crossings} is impossible with {len(flanges)} spokes; at most {most}.")
    return crossings


def _angles_deg(build: Mapping[str, Any], spokes: int) -> FloatArray:
    """Angles of the spokes from the mark: as given, or evenly spaced."""
    spacing = 360.0 / spokes
    if "spoke_angles_deg" not in build:
        first = build.get("first_spoke_deg", spacing / 2)
        if not 0.0 <= first < spacing:
            raise BadInput(
                f"first_spoke_deg = {first:g} makes no sense: spoke 1 is the first after the mark, "
                f"so it has to be at least 0 and less than {spacing:g}."
            )
        even: FloatArray = first + spacing * np.arange(spokes)
        return even
    angles = np.array(build["spoke_angles_deg"], dtype=np.float64)
    if len(angles) != spokes:
        raise BadInput(
            f"spoke_angles_deg holds {len(angles)} angles for {spokes} spokes; write one for each."
        )
    if not (np.all(np.diff(angles) > 0) and angles[0] >= 0 and angles[-1] < 360):
        raise BadInput("spoke_angles_deg has to rise from spoke to spoke, from 0 to less than 360.")
    if "first_spoke_deg" in build and not np.isclose(build["first_spoke_deg"], angles[0], rtol=0, atol=0.01):
        raise BadInput(
            "first_spoke_deg and spoke_angles_deg disagree about spoke 1; leave first_spoke_deg out."
        )
    return angles


def _tension(build: Mapping[str, Any], ready: WheelClass, wheel: Wheel, gaps: list[str]) -> Tension:
    """Mean tensions as given; one side alone fixes the other, since the rim must not be pulled sideways.

    With neither given, the tighter side has the class's tension, or the same share of a limit under the class's: whoever
    gives a low limit has hardly a wheel that is over it. That share is our own judgement.
    """
    given = {key: _plausible(f"tension.{key}", value) for key, value in build.get("tension", {}).items()}
    right_sine, left_sine = lateral_sines(spoke_lines(wheel), wheel)
    left_per_right = right_sine / left_sine
    limit_n = given.get("limit_n", ready.limit_n)
    tighter_n = ready.tighter_side_n * min(1.0, limit_n / ready.limit_n)
    right_n = given.get("right_n", tighter_n / max(1.0, left_per_right))
    if "left_n" in given and "right_n" not in given:
        right_n = given["left_n"] / left_per_right
    gaps += [f"tension.{key}" for key in ("right_n", "left_n", "limit_n") if key not in given]
    return Tension(
        right_n=right_n,
        left_n=given.get("left_n", right_n * left_per_right),
        limit_n=limit_n,
    )
