"""What of a wheel may be otherwise than believed: groups of its nipples' influence, each by one factor."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rimgauge.records import FloatArray, Influence, Wheel, record
from rimgauge.wheel.stiffness import influence

PRIOR_SPREAD = {"movement": 0.15, "stiffness": 0.15, "side": 0.05}
"""Standard deviation of each kind of factor about 1 before anything is measured (our estimate)."""
STEP = 0.1
"""Step of the difference quotients: ten per cent stiffer."""


@record
class Group:
    """One factor to learn: what the influence gains where the factor grows by 1."""

    spread: float
    gain: Influence


def groups_of(wheel: Wheel, prior: Influence) -> list[Group]:
    """Name the six: movement sideways and radially, stiffness of rim and spokes, nipples of each side.

    prior: what the wheel is believed to do.
    """
    nothing = _scaled(prior, 0.0)
    sideways = replace(nothing, lateral_mm=prior.lateral_mm, dish_mm=prior.dish_mm)
    radially = replace(nothing, radial_mm=prior.radial_mm)
    rim = replace(
        wheel.rim,
        lateral_bending_n_m2=wheel.rim.lateral_bending_n_m2 * (1 + STEP),
        radial_bending_n_m2=wheel.rim.radial_bending_n_m2 * (1 + STEP),
        torsion_n_m2=wheel.rim.torsion_n_m2 * (1 + STEP),
    )
    thicker = float(np.sqrt(1 + STEP))
    spoke = replace(
        wheel.spoke,
        right_diameter_mm=wheel.spoke.right_diameter_mm * thicker,
        left_diameter_mm=wheel.spoke.left_diameter_mm * thicker,
    )
    stiffer = [replace(wheel, rim=rim), replace(wheel, spoke=spoke)]
    right = np.array(wheel.flanges) == "right"
    return [
        *(Group(spread=PRIOR_SPREAD["movement"], gain=gain) for gain in (sideways, radially)),
        *(
            Group(
                spread=PRIOR_SPREAD["stiffness"],
                gain=_scaled(summed(influence(other), prior, -1.0), 1 / STEP),
            )
            for other in stiffer
        ),
        *(Group(spread=PRIOR_SPREAD["side"], gain=_columns(prior, side)) for side in (right, ~right)),
    ]


def summed(one: Influence, other: Influence, factor: float) -> Influence:
    """One influence and so many times another."""
    return replace(
        one,
        lateral_mm=one.lateral_mm + factor * other.lateral_mm,
        radial_mm=one.radial_mm + factor * other.radial_mm,
        dish_mm=one.dish_mm + factor * other.dish_mm,
        tension_n=one.tension_n + factor * other.tension_n,
    )


def _scaled(one: Influence, factor: float) -> Influence:
    return summed(one, one, factor - 1)


def _columns(one: Influence, nipples: FloatArray) -> Influence:
    return replace(
        one,
        lateral_mm=one.lateral_mm * nipples,
        radial_mm=one.radial_mm * nipples,
        dish_mm=one.dish_mm * nipples,
        tension_n=one.tension_n * nipples,
    )
