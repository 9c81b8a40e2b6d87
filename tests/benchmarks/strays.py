"""What the stated uncertainty gains by the spokes' say where a curve goes past a hand: the same drawn runs without and with it.

    python -m tests.benchmarks.strays 13 14200

So many hands and wheels from a seed on, under those of the conditions of `turning` that show mark and spokes.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from unittest.mock import patch

import numpy as np

from rimgauge.records import FloatArray
from rimgauge.signal import turning
from tests.benchmarks.come_round import Told, print_table, told
from tests.benchmarks.turning import ALONE, CONDITIONS, UNMARKED, drawn


def nothing(_: FloatArray, angle_deg: FloatArray) -> FloatArray:
    """As if spokes never spoke for another place."""
    return np.zeros(len(angle_deg))


def both(condition: str, seed: int) -> tuple[Told, Told]:
    """A run told without what the spokes say of other places, and with it."""
    _, _, seen, layout = drawn(condition, seed)
    with patch.object(turning, "strays_deg", nothing):
        without = told(seen.track, layout, seen.angle_deg)
    return without, told(seen.track, layout, seen.angle_deg)


def main() -> None:
    """Print the table, and how many frames are off by more than three of what is stated, and what that is."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 13
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 14200
    conditions = [name for name in CONDITIONS if name not in (ALONE, UNMARKED)]
    wanted = [(condition, seed) for seed in range(first, first + count) for condition in conditions]
    with ProcessPoolExecutor() as pool:
        results = list(pool.map(both, *zip(*wanted, strict=True)))
    print_table(results)
    for name, each in zip(("without", "with"), zip(*results, strict=True), strict=True):
        off, sd = (np.concatenate([run[part] for run in each if run is not None]) for part in (0, 1))
        print(
            f"{name}: {(np.abs(off) > 3.0 * sd).sum()} frames beyond three stated sd, stated {np.median(sd):.2f}°"
        )


if __name__ == "__main__":
    main()
