"""Ready-made classes of wheel, in general words.

They fill what a person doesn't know of a wheel. Every number here is a plausible middle value from memory or
common practice, not a maker's: the response of the wheel itself is what corrects it.
"""

import difflib

from rimgauge.errors import BadInput
from rimgauge.records import Hub, Rim, SpokeBuild, Tolerance, record

TURN_MM = 25.4 / 56
"""Spoke thread: 56 per inch on 2.0 mm wire; DIN 79012 as reproduced in the trade."""

TRUE_ENOUGH = Tolerance(lateral_mm=0.5, radial_mm=0.5, dish_mm=1.0)  # common practice


@record
class WheelClass:
    """Defaults of one class; tighter_side_n is the mean tension of the side that is the tighter one."""

    rim: Rim
    hub: Hub
    spoke: SpokeBuild
    tighter_side_n: float
    limit_n: float
    tolerance: Tolerance = TRUE_ENOUGH


def _rim(effective_diameter_mm: float, lateral: float, radial: float, torsion: float, axial_mn: float) -> Rim:
    return Rim(
        effective_diameter_mm=effective_diameter_mm,
        lateral_bending_n_m2=lateral,
        radial_bending_n_m2=radial,
        torsion_n_m2=torsion,
        axial_n=axial_mn * 1e6,
    )


def _hub(flange_diameter_mm: float, right_offset_mm: float, left_offset_mm: float) -> Hub:
    return Hub(
        right_flange_diameter_mm=flange_diameter_mm,
        left_flange_diameter_mm=flange_diameter_mm,
        right_flange_offset_mm=right_offset_mm,
        left_flange_offset_mm=left_offset_mm,
    )


def _spoke(diameter_mm: float) -> SpokeBuild:
    return SpokeBuild(right_diameter_mm=diameter_mm, left_diameter_mm=diameter_mm, turn_mm=TURN_MM)


DEFAULT_KIND = "box-section alloy"

# Rim: effective diameter [mm], lateral, radial, torsion [N·m²], axial [MN]: all from memory, plausible.
# Hub: flange diameter, right and left offset [mm]; spokes [mm]; tensions [N]: common practice.
READY_MADE: dict[str, WheelClass] = {
    DEFAULT_KIND: WheelClass(
        rim=_rim(602.0, 220.0, 110.0, 25.0, 8.0),
        hub=_hub(45.0, 36.0, 36.0),
        spoke=_spoke(2.0),
        tighter_side_n=1000.0,
        limit_n=1200.0,
    ),
    # The cassette pushes the right flange inward: the right spokes stand steeper and pull harder.
    "box-section alloy, dished rear": WheelClass(
        rim=_rim(602.0, 220.0, 110.0, 25.0, 8.0),
        hub=_hub(45.0, 18.0, 36.0),
        spoke=_spoke(2.0),
        tighter_side_n=1100.0,
        limit_n=1200.0,
    ),
    "light alloy": WheelClass(
        rim=_rim(605.0, 150.0, 75.0, 15.0, 5.5),
        hub=_hub(38.0, 36.0, 36.0),
        spoke=_spoke(1.8),
        tighter_side_n=850.0,
        limit_n=1000.0,
    ),
    "deep alloy": WheelClass(
        rim=_rim(580.0, 240.0, 300.0, 80.0, 8.5),
        hub=_hub(40.0, 37.0, 37.0),
        spoke=_spoke(1.8),
        tighter_side_n=1100.0,
        limit_n=1300.0,
    ),
    # A front wheel: the disc pushes the left flange inward.
    "disc-brake alloy": WheelClass(
        rim=_rim(600.0, 280.0, 130.0, 45.0, 8.0),
        hub=_hub(58.0, 34.0, 24.0),
        spoke=_spoke(1.8),
        tighter_side_n=1050.0,
        limit_n=1200.0,
    ),
    "wide heavy alloy": WheelClass(
        rim=_rim(594.0, 500.0, 220.0, 90.0, 12.0),
        hub=_hub(58.0, 33.0, 33.0),
        spoke=_spoke(2.0),
        tighter_side_n=1100.0,
        limit_n=1300.0,
    ),
    "carbon deep": WheelClass(
        rim=_rim(540.0, 300.0, 800.0, 200.0, 11.0),
        hub=_hub(40.0, 37.0, 37.0),
        spoke=_spoke(1.8),
        tighter_side_n=1100.0,
        limit_n=1250.0,
    ),
    "small-wheel alloy": WheelClass(
        rim=_rim(387.0, 200.0, 100.0, 25.0, 7.5),
        hub=_hub(45.0, 33.0, 33.0),
        spoke=_spoke(2.0),
        tighter_side_n=950.0,
        limit_n=1150.0,
    ),
    # An open channel of thin sheet: stiff to bend, weak to twist.
    "steel channel": WheelClass(
        rim=_rim(608.0, 320.0, 90.0, 6.0, 18.0),
        hub=_hub(45.0, 36.0, 36.0),
        spoke=_spoke(2.0),
        tighter_side_n=800.0,
        limit_n=1000.0,
    ),
}


def ready_made(kind: str) -> WheelClass:
    """Find the ready-made class of that name.

    Raises
    ------
    BadInput
        There is none; the message names those there are.

    """
    if kind not in READY_MADE:
        near = difflib.get_close_matches(kind, READY_MADE, n=1)
        hint = f'did you mean "{near[0]}"? Known are' if near else "known are"
        raise BadInput(f'there is no kind of wheel called "{kind}"; {hint}: {"; ".join(READY_MADE)}')
    return READY_MADE[kind]
