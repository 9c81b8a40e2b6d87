"""What the signal says: angle, runout, its zones and uncertainty, the verdict."""

from __future__ import annotations

import math
from collections.abc import Collection

import numpy as np

from rimgauge.records.base import Direction, Flange, FloatArray, IntArray, Outcome, Side, own, record
from rimgauge.records.camera import View


@record
class Turning:
    """The wheel's angle in each of n frames.

    angle_deg (n,): unwrapped; 0 modulo 360 is the mark at the pointer. standard_uncertainty_deg (n,).
    common_uncertainty_deg: the part of it that all angles share: so unsure is where the mark was at the pointer.
    """

    angle_deg: FloatArray
    standard_uncertainty_deg: FloatArray
    revolutions: float
    reversals: int
    evidence: tuple[str, ...]
    common_uncertainty_deg: float = 0.0

    def __post_init__(self) -> None:
        own(self, "angle_deg", (None,))
        own(self, "standard_uncertainty_deg", (len(self.angle_deg),))


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
    repeated_error_mm: the part of the spokes' standard uncertainty that every turn shows alike.
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
    repeated_error_mm: float = 0.0

    @property
    def spoke_repeatability_mm(self) -> FloatArray:
        """How well the reading at each spoke repeats (s,), as a standard deviation [mm], with a mark stuck on anew."""
        square = self.spoke_standard_uncertainty_mm**2 - self.repeated_error_mm**2
        return np.asarray(np.sqrt(np.maximum(square, 0.0)))

    def __post_init__(self) -> None:
        own(self, "harmonic_order", (None,), np.int64)
        for name in ("harmonic_amplitude_mm", "harmonic_phase_deg"):
            own(self, name, (len(self.harmonic_order),))
        own(self, "curve_angle_deg", (None,))
        own(self, "curve_mm", (len(self.curve_angle_deg),))
        for name in ("spoke_angle_deg", "spoke_mm", "spoke_standard_uncertainty_mm"):
            own(self, name, (len(self.spoke_flange),))


def worse_of(sides: tuple[SideRunout, ...]) -> SideRunout:
    """The side whose total runout is the larger, which is the result (TBIS 4210-7:2019, clause 4.1)."""
    return max(sides, key=lambda side: side.total_runout.value)


@record
class BudgetLine:
    """One line of the uncertainty budget of the total runout; infinite freedom: taken as known.

    one_sided_mm: the part of the line, root of the mean square that it is, which is a mean error of one sign, not taken off.
    """

    source: str
    standard_uncertainty_mm: float
    degrees_of_freedom: float = math.inf
    one_sided_mm: float = 0.0


@record
class Dish:
    """Offset of the rim from the middle [mm], + toward the wheel's right; width of the rim [mm] or None."""

    offset_mm: float
    expanded_uncertainty_mm: float
    coverage_probability: float
    budget: tuple[BudgetLine, ...]
    width: Measured | None = None


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
        own(self, "time_s", (count,))
        own(self, "angle_deg", (count,))
        own(self, "gap_mm", (None, count))
        own(self, "quality", (count,))


@record
class Source:
    """Where the frames came from; sha256 is over the bytes of the files read, '' for a live camera.

    every: of how many frames there one was read, more than 1 for slow motion.
    """

    kind: str
    name: str
    frames: int
    used: int
    sha256: str
    every: int = 1


@record
class Basis:
    """What a measurement was worked out from beside its frames' values: enough to work it out again.

    gap_standard_error_mm (sides, n), angle_standard_uncertainty_deg (n,): of each frame's values.
    angle_common_uncertainty_deg: the part of the angles' that they share.
    rim_radius_mm: of the rim, roughly. software: name and version of the program that measured.
    ahead_mm (sides,): how far forward of the first pointer's tip each edge was read.
    other: runout of the other direction whose share was taken off the gaps, None where it wasn't.
    start_spoke: at the pointer in the first frame, None where a mark or tags told the place.
    """

    view: View
    rim_radius_mm: float
    software: str
    reversals: int
    evidence: tuple[str, ...]
    gap_standard_error_mm: FloatArray
    angle_standard_uncertainty_deg: FloatArray
    ahead_mm: FloatArray
    other: SideRunout | None
    start_spoke: int | None
    angle_common_uncertainty_deg: float

    def __post_init__(self) -> None:
        own(self, "angle_standard_uncertainty_deg", (None,))
        own(self, "gap_standard_error_mm", (None, len(self.angle_standard_uncertainty_deg)))
        own(self, "ahead_mm", (len(self.gap_standard_error_mm),))


@record
class Runout:
    """One measurement of one direction (pass-NN.json): the larger side's total runout is the result.

    basis: None where it was not recorded. picture_sha256: of the picture of the worst place kept with it, '' where none was.
    measured_by: who measured, '' where that isn't told. notes: what is to know of the result; advice: what whoever measures
    or turns nipples may look at or do better, which is no part of the evidence.
    """

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
    advice: tuple[str, ...] = ()
    basis: Basis | None = None
    picture_sha256: str = ""
    measured_by: str = ""

    @property
    def worse_side(self) -> SideRunout:
        """The side that is the result."""
        return worse_of(self.sides)


_RANK: dict[Outcome, int] = {"within": 0, "undecided": 1, "out": 2}


def overall(outcomes: Collection[Outcome]) -> Outcome | None:
    """Give the verdict over all directions: out if any is out, within only if all are; None for none."""
    return max(outcomes, key=lambda outcome: _RANK[outcome], default=None)


def as_it_stands(measured: Collection[Outcome], before_plan: Collection[Outcome]) -> Outcome | None:
    """Give the verdict over what was measured since corrections were planned; None where nothing was.

    before_plan: of directions that weren't measured since. Where one was out or undecided then, whether the corrections
    mended it nobody saw: it takes a measurement to end that.
    """
    found = overall(measured)
    open_still = any(outcome != "within" for outcome in before_plan)
    return "undecided" if found == "within" and open_still else found
