"""Why some wheels turned by hand are told worse than the aim: the same least squares, with the truth's help.

    python -m tests.benchmarks.angle_limit 10 12560

Of the runs of `turning` with mark and spokes those beyond the aim are told again: begun at the true path; with the spokes' look
learnt along the true path and held; and by the smooth curve nearest to the truth, which is all that a curve of its knots can do.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import numpy as np

from rimgauge.errors import RimgaugeError
from rimgauge.records import FloatArray, GapTrack
from rimgauge.signal import Layout, find_turning
from rimgauge.signal.course import KNOT_SPACING_S, SLIDE_SCALE_SD, fit_course
from rimgauge.signal.evidence import beat_times_s, even_moments, spoke_components
from rimgauge.signal.series import independent_share, learn_series, waves
from rimgauge.signal.sightings import MarkLearnt, learn_mark, mark_says
from rimgauge.signal.slid import but_for_hands, slid
from rimgauge.signal.smooth_curve import SmoothCurve, squares
from rimgauge.signal.turning import COMPONENTS, SOFT_DEG
from tests.benchmarks.turning import AIM_DEG, ALONE, CONDITIONS, UNMARKED, drawn

ROUNDS, STEADY_DEG = 14, 0.002
Row = tuple[str, float, float, float, float] | None


def held(
    track: GapTrack, layout: Layout, components: FloatArray, time_s: FloatArray, true_deg: FloatArray
) -> FloatArray:
    """Angles (n,) by mark, slide and a look of the spokes that is learnt along the true path (n,), and not changed."""
    curve = SmoothCurve.over(time_s, KNOT_SPACING_S)
    passing = np.cumsum(np.diff(np.rint(true_deg / layout.spacing_deg), prepend=0.0) != 0.0, dtype=np.intp)
    look = learn_series(*_at(layout, true_deg, components), passing)
    angle_deg, mark = true_deg, MarkLearnt()
    for _ in range(ROUNDS):
        normal, right, _ = mark_says(track, layout, angle_deg, mark, 0.0, curve)
        if track.slide is not None:
            by_slide = curve.moves(*slid(track.slide, angle_deg, layout.px_per_deg, 0.0), SLIDE_SCALE_SD)
            normal, right = normal + by_slide[0], right + by_slide[1]
        basis, _, slope = _at(layout, angle_deg, components)
        change = (slope @ look.coefficients) / look.noise
        weight = independent_share(components) * look.weight
        toward = weight * np.sum(change * (components - basis @ look.coefficients) / look.noise, axis=1)
        by_spokes = squares(curve.design, weight * np.sum(change**2, axis=1))
        right = right + curve.design.T @ toward + by_spokes @ curve.nearest(angle_deg)
        moved_deg = curve.fit(normal + by_spokes, right).values() - angle_deg
        angle_deg = angle_deg + np.clip(moved_deg, -1.5, 1.5)
        if float(np.abs(moved_deg).max()) < STEADY_DEG:
            break
        mark = learn_mark(track, layout, angle_deg, mark)
    return angle_deg


def _at(
    layout: Layout, angle_deg: FloatArray, components: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    basis, slope = waves(angle_deg, layout.look_period_deg)
    return basis, components, slope


def run(condition: str, seed: int) -> Row:
    """Tell a run, and, if it is beyond the aim, tell it again with the truth's help; 95 % of the same frames' errors each."""
    _, kind, seen, layout = drawn(condition, seed)
    try:
        told_deg = find_turning(seen.track, layout).angle_deg
    except RimgaugeError:
        return None
    used, true_deg = np.isfinite(told_deg), seen.angle_deg

    def worst(angle_deg: FloatArray) -> float:
        off = (angle_deg - true_deg + 180.0) % 360.0 - 180.0
        return float(np.percentile(np.abs(off[used]), 95))

    if worst(told_deg) <= AIM_DEG:
        return None
    track = seen.track
    if track.slide is not None:
        track = replace(track, slide=but_for_hands(track.slide, track.spoke_profile.astype(np.float64)))
    components, moment = spoke_components(track, layout, SOFT_DEG, COMPONENTS), even_moments(track.time_s)
    time_s = np.maximum.accumulate(beat_times_s(moment, track.time_s))
    begun = fit_course(track, layout, None, moment, true_deg, components, sure=True)
    curve = SmoothCurve.over(time_s, KNOT_SPACING_S)
    return (
        f"{seed}, {kind}, {len(layout.spoke_angles_deg)} spokes: {condition}",
        worst(told_deg),
        worst(begun.angle_deg),
        worst(held(track, layout, components, time_s, true_deg)),
        worst(np.asarray(curve.design @ curve.nearest(true_deg))),
    )


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 12560
    conditions = [name for name in CONDITIONS if name not in (ALONE, UNMARKED)]
    wanted = [(condition, seed) for seed in range(first, first + count) for condition in conditions]
    print("| run | the program ° | begun at the truth | the look known | the curve alone |")
    print("|---|---|---|---|---|")
    with ProcessPoolExecutor() as pool:
        for row in filter(None, pool.map(run, *zip(*wanted, strict=True))):
            print(f"| {row[0]} | " + " | ".join(f"{value:.2f}" for value in row[1:]) + " |")


if __name__ == "__main__":
    main()
