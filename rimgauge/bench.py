"""What the window at the bench compares the gap with: what each nipple's turn should do to it, and what it was before."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rimgauge.live import Bench, Step
from rimgauge.live.trail import CELLS
from rimgauge.records import FloatArray, Runout, View, Wheel
from rimgauge.wheel import influence


def to_compare(view: View, wheel: Wheel, turns: Sequence[tuple[int, float]], before: Runout | None) -> Bench:
    """Work out how each turn should move the gap at its own spoke, and what the gap was all round before.

    Parameters
    ----------
    view : whose first pointer is watched.
    wheel : its build; the movement is that of its model.
    turns : spoke, from 1, and turns, + tightens; in the order of work.
    before : the measurement to draw beside, of the view's direction; None: none.

    """
    # The gap of a pointer on the left grows with the rim's way to the right; on the others it shrinks.
    toward = 1.0 if view.edges[0].side == "left" else -1.0
    return Bench(
        steps=_steps(view, wheel, turns, toward) if turns else (),
        before_mm=None if before is None else _before_mm(before, toward),
    )


def _steps(view: View, wheel: Wheel, turns: Sequence[tuple[int, float]], toward: float) -> tuple[Step, ...]:
    answer = influence(wheel)  # at the spokes, so that row and column of a spoke meet at its own place
    per_turn_mm = np.diag(answer.lateral_mm if view.direction == "lateral" else answer.radial_mm)
    return tuple(
        Step(
            spoke=spoke,
            flange=wheel.flanges[spoke - 1],
            turns=turn,
            planned_mm=toward * turn * float(per_turn_mm[spoke - 1]),
        )
        for spoke, turn in turns
    )


def _before_mm(before: Runout, toward: float) -> FloatArray:
    """Gap at the middle of each cell of the trail (CELLS,)."""
    cells_deg = (np.arange(CELLS) + 0.5) * (360.0 / CELLS)
    side = before.sides[0]
    curve_mm = np.interp(cells_deg, side.curve_angle_deg, side.curve_mm, period=360.0)
    return np.asarray(side.mean_gap_mm + toward * curve_mm)
