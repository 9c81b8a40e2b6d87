"""The frozen records that pass between rooms.

Rooms never import each other; these values are the only thing they share.
Lengths are in mm, forces in N, angles in degrees, times in s; every name with a unit carries it.

Sign conventions (docs/glossary.md owns them): lateral + is toward the wheel's right, the side with the
drive as the rider sees it; radial + is outward; angle 0 is the mark at the valve, and angles and spoke
numbers rise in the order in which points pass the pointer as the wheel rolls forward; turns + tighten.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, TypeVar, dataclass_transform

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

Direction = Literal["lateral", "radial"]
Side = Literal["right", "left", "outer"]
Flange = Literal["right", "left"]
Outcome = Literal["within", "out", "undecided"]
SeenFrom = Literal["tyre", "hub"]
Box = tuple[int, int, int, int]
"""x, y, width, height in whole pixels of the full picture, origin top left."""

_T = TypeVar("_T")


@dataclass_transform(frozen_default=True, kw_only_default=True, eq_default=False)
def record(cls: type[_T]) -> type[_T]:
    """Make a frozen, slotted, keyword-only dataclass without generated equality (arrays have none)."""
    return dataclass(frozen=True, slots=True, kw_only=True, eq=False)(cls)


def _own(instance: object, name: str, shape: tuple[int | None, ...], dtype: Any = np.float64) -> None:
    """Replace an array field by a read-only copy of the checked shape (None: any length)."""
    array = np.array(getattr(instance, name), dtype=dtype)
    fits = len(array.shape) == len(shape) and all(
        want is None or have == want for have, want in zip(array.shape, shape, strict=True)
    )
    if not fits:
        raise ValueError(f"{type(instance).__name__}.{name} has shape {array.shape}, wanted {shape}")
    array.flags.writeable = False
    object.__setattr__(instance, name, array)


# --- what the camera sees ---------------------------------------------------------------------------


@record
class Edge:
    """One pointer and the rim edge it faces."""

    side: Side
    pointer_box: Box
    rim_box: Box


@record
class Scale:
    """Millimetres per pixel along the measuring direction at the rim edge."""

    mm_per_px: float
    standard_uncertainty_mm_per_px: float
    method: str


@record
class Lens:
    """OpenCV's pinhole camera with distortion: camera_matrix (3, 3), distortion (k,), rms error [px]."""

    camera_matrix: FloatArray
    distortion: FloatArray
    rms_px: float

    def __post_init__(self) -> None:
        _own(self, "camera_matrix", (3, 3))
        _own(self, "distortion", (None,))


@record
class View:
    """Where things are in the picture (view.json).

    positive (2,): unit vector in the picture in which the rim moves when runout is positive.
    forward (2,): unit vector in which the rim passes the pointer when the wheel rolls forward.
    mark_to_pointer_deg: how far the wheel rolls forward from the mark centred in its box to the mark at
    the pointer; None: worked out from the picture.
    """

    direction: Direction
    image_size: tuple[int, int]
    positive: FloatArray
    forward: FloatArray
    edges: tuple[Edge, ...]
    mark_box: Box | None = None
    mark_to_pointer_deg: float | None = None
    spoke_box: Box | None = None
    scale: Scale | None = None
    lens: Lens | None = None

    def __post_init__(self) -> None:
        _own(self, "positive", (2,))
        _own(self, "forward", (2,))


@record
class EdgeTrack:
    """Pointer tip and rim edge of one side, frame by frame; NaN where a frame gave nothing.

    gap_px (n,): distance along the measuring direction from tip to rim edge, positive while they don't touch.
    standard_error_px (n,): of the gap, from the fits themselves. quality (n,): 0 useless to 1 good.
    tip_px, rim_px (n, 2): x, y of the tip and of the rim edge at the tip's height.
    """

    side: Side
    gap_px: FloatArray
    standard_error_px: FloatArray
    quality: FloatArray
    tip_px: FloatArray
    rim_px: FloatArray

    def __post_init__(self) -> None:
        count = len(self.gap_px)
        for name in ("gap_px", "standard_error_px", "quality"):
            _own(self, name, (count,))
        for name in ("tip_px", "rim_px"):
            _own(self, name, (count, 2))


@record
class GapTrack:
    """Everything capture saw in a run of n frames: gaps, and the evidence for the wheel's angle.

    time_s (n,): rising. mark_px (n,): how far along `forward` the mark's centre stands past the centre of
    its box, NaN where it isn't seen. mark_strength (n,): 0 absent to 1 sure.
    spoke_profile (n, m): brightness along the spoke box, empty (n, 0) without one.
    lost (n,): why a frame gave no gap, '' where it did.
    """

    time_s: FloatArray
    sides: tuple[EdgeTrack, ...]
    mark_px: FloatArray
    mark_strength: FloatArray
    spoke_profile: FloatArray
    lost: tuple[str, ...]

    def __post_init__(self) -> None:
        count = len(self.time_s)
        for name in ("time_s", "mark_px", "mark_strength"):
            _own(self, name, (count,))
        _own(self, "spoke_profile", (count, None))


@record
class Moment:
    """One frame as it is seen live: the picture (h, w, 3) BGR, and what it says so far.

    gap_mm, tip_px, rim_px: one a side, in the order of the view's edges; NaN where nothing was seen.
    angle_deg: of the wheel modulo 360, NaN before the mark has passed once. spoke: number nearest the pointer.
    """

    index: int
    time_s: float
    image: NDArray[np.uint8]
    gap_mm: FloatArray
    tip_px: FloatArray
    rim_px: FloatArray
    angle_deg: float
    spoke: int | None

    def __post_init__(self) -> None:
        _own(self, "gap_mm", (None,))
        _own(self, "tip_px", (len(self.gap_mm), 2))
        _own(self, "rim_px", (len(self.gap_mm), 2))


