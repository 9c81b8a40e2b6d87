"""What the person works on: the plan's steps, the measurement before, and the change since the last nipple turn."""

from __future__ import annotations

import math

import numpy as np

from rimgauge.live.screen import Controls, Foot
from rimgauge.live.trail import CELLS, Trail
from rimgauge.records import Flange, FloatArray, Moment, record, shortest_deg

NEAR_SPACINGS = 0.75
"""So near a spoke, in spacings between spokes, the pointer shows what its nipple does."""
LEAST_PLANNED_MM = 0.01
UNCHANGED_MM = 0.02
"""What single frames scatter by; a smaller change is none (our choice)."""


@record
class Step:
    """One nipple turn of the plan.

    turns: + tightens. planned_mm: how far the gap changes at this spoke's place if the wheel answers as its model.
    """

    spoke: int
    flange: Flange
    turns: float
    planned_mm: float


@record
class Bench:
    """The work at hand: steps in order, and the gap (CELLS,) [mm] of the measurement before, None without one.

    shift_mm: what those gaps are moved by to have the same mean as now; None: told by the trail once it is whole.
    """

    steps: tuple[Step, ...] = ()
    before_mm: FloatArray | None = None
    shift_mm: float | None = None


@record
class Cue:
    """What comes next in a lesson: its sentence, and how the picture stands from here on.

    bench, trail: None leaves them as they are. shape: the wheel's shape in place of the camera's picture.
    turned: nipple turns noted so far.
    """

    words: str
    bench: Bench | None = None
    trail: Trail | None
    shape: bool = False
    turned: int = 0


@record
class Showing:
    """Everything that one picture is drawn from.

    foot: what the person may press, and how things stand. keys: each that does something, and what.
    words: the sentence of a lesson. since_mm (CELLS,): gaps as they were at the last nipple turn, None before the first
    was noted; since: what that was. shift_mm: what the gaps before are moved by to have the same mean as now.
    """

    moment: Moment
    trail: Trail
    controls: Controls
    bench: Bench
    foot: Foot
    words: str = ""
    since_mm: FloatArray | None = None
    since: str = ""
    shift_mm: float = 0.0
    keys: tuple[tuple[str, str], ...] = ()

    @property
    def step(self) -> Step | None:
        """The nipple to turn now; None without a plan or when all are done."""
        number = self.controls.turned
        return self.bench.steps[number] if number < len(self.bench.steps) else None


def change_here_mm(showing: Showing) -> float:
    """How much the gap at this place has changed since the last nipple turn [mm]; NaN where that isn't known."""
    moment = showing.moment
    if showing.since_mm is None or not math.isfinite(moment.angle_deg):
        return math.nan
    cells = (np.arange(CELLS) + 0.5) * (360.0 / CELLS)
    seen = np.isfinite(showing.since_mm)
    if not seen[int(moment.angle_deg % 360.0 / 360.0 * CELLS) % CELLS]:
        return math.nan
    before = np.interp(moment.angle_deg % 360.0, cells[seen], showing.since_mm[seen], period=360.0)
    return float(moment.gap_mm[0]) - float(before)


def share_reached(showing: Showing, spoke_angles_deg: FloatArray) -> float:
    """Share of the planned movement that is reached; NaN away from the step's spoke or without a plan."""
    step = showing.step
    if step is None or abs(step.planned_mm) < LEAST_PLANNED_MM:
        return math.nan
    spacing_deg = 360.0 / len(spoke_angles_deg)
    off = shortest_deg(showing.moment.angle_deg - spoke_angles_deg[step.spoke - 1])
    near = math.isfinite(off) and abs(off) < NEAR_SPACINGS * spacing_deg
    return change_here_mm(showing) / step.planned_mm if near else math.nan


def change_words(showing: Showing, spoke_angles_deg: FloatArray) -> list[str]:
    """How the gap has changed here, how much of what is planned that is, and since when; nothing where unknown."""
    change_mm = change_here_mm(showing)
    if not math.isfinite(change_mm):
        return []
    step, share = showing.step, share_reached(showing, spoke_angles_deg)
    planned_mm = abs(step.planned_mm) if step is not None and math.isfinite(share) else math.nan
    if abs(change_mm) < UNCHANGED_MM:
        planned = f", {planned_mm:.2f} mm planned" if math.isfinite(planned_mm) else ""
        return [f"Gap here: unchanged{planned}", showing.since]
    planned = f", {share:.0%} of the planned {planned_mm:.2f}" if math.isfinite(planned_mm) else ""
    way = "wider" if change_mm > 0.0 else "narrower"
    return [f"Gap here: {abs(change_mm):.2f} mm {way}{planned}", showing.since]


def mean_shift_mm(bench: Bench, trail: Trail) -> float:
    """What the gaps before are moved by [mm] to have the same mean as now: camera and pointer were set up anew since."""
    both = np.isfinite(trail.now_mm)
    if bench.before_mm is None or not both.any():
        return 0.0
    return float(np.mean(trail.now_mm[both] - bench.before_mm[both]))
