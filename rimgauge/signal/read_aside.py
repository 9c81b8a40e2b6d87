"""What an edge is read aside by where the rim has another look: told by the gaps, for a rim doesn't jump.

Where a decal passes, its border may be followed in place of the rim's edge, or draw the fit aside, in every turn alike. The
pictures tell in which frames (`capture/two_looks`), the gaps by how much: a rim bends smoothly, and can't step to another
place with every decal and back.

    gap(θ) = curve(θ) + aside·share(θ)

with a share of the second look from 0 to 1. Least squares tell what lies between the two looks. Which of them shows the
rim's edge makes no difference to runout; the nearer one is taken, for nothing of the rim lies before its outline.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from rimgauge.records import BoolArray, EdgeTrack, FloatArray, GapTrack, Turning
from rimgauge.signal.harmonics import basis

ORDERS, LEAST_ORDER = (4, 8, 12, 16, 20, 20, 20), 16
"""Of the curve, round by round: a stiff one first, beside which frames that were read between the two places stand out. One that
can't follow the rim's own bends would tell them for a step."""
FRAMES_A_COLUMN = 3
BOUND = 1.5
"""Residuals beyond so many standard deviations weigh less."""
ALIKE = 2.0
"""Errors of neighbouring frames are alike, and what is told so many times less sure than if they weren't."""
CLEAR = 2.5
"""What doesn't stand out by so many standard errors is left as it is."""
MOST_BETWEEN_PX = 0.5
"""Where the two places lie farther apart, a frame that shows part of both looks is read somewhere between."""
WHOLE, RIDGE = 1e-6, 1e-6
LEAST_SAID_MM = 0.05
BETWEEN = "the rim's edge was read between two places, where a decal begins or ends"


def without_aside(seen: GapTrack, turning: Turning, mm_per_px: float) -> GapTrack:
    """Take off the gap what the edge is read aside by where the rim looks another way, state what is left, and note it.

    Parameters
    ----------
    seen : of one pass.
    turning : angle (n,) [deg].
    mm_per_px : scale at the rim's edge, for the note.
    """
    sides, notes, lost = [], list(seen.notes), list(seen.lost)
    for side in seen.sides:
        if side.second_look is None:
            sides.append(side)
            continue
        aside_px, error_px = _aside(side, side.second_look, turning.angle_deg)
        between = np.zeros(len(lost), dtype=bool)
        if abs(aside_px) > MOST_BETWEEN_PX:
            between = np.isfinite(side.gap_px) & ~_whole(side.second_look)
            lost = [why or (BETWEEN if so else "") for why, so in zip(lost, between, strict=True)]
        if abs(aside_px) * mm_per_px > LEAST_SAID_MM:
            notes.append(
                f"Where the rim on the {side.side} side looks another way, as where it has a decal, its edge was read "
                f"{abs(aside_px) * mm_per_px:.2f} mm aside; that was taken off, since no rim steps so."
            )
        sides.append(_taken_off(side, side.second_look, aside_px, error_px, between))
    return replace(seen, sides=tuple(sides), notes=tuple(notes), lost=tuple(lost))


def _taken_off(
    side: EdgeTrack, look: FloatArray, aside_px: float, error_px: float, between: BoolArray
) -> EdgeTrack:
    share = np.where(np.isfinite(look), look, float(np.nanmean(look)))
    spread = float(np.std(share))
    farther = share if aside_px > 0.0 else share - 1.0
    return replace(
        side,
        gap_px=np.where(between, np.nan, side.gap_px - aside_px * farther),
        standard_error_px=np.hypot(side.standard_error_px, error_px * spread),
    )


def _whole(look: FloatArray) -> BoolArray:
    """Frames (n,) that show one look alone."""
    return shows_one_look(look, 0.0) | shows_one_look(look, 1.0)


def shows_one_look(look: FloatArray, which: float) -> BoolArray:
    """Frames (n,) that show the first look alone, 0, or the second, 1."""
    return np.asarray(np.abs(look - which) < WHOLE)


def _aside(side: EdgeTrack, look: FloatArray, angle_deg: FloatArray) -> tuple[float, float]:
    """How much larger gaps are with the second look, and how sure that is [px]; 0 and 0 where it doesn't stand out."""
    good = np.isfinite(side.gap_px) & np.isfinite(angle_deg) & _whole(look)
    told = fit_beside(angle_deg[good], side.gap_px[good], look[good])
    return told if told is not None and abs(told[0]) > CLEAR * told[1] else (0.0, 0.0)


def fit_beside(angle_deg: FloatArray, gap_px: FloatArray, column: FloatArray) -> tuple[float, float] | None:
    """By how much gaps (n,) grow with a column (n,) beside the rim's own curve, and how sure that is; None by too few."""
    most = (len(gap_px) // FRAMES_A_COLUMN - 2) // 2
    if most < LEAST_ORDER:
        return None
    weight = np.ones(len(gap_px))
    for order in (order for order in ORDERS if order <= most):
        design = np.column_stack([basis(angle_deg, order), column])
        weighed = design.T * weight
        # Where only one look is left nothing tells the two apart: the trace of ridge makes that unsure.
        inverse = np.linalg.inv(weighed @ design + RIDGE * np.eye(design.shape[1]))
        coefficients = inverse @ (weighed @ gap_px)
        residual = np.abs(gap_px - design @ coefficients)
        spread = max(1.4826 * float(np.median(residual)), 1e-9)
        weight = np.minimum(1.0, BOUND * spread / np.maximum(residual, 1e-9)) ** 2
    freedom = max(float(weight.sum()) - design.shape[1], 1.0)
    noise = math.sqrt(float(np.sum(weight * residual**2)) / freedom)
    return float(coefficients[-1]), ALIKE * noise * math.sqrt(max(float(inverse[-1, -1]), 0.0))