# --- what the signal says ---------------------------------------------------------------------------


@record
class Turning:
    """The wheel's angle in each of n frames.

    angle_deg (n,): unwrapped; 0 modulo 360 is the mark at the pointer. standard_uncertainty_deg (n,).
    """

    angle_deg: FloatArray
    standard_uncertainty_deg: FloatArray
    revolutions: float
    reversals: int
    evidence: tuple[str, ...]

    def __post_init__(self) -> None:
        _own(self, "angle_deg", (None,))
        _own(self, "standard_uncertainty_deg", (len(self.angle_deg),))


@record
class Measured:
    """A value with its expanded uncertainty."""

    value: float
    expanded_uncertainty: float
    coverage_probability: float = 0.95


@record
class Zone:
    """A stretch of rim that strays one way: where it starts, is worst and ends, and its spokes.

    width_deg is the whole length from start to end; peak_mm carries its sign.
    """

    start_deg: float
    centre_deg: float
    end_deg: float
    width_deg: float
    peak_mm: float
    spokes: tuple[int, ...]


@record
class SideRunout:
    """Runout of one side: curve (m,) over one revolution, and at each of s spokes.

    harmonic_order, harmonic_amplitude_mm, harmonic_phase_deg (h,): runout = sum a·cos(order·angle − phase).
    Index i of the spoke arrays is spoke number i + 1.
    """

    side: Side
    mean_gap_mm: float
    total_runout: Measured
    non_repeatable_mm: float
    harmonic_order: IntArray
    harmonic_amplitude_mm: FloatArray
    harmonic_phase_deg: FloatArray
    curve_angle_deg: FloatArray
    curve_mm: FloatArray
    spoke_flange: tuple[Flange, ...]
    spoke_angle_deg: FloatArray
    spoke_mm: FloatArray
    spoke_standard_uncertainty_mm: FloatArray
    zones: tuple[Zone, ...]

    def __post_init__(self) -> None:
        _own(self, "harmonic_order", (None,), np.int64)
        for name in ("harmonic_amplitude_mm", "harmonic_phase_deg"):
            _own(self, name, (len(self.harmonic_order),))
        _own(self, "curve_angle_deg", (None,))
        _own(self, "curve_mm", (len(self.curve_angle_deg),))
        for name in ("spoke_angle_deg", "spoke_mm", "spoke_standard_uncertainty_mm"):
            _own(self, name, (len(self.spoke_flange),))


@record
class BudgetLine:
    """One line of the uncertainty budget of the total runout."""

    source: str
    standard_uncertainty_mm: float


@record
class Verdict:
    """Within, out or undecided against a tolerance, with the rule in words."""

    tolerance_mm: float
    rule: str
    outcome: Outcome


@record
class FrameValues:
    """What each of n frames said, NaN where it gave nothing; gap_mm (sides, n) in the order of the sides."""

    time_s: FloatArray
    angle_deg: FloatArray
    gap_mm: FloatArray
    quality: FloatArray

    def __post_init__(self) -> None:
        count = len(self.time_s)
        _own(self, "time_s", (count,))
        _own(self, "angle_deg", (count,))
        _own(self, "gap_mm", (None, count))
        _own(self, "quality", (count,))


@record
class Source:
    """Where the frames came from; sha256 is over the bytes of the files read, '' for a live camera."""

    kind: str
    name: str
    frames: int
    used: int
    sha256: str


@record
class Runout:
    """One measurement of one direction (pass-NN.json): the larger side's total runout is the result."""

    direction: Direction
    created: str
    source: Source
    revolutions: float
    total_runout: Measured
    sides: tuple[SideRunout, ...]
    budget: tuple[BudgetLine, ...]
    verdict: Verdict
    frames: FrameValues
    notes: tuple[str, ...] = ()


# --- the wheel ----------------------------------------------------------------------------------------


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
        _own(self, "spoke_angles_deg", (len(self.flanges),))


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
        _own(self, "angle_deg", (points,))
        _own(self, "lateral_mm", (points, nipples))
        _own(self, "radial_mm", (points, nipples))
        _own(self, "dish_mm", (nipples,))
        _own(self, "tension_n", (nipples, nipples))


# --- the plan -----------------------------------------------------------------------------------------


@record
class Readings:
    """Runout at each of n spokes, from a pass or typed in by hand; NaN where not read.

    centred: lateral values are from the centre plane, so that their mean is the dish; otherwise the mean
    says nothing and is removed.
    """

    lateral_mm: FloatArray
    radial_mm: FloatArray
    tension_n: FloatArray
    centred: bool = False

    def __post_init__(self) -> None:
        _own(self, "lateral_mm", (None,))
        for name in ("radial_mm", "tension_n"):
            _own(self, name, (len(self.lateral_mm),))


@record
class Correction:
    """One nipple turn: order of work, spoke number, its flange, turns (+ tightens), and the words for it."""

    order: int
    spoke: int
    side: Flange
    turns: float
    words: str


@record
class WheelState:
    """What is known or expected of a wheel; None where it isn't known (no radial pass, no tension readings)."""

    lateral_mm: float | None
    radial_mm: float | None
    dish_mm: float | None
    tension_spread_right: float | None
    tension_spread_left: float | None
    highest_tension_n: float | None


@record
class Bound:
    """The plan's own measure of badness reached, and the value no plan of this kind can beat."""

    objective: float
    proved: float


@record
class Plan:
    """One round of corrections (plan-NN.json); refused says why there are none, None otherwise."""

    round: int
    corrections: tuple[Correction, ...]
    predicted: WheelState
    before: WheelState
    bound: Bound
    cautions: tuple[str, ...]
    refused: str | None = None
    notes: tuple[str, ...] = ()
