"""How well the angle of the wheel is told: wheels turned by hand, drawn at random with exact truth.

    python -m tests.benchmarks.turning 500 1000

Each run has a kind of motion, a wheel of 12 to 48 spokes (a fifth of them paired), a lateral or radial view,
frames dropped and stamps that jitter, at times a hand before the lens. See tests/angle for how it is drawn.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "angle"))

from hand_motion import KINDS, draw_motion
from seen_angle import draw_bench, film, layout_of, without_spokes

from rimgauge.errors import RimgaugeError
from rimgauge.signal import find_turning

AIM_DEG = 0.3


@dataclass(frozen=True)
class Outcome:
    """One run: its kind, its fastest speed, and the errors (n,) of the used frames, None where it was refused."""

    kind: str
    top_turns_per_s: float
    spacing_deg: float
    frames: int
    error_deg: np.ndarray | None

    @property
    def wrong(self) -> bool:
        """Some used frame would name a neighbouring spoke."""
        return self.error_deg is not None and bool((np.abs(self.error_deg) > self.spacing_deg / 2.0).any())


def run(seed: int, *, spokes: bool) -> Outcome:
    """Draw a run and follow it."""
    rng = np.random.default_rng(seed)
    kind = KINDS[seed % len(KINDS)] if spokes else "spin"
    motion = draw_motion(kind, rng, None if spokes else rng.uniform(4.0, 8.0))
    bench = draw_bench(rng)
    bench = bench if spokes else without_spokes(replace(bench, hand=False))
    seen = film(motion, bench, rng)
    top = float(np.abs(motion.speed_at(motion.clock_s[5:-5])).max()) / 360.0
    count = len(bench.spoke_angles_deg)
    error = None
    try:
        turning = find_turning(seen.track, layout_of(bench))
        off = (turning.angle_deg - seen.angle_deg + 180.0) % 360.0 - 180.0
        error = off[np.isfinite(off)]
    except RimgaugeError:
        pass
    return Outcome(kind, top, 360.0 / count, len(seen.angle_deg), error)


def row(name: str, outcomes: list[Outcome]) -> str:
    """One line of the table."""
    given = [each for each in outcomes if each.error_deg is not None]
    line = f"| {name} | {len(outcomes)} | {len(outcomes) - len(given)} | {sum(each.wrong for each in given)} "
    if not given:
        return line + "| | | | |"
    typical = [float(np.percentile(np.abs(each.error_deg), 95)) for each in given]
    used = sum(len(each.error_deg) for each in given) / sum(each.frames for each in given)
    within = sum(value <= AIM_DEG for value in typical)
    near = sum(value <= 1.0 for value in typical)
    return line + f"| {np.median(typical):.2f} | {within} | {near} | {used:.0%} |"


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
    outcomes = [run(seed, spokes=True) for seed in range(first, first + count)]
    alone = [run(seed, spokes=False) for seed in range(first + count, first + count + count // 5)]
    print(
        "| runs | number | refused | a wrong spoke | 95 % error °, median | 95 % within 0.3° | within 1° | used |"
    )
    print("|---|---|---|---|---|---|---|---|")
    for kind in KINDS:
        print(row(f"mark and spokes, {kind}", [each for each in outcomes if each.kind == kind]))
    for low, high in ((0.0, 0.3), (0.3, 0.6), (0.6, 1.0), (1.0, 1.6)):
        chosen = [each for each in outcomes if low <= each.top_turns_per_s < high]
        print(row(f"mark and spokes, fastest {low:g} to {high:g} turns a second", chosen))
    print(row("mark alone, free spin", alone))


if __name__ == "__main__":
    main()
