"""The wheel: its parts, tensions and tolerances, and what each nipple moves."""

from __future__ import annotations

import numpy as np

from rimgauge.records.base import Flange, FloatArray, own, record

NEWTONS_PER_KGF = 9.80665
"""Standard gravity, exact (3rd General Conference on Weights and Measures, 1901)."""
USUAL_RADIUS_MM = 311.0
"""Outer radius of a common rim, where no wheel file tells it."""
FEWEST_SPOKES, MOST_SPOKES = 4, 60
"""Of any wheel that is asked about; beyond these a number is a slip of the finger (a judgement)."""
BEYOND_SPOKES_MM = 9.0
"""From where the spokes end to a rim's outer edge (common practice)."""


@record
class Rim:
    """The rim as a closed curved beam; effective_diameter_mm is that of the spoke ends (effective rim diameter)."""

    effective_diameter_mm: float
    lateral_bending_n_m2: float
    radial_bending_n_m2: float
    torsion_n_m2: float
    axial_n: float


@record
class Hub:
    """Flange diameters are those of the spoke holes' circle; offsets from the rim's plane, both positive."""

    right_flange_diameter_mm: float
    left_flange_diameter_mm: float
    right_flange_offset_mm: float
    left_flange_offset_mm: float


@record
class SpokeBuild:
    """Spoke diameters in the middle, and the length one nipple turn takes up."""

    right_diameter_mm: float
    left_diameter_mm: float
    turn_mm: float


@record
class Tension:
    """Mean tension of each side and the wheel maker's limit."""

    right_n: float
    left_n: float
    limit_n: float


@record
class Tolerance:
    """How true is true enough."""

    lateral_mm: float
    radial_mm: float
    dish_mm: float


@record
class Wheel:
    """A wheel with n spokes (wheel.toml, gaps filled from a ready-made class).

    flanges: n of 'right' or 'left', spoke 1 first. spoke_angles_deg (n,): rising, from the mark.
    assumed: dotted names of the fields that were filled in from the class, e.g. 'rim.torsion_n_m2'.
    """

    name: str
    kind: str
    crossings: int
    flanges: tuple[Flange, ...]
    spoke_angles_deg: FloatArray
    rim: Rim
    hub: Hub
    spoke: SpokeBuild
    tension: Tension
    tolerance: Tolerance
    assumed: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        own(self, "spoke_angles_deg", (len(self.flanges),))

    @property
    def mean_tensions_n(self) -> FloatArray:
        """Mean tension of its side, for each spoke (n,)."""
        return np.where(np.array(self.flanges) == "right", self.tension.right_n, self.tension.left_n)

    @property
    def outer_radius_mm(self) -> float:
        """Of the rim's outer edge, roughly: where the spokes end and a usual rim's depth beyond."""
        return self.rim.effective_diameter_mm / 2.0 + BEYOND_SPOKES_MM


@record
class WheelInView:
    """What a measurement must know of the wheel that it sees.

    spoke_angles_deg (n,): rising, from the mark. flanges: n of 'right' or 'left', spoke 1 first; without them they
    are thought to take turns. rim_radius_mm: of the rim, roughly: only the first guess of the mark's speed.
    start_spoke: number of the spoke at the pointer in the first frame, where no mark or tags tell the place.
    """

    spoke_angles_deg: FloatArray
    flanges: tuple[Flange, ...] = ()
    rim_radius_mm: float = USUAL_RADIUS_MM
    start_spoke: int | None = None

    def __post_init__(self) -> None:
        own(self, "spoke_angles_deg", (len(self.flanges) or None,))

    @staticmethod
    def of(wheel: Wheel, start_spoke: int | None = None) -> WheelInView:
        """Take it from the wheel's build."""
        return WheelInView(
            spoke_angles_deg=wheel.spoke_angles_deg,
            flanges=wheel.flanges,
            rim_radius_mm=wheel.outer_radius_mm,
            start_spoke=start_spoke,
        )


@record
class Influence:
    """What one turn (tightening) of each of n nipples does.

    lateral_mm, radial_mm (m, n): movement of the rim at angle_deg (m,), mean over the circle included.
    dish_mm (n,): mean lateral movement over the circle. tension_n (n, n): change at spoke i from nipple j.
    """

    angle_deg: FloatArray
    lateral_mm: FloatArray
    radial_mm: FloatArray
    dish_mm: FloatArray
    tension_n: FloatArray

    def __post_init__(self) -> None:
        points, nipples = len(self.angle_deg), len(self.dish_mm)
        own(self, "angle_deg", (points,))
        own(self, "lateral_mm", (points, nipples))
        own(self, "radial_mm", (points, nipples))
        own(self, "dish_mm", (nipples,))
        own(self, "tension_n", (nipples, nipples))
