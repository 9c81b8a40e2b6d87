"""Wheels turned fast and so evenly that each turn shows the frames of the last one: are they told, and the right way round?

python -m tests.benchmarks.even_turns 20 1140
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "angle"))

from seen_angle import even_film, layout_of

from rimgauge.errors import RimgaugeError
from rimgauge.signal import find_turning
from tests.benchmarks.turning import AIM_DEG


def outcome(case: tuple[int, int]) -> tuple[bool, bool, bool, bool]:
    """Whether a seed turned that way is refused for it, for another reason, told a wrong spoke, and told within the aim."""
    seen = even_film(*case)
    layout = layout_of(seen.bench)
    try:
        angle_deg = find_turning(seen.track, layout).angle_deg
    except RimgaugeError as trouble:
        by_way = "which way the wheel turns" in str(trouble)
        return by_way, not by_way, False, False
    off_deg = np.abs((angle_deg - seen.angle_deg + 180.0) % 360.0 - 180.0)
    off_deg = off_deg[np.isfinite(off_deg)]
    wrong = bool((off_deg > 0.5 * layout.spacing_deg).any())
    return False, False, wrong, not wrong and float(np.percentile(off_deg, 95)) < AIM_DEG


def main(count: str = "20", first: str = "1140") -> None:
    """Print a table of both ways."""
    seeds = range(int(first), int(first) + int(count))
    print("| turned | films | a wrong spoke | within the aim | the way can't be told | refused otherwise |")
    print("|---|---|---|---|---|---|")
    with ProcessPoolExecutor() as pool:
        for name, way in (("forward", 1), ("backward", -1)):
            by_way, otherwise, wrong, good = np.sum(
                list(pool.map(outcome, [(seed, way) for seed in seeds])), axis=0
            )
            print(f"| {name} | {len(seeds)} | {wrong} | {good} | {by_way} | {otherwise} |")


if __name__ == "__main__":
    main(*sys.argv[1:])
