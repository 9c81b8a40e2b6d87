"""How well the angle of the wheel is told: wheels turned by hand, drawn at random with exact truth.

    python -m tests.benchmarks.turning 70 1000

The same hands and wheels are filmed under each condition, so that rows differ by the condition alone: 70 of them
under nine are 630 runs. See tests/angle for how they are drawn.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "angle"))

from hand_motion import KINDS, Motion, draw_motion
from seen_angle import (
    SPOKE_COUNTS,
    Bench,
    Seen,
    begun_at,
    draw_bench,
    film,
    layout_of,
    spoke_angles,
    without_spokes,
)

from rimgauge.errors import RimgaugeError
from rimgauge.job import read_build
from rimgauge.signal import Layout, find_turning
from rimgauge.wheel import complete_wheel

AIM_DEG, ALONE_DEG = 0.3, 1.0
DROPPED, JITTER_S = 0.1, 0.005
ALONE = "the mark alone, a free spin"
UNMARKED = "no mark, from the spoke at the start"
CONDITIONS: dict[str, Callable[[Bench], Bench]] = {
    "clean": lambda bench: bench,
    "a tenth of the frames dropped": lambda bench: replace(bench, dropped=DROPPED),
    "stamps jitter by 5 ms": lambda bench: replace(bench, jitter_s=JITTER_S),
    "dropped and jitter": lambda bench: replace(bench, dropped=DROPPED, jitter_s=JITTER_S),
    "a hand before the lens twice": lambda bench: replace(bench, hand=True),
    "paired spokes, from wheel.toml": lambda bench: bench,
    "dropped, jitter, hand and paired": lambda bench: replace(
        bench, dropped=DROPPED, jitter_s=JITTER_S, hand=True
    ),
    ALONE: without_spokes,
    UNMARKED: lambda bench: replace(bench, marked=False),
}


@dataclass(frozen=True)
class Outcome:
    """One run: its condition, motion and wheel, and the errors (n,) of the used frames, None where it was refused."""

    condition: str
    kind: str
    top_turns_per_s: float
    spokes: int
    frames: int
    error_deg: np.ndarray | None

    @property
    def wrong(self) -> bool:
        """Some used frame would name a neighbouring spoke."""
        return self.error_deg is not None and bool((np.abs(self.error_deg) > 180.0 / self.spokes).any())


def drawn(condition: str, seed: int) -> tuple[Motion, str, Seen, Layout]:
    """Draw a run: how the wheel is turned and the kind of that, what was filmed, and what the program knows."""
    rng = np.random.default_rng(seed)
    kind = "spin" if condition == ALONE else KINDS[seed % len(KINDS)]
    motion = draw_motion(kind, rng, rng.uniform(4.0, 8.0) if condition == ALONE else None)
    plain = replace(draw_bench(rng), dropped=0.0, jitter_s=0.0, hand=False)
    paired = "paired" in condition
    angles = spoke_angles(len(plain.spoke_angles_deg), paired, np.random.default_rng(seed))
    bench = CONDITIONS[condition](replace(plain, spoke_angles_deg=angles, paired=paired))
    if condition == UNMARKED:
        motion = begun_at(motion, float(bench.spoke_angles_deg[0]))
    seen = film(motion, bench, rng)
    layout = replace(layout_of(bench), spoke_angles_deg=as_filed(bench.spoke_angles_deg))
    if condition == UNMARKED:
        layout = replace(layout, start_spoke=1)
    return motion, kind, seen, layout


def run(condition: str, seed: int) -> Outcome:
    """Draw a run and follow it."""
    motion, kind, seen, layout = drawn(condition, seed)
    error = None
    try:
        turning = find_turning(seen.track, layout)
        off = (turning.angle_deg - seen.angle_deg + 180.0) % 360.0 - 180.0
        error = off[np.isfinite(off)]
    except RimgaugeError:
        pass
    top = float(np.abs(motion.speed_at(motion.clock_s[5:-5])).max()) / 360.0
    return Outcome(condition, kind, top, len(layout.spoke_angles_deg), len(seen.angle_deg), error)


def as_filed(angles_deg: np.ndarray) -> np.ndarray:
    """Angles of the spokes as a wheel file gives them to the program."""
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "wheel.toml"
        listed = ", ".join(f"{angle:.2f}" for angle in angles_deg)
        path.write_text(
            f"spokes = {len(angles_deg)}\ncrossings = 0\nspoke_angles_deg = [{listed}]\n", encoding="utf-8"
        )
        return np.asarray(complete_wheel(read_build(path)).spoke_angles_deg)


def row(name: str, outcomes: list[Outcome]) -> str:
    """One line of the table."""
    given = [each for each in outcomes if each.error_deg is not None]
    line = f"| {name} | {len(outcomes)} | {len(outcomes) - len(given)} | {sum(each.wrong for each in given)} "
    if not given:
        return line + "| | | | |"
    typical = [float(np.percentile(np.abs(each.error_deg), 95)) for each in given]
    used = sum(len(each.error_deg) for each in given) / sum(each.frames for each in given)
    within = sum(value <= AIM_DEG for value in typical)
    near = sum(value <= ALONE_DEG for value in typical)
    return line + f"| {np.median(typical):.2f} | {within} | {near} | {used:.0%} |"


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 70
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
    wanted = [(condition, seed) for seed in range(first, first + count) for condition in CONDITIONS]
    with ProcessPoolExecutor() as pool:
        outcomes = list(pool.map(run, *zip(*wanted, strict=True)))
    print(
        "| runs | number | refused | a wrong spoke | 95 % error °, median | 95 % within 0.3° | within 1° | used |"
    )
    print("|---|---|---|---|---|---|---|---|")
    for condition in CONDITIONS:
        print(row(condition, [each for each in outcomes if each.condition == condition]))
    seen = [each for each in outcomes if each.condition not in (ALONE, UNMARKED)]
    for kind in KINDS:
        print(row(f"with spokes: {kind}", [each for each in seen if each.kind == kind]))
    for low, high in ((0.0, 0.3), (0.3, 0.6), (0.6, 1.0), (1.0, 1.6)):
        chosen = [each for each in seen if low <= each.top_turns_per_s < high]
        print(row(f"with spokes: fastest {low:g} to {high:g} turns a second", chosen))
    for spokes in SPOKE_COUNTS:
        print(row(f"with spokes: {spokes} of them", [each for each in seen if each.spokes == spokes]))


if __name__ == "__main__":
    main()
