"""Whether a wheel has another number of spokes than was said: a few more or fewer, twice as many or half.

A path by a wrong lattice fits nearly everywhere: it goes a little too fast or slow from spoke to spoke, and jumps back
or ahead somewhere in each turn so that the marks fit. The right number explains all that is seen far better.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rimgauge.errors import SpokesMiscounted
from rimgauge.records import FloatArray
from rimgauge.signal.evidence import UNEVEN_SHARE, Layout, look_period_deg
from rimgauge.signal.follow import Evidence, along, settled, start_by_mark
from rimgauge.signal.looks import Look, learn_look
from rimgauge.signal.place import Place

USUAL_COUNTS = (12, 16, 18, 20, 24, 28, 32, 36, 40, 48)
FARTHEST = 8
"""So many spokes more or fewer are tried, and of few a third: who counts wrongly is off by a few."""
ENOUGH_DEG, ENOUGH_MOMENTS = 800.0, 450
"""So much of a run tells: two passes of every spoke between marks; a wheel shows the same spokes all along."""
PACE_FRAMES, STEADY = 9, (0.65, 1.55)
"""A path whose pace over so many moments stays between these shares of its median has jumped nowhere."""
LIKELIER, SMOOTHER, FAR_LIKELIER, ROUGHER = 30.0, 0.92, 90.0, 1.25
"""Logarithms, and shares of the pace's jumps. On drawn and ray-traced films the right number was 47 to 796 ahead of wrong
ones but for two; of wrong ones two were ahead of the right one, by 48 on a path no smoother and, in a film of 900 frames,
by 228 on one six times as rough."""
CLEAR_WAVES, DENSER, SHARP = 0.08, 0.3, 0.2
"""Share of a strip's variance, and of the waves of twice the number. Of the right number the densest of its own waves had
1.06 times those of twice the number and more on 30 ray-traced, path-traced and drawn films, and 0.3 times and more on 182
simulated runs; said half of it, 51 of 56 had less. Twice the number said, the seldom ones had 0.09 to 0.32 of all where they
showed, and waves thrice as dense 0.14 to 0.8 of them, those beside them 0.1 at most. With the right one they had 0.03 at most,
but on a radial film 0.15, where the rim's runout moved its edge in the strip: waves thrice as dense had 0.05 of them, those
beside 1.9 (judgements between)."""
LEAST_JUMPS_DEG = 0.1
LEAST_EXPLAINED = 0.5
"""Share of the looks' variance that another number explains at least, or there is nothing to count: right numbers explained
0.84 to 0.99 of it on four drawn films, others 0.3 where the spokes hardly stood out (a judgement between)."""


def fits(evidence: Evidence, angle_deg: FloatArray, layout: Layout, *, alone: bool) -> bool:
    """Tell whether no other usual number of spokes explains a run far better, on a path that jumps less.

    angle_deg (n,): the path that was found at all moments. alone: no other was looked for.
    """
    if len(angle_deg) < 3 * PACE_FRAMES or (alone and _steady(angle_deg)):
        return True
    far_enough = np.abs(angle_deg - angle_deg[0]) > ENOUGH_DEG
    until = max(int(np.argmax(far_enough)) if far_enough.any() else len(angle_deg), ENOUGH_MOMENTS)
    evidence, angle_deg = _until(evidence, until), angle_deg[:until]
    said = len(layout.spoke_angles_deg)
    start = start_by_mark(evidence)
    likelihood = settled(along(start, angle_deg), evidence).likelihood
    for count in USUAL_COUNTS:
        period_deg = look_period_deg((np.arange(count) + 0.5) * 360.0 / count, ())
        if abs(count - said) > min(FARTHEST, said / 3.0) or math.isclose(period_deg, layout.look_period_deg):
            continue
        looks = tuple(
            replace(look, period_deg=period_deg) if look.components.shape[1] > 1 else look
            for look in evidence.looks
        )
        other = settled(start, replace(evidence, looks=looks), likelihood + LIKELIER)
        gain = other.likelihood - likelihood
        rougher = _jumps_deg(other.angle_deg) / max(_jumps_deg(angle_deg), LEAST_JUMPS_DEG)
        better = (gain > FAR_LIKELIER and rougher < ROUGHER) or (gain > LIKELIER and rougher < SMOOTHER)
        if better and _explained(other, looks) > LEAST_EXPLAINED:
            return False
    return True


def check_multiple(profile: NDArray[Any], angle_deg: FloatArray, layout: Layout) -> None:
    """Refuse spokes of which twice as many or half seem to pass in a turn: the curve would be right, their numbers not.

    profile (n, m, a): strips of the spokes in each frame. angle_deg (n,): of the wheel, NaN where it isn't known.
    """
    count = _seems(profile, angle_deg, layout)
    if count is not None:
        raise SpokesMiscounted(
            f"{count} spokes seem to pass in a turn, not {len(layout.spoke_angles_deg)}: count the spokes, and correct "
            "wheel.toml or --spokes; if the number is right, stick numbered tags beside the spokes instead of a mark"
        )


def _seems(profile: NDArray[Any], angle_deg: FloatArray, layout: Layout) -> int | None:
    """How many spokes there seem to be where they are twice as many as was said, or half; None where they aren't clearly.

    Twice as many: nearly all of what changes along the strip comes that often a turn, while the spokes of one that was
    said to have half of them, near and far, head in and head out, make waves of their own and of longer ones. Half: most
    of it comes back only after twice the angle after which spokes look the same. Where the spokes of one flange hardly
    show neither can be told.
    """
    said = len(layout.spoke_angles_deg)
    known = np.isfinite(angle_deg)
    around_deg = angle_deg[known]
    # What a wheel at rest shows for long counts no more than what passes.
    weights = np.minimum(np.abs(np.gradient(around_deg)), 0.5 * layout.spacing_deg)
    strips = profile[known].reshape(len(around_deg), -1).astype(np.float64)
    shares = {
        waves: _share_of(waves, strips, around_deg, weights)
        for waves in (180.0 / layout.look_period_deg, said / 4.0, said / 2.0, 1.0 * said, 2.0 * said)
        if waves.is_integer()
    }
    slow = 180.0 / layout.look_period_deg
    seldom, often = shares.pop(slow, 0.0), shares.pop(2.0 * said)
    if often > CLEAR_WAVES and max(shares.values()) < DENSER * often and _is_even(layout):
        return 2 * said
    if seldom > CLEAR_WAVES and max(often, *shares.values()) < seldom:
        # The rim's own runout makes slow waves too, but smooth ones.
        beside = [_share_of(waves, strips, around_deg, weights) for waves in (slow - 1.0, slow + 1.0)]
        sharp = _share_of(3.0 * slow, strips, around_deg, weights) > SHARP * seldom
        return said // 2 if sharp and max(beside) < SHARP * seldom else None
    return None


def _share_of(waves: float, strips: FloatArray, angle_deg: FloatArray, weights: FloatArray) -> float:
    """Share of the variance of strips (n, m) that comes so many times a turn."""
    centred = strips - np.average(strips, axis=0, weights=weights)
    turn = weights / weights.sum() * np.exp(-1j * np.radians(waves * angle_deg))
    return float(
        2.0
        * np.sum(np.abs(turn @ centred) ** 2)
        / max(np.average(np.sum(centred**2, axis=1), weights=weights), 1e-12)
    )


def _is_even(layout: Layout) -> bool:
    """Whether the spokes stand evenly round the rim."""
    steps = np.diff(layout.spoke_angles_deg)
    return bool(np.ptp(steps) < UNEVEN_SHARE * layout.spacing_deg)


def _explained(place: Place, looks: Sequence[Look]) -> float:
    """Share of the variance of the spokes' looks that is foretold along a path."""
    learnt = [learn_look(place.chance, look) for look in looks if look.components.shape[1] > 1]
    missed = sum(float((one.noise**2).sum()) for one in learnt if one is not None)
    whole = sum(float((one.spread**2).sum()) for one in learnt if one is not None)
    return 1.0 - missed / whole if whole else 0.0


