"""What is measured on scenes with a decal close behind the rim's edge, with the boxes they were drawn with.

    python -m tests.benchmarks.decals FIRST LAST

FIRST and LAST are seeds of `tests.benchmarks.aim_mixed`, of whose scenes about one in five has a decal; the others are
passed over. A line a scene and a summary are printed.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from rimgauge.job import read_view
from tests.benchmarks.aim_mixed import after, drawn_by_lot, result_of, scene, summed_up, words


def main() -> None:
    """Print the table and its summary."""
    first, last = int(sys.argv[1]), int(sys.argv[2])
    seeds = [seed for seed in range(first, last + 1) if drawn_by_lot(seed)["decal"]]
    print("| seed | scene | total, mm |\n|---|---|---|")
    lines = []
    with tempfile.TemporaryDirectory() as scratch:
        for seed in seeds:
            folder = Path(scratch) / str(seed)
            said = words(scene(seed, folder))
            lines.append(after(read_view(folder / "view.json"), folder))
            print(f"| {seed} | {said} | {result_of(lines[-1])} |", flush=True)
    results = [line for line in lines if "error_mm" in line]
    print(f"scenes: {len(lines)}; refused: {len(lines) - len(results)}")
    if results:
        print(summed_up(results))


if __name__ == "__main__":
    main()
