"""What the angle gains where a look may have been learnt bent: the same drawn runs told without and with it.

    python -m tests.benchmarks.bent 20 13016

So many hands and wheels from a seed on, under two of the conditions of `turning`.
"""

from __future__ import annotations

import sys
from unittest.mock import patch

import numpy as np

from rimgauge.signal import spokes_say
from tests.benchmarks.come_round import Told, print_table, told
from tests.benchmarks.turning import drawn

CONDITIONS = ("clean", "dropped and jitter")


def both(condition: str, seed: int) -> tuple[Told, Told]:
    """A run told without waves that are held narrowly, and with them."""
    _, _, seen, layout = drawn(condition, seed)
    with patch.object(spokes_say, "HELD_SPOKES", ()):
        without = told(seen.track, layout, seen.angle_deg)
    return without, told(seen.track, layout, seen.angle_deg)


def main() -> None:
    """Print the table, and how many runs it moves."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 13016
    results = [both(condition, seed) for seed in range(first, first + count) for condition in CONDITIONS]
    print_table(results)
    typical = np.array(
        [[np.percentile(np.abs(each[0]), 95) for each in run] for run in results if run[0] and run[1]]
    )
    moved = typical[:, 1] - typical[:, 0]
    print(
        f"mean {typical[:, 0].mean():.3f} and {typical[:, 1].mean():.3f}°; better by more than 0.005° "
        f"{(moved < -0.005).sum()}, worse {(moved > 0.005).sum()}"
    )


if __name__ == "__main__":
    main()