def _pace(angle_deg: FloatArray) -> FloatArray:
    """How far the wheel turns in some moments [deg]."""
    return np.asarray(angle_deg[PACE_FRAMES:] - angle_deg[:-PACE_FRAMES])


def _steady(angle_deg: FloatArray) -> bool:
    """Tell whether the wheel goes on at an even pace, as a turn of it does that nothing was made to fit."""
    pace = np.abs(_pace(angle_deg))
    usual = float(np.median(pace))
    return bool(pace.min() > STEADY[0] * usual and pace.max() < STEADY[1] * usual)


def _jumps_deg(angle_deg: FloatArray) -> float:
    """How much the pace changes, root mean square."""
    pace = _pace(angle_deg)
    return float(np.sqrt(np.mean((pace[PACE_FRAMES:] - pace[:-PACE_FRAMES]) ** 2)))


def _until(evidence: Evidence, end: int) -> Evidence:
    """The first moments of the evidence."""

    def cut(rows: FloatArray | None) -> FloatArray | None:
        return None if rows is None else rows[:end]

    return replace(
        evidence,
        mark_deg=evidence.mark_deg[:end],
        mark_sd_deg=evidence.mark_sd_deg[:end],
        looks=tuple(replace(look, components=look.components[:end]) for look in evidence.looks),
        slid_deg=cut(evidence.slid_deg),
        by_speed=cut(evidence.by_speed),
        by_tags=cut(evidence.by_tags),
    )
