"""What the angle gains by what the rim shows again a turn later: the same drawn runs told with and without.

    python -m tests.benchmarks.come_round 10 12610

So many hands and wheels from a seed on, under the two hardest of the conditions of `turning`.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np

from rimgauge.errors import RimgaugeError
from rimgauge.signal import find_turning
from tests.benchmarks.turning import AIM_DEG, ALONE_DEG, drawn

CONDITIONS = ("dropped and jitter", "dropped, jitter, hand and paired")


def told(condition: str, seed: int) -> list[tuple[np.ndarray, np.ndarray] | None]:
    """Errors (n,) of the frames told and their stated uncertainties (n,), without and with; None where refused."""
    _, _, seen, layout = drawn(condition, seed)
    results: list[tuple[np.ndarray, np.ndarray] | None] = []
    for looks in (None, seen.track.looks):
        try:
            turning = find_turning(replace(seen.track, looks=looks), layout)
        except RimgaugeError:
            results.append(None)
            continue
        off_deg = (turning.angle_deg - seen.angle_deg + 180.0) % 360.0 - 180.0
        used = np.isfinite(off_deg)
        wrong = np.abs(off_deg[used]) > 180.0 / len(layout.spoke_angles_deg)
        results.append((np.where(wrong, np.inf, off_deg[used]), turning.standard_uncertainty_deg[used]))
    return results


def row(name: str, results: list[tuple[np.ndarray, np.ndarray] | None]) -> str:
    """One line of the table."""
    given = [each for each in results if each is not None]
    typical = np.array([np.percentile(np.abs(off), 95, method="lower") for off, _ in given])
    covered = [np.abs(off) < 2.0 * sd for off, sd in given]
    wrong = sum(int(np.isinf(off).sum()) for off, _ in given)
    shares = f"{np.mean(np.concatenate(covered)):.1%} | {sum(each.mean() < 0.95 for each in covered)}"
    within = f"{(typical <= AIM_DEG).sum()} | {(typical <= ALONE_DEG).sum()}"
    frames = sum(map(len, covered))
    return f"| {name} | {len(results)} | {len(results) - len(given)} | {within} | {np.median(typical):.2f} | {shares} | {wrong} | {frames} |"


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 12610
    results = [told(condition, seed) for seed in range(first, first + count) for condition in CONDITIONS]
    print(
        "| | runs | refused | within 0.3° | within 1° | 95 % error °, median | frames within two stated sd | "
        "runs with fewer than 95 % of them | frames told a wrong spoke | frames told |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|")
    for name, each in zip(("without", "with"), zip(*results, strict=True), strict=True):
        print(row(name, list(each)))


if __name__ == "__main__":
    main()
