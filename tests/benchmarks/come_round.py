"""What the angle gains by what the rim shows again a turn later: the same drawn runs told with and without.

    python -m tests.benchmarks.come_round 10 12610

So many hands and wheels from a seed on, under the two hardest of the conditions of `turning`.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np

from rimgauge.errors import RimgaugeError
from rimgauge.records import GapTrack
from rimgauge.signal import Layout, find_turning
from tests.benchmarks.turning import AIM_DEG, ALONE_DEG, drawn

CONDITIONS = ("dropped and jitter", "dropped, jitter, hand and paired")


Told = tuple[np.ndarray, np.ndarray] | None
"""Errors (n,) of the frames told, endless for a wrong spoke, and their stated uncertainties (n,); None where refused."""


def told(track: GapTrack, layout: Layout, angle_deg: np.ndarray) -> Told:
    """What comes of a run whose true angles (n,) are known."""
    try:
        turning = find_turning(track, layout)
    except RimgaugeError:
        return None
    off_deg = (turning.angle_deg - angle_deg + 180.0) % 360.0 - 180.0
    used = np.isfinite(off_deg)
    wrong = np.abs(off_deg[used]) > 180.0 / len(layout.spoke_angles_deg)
    return np.where(wrong, np.inf, off_deg[used]), turning.standard_uncertainty_deg[used]


def both(condition: str, seed: int) -> tuple[Told, Told]:
    """A run told without and with what the rim shows again."""
    _, _, seen, layout = drawn(condition, seed)
    without = told(replace(seen.track, looks=None), layout, seen.angle_deg)
    return without, told(seen.track, layout, seen.angle_deg)


def row(name: str, results: list[Told]) -> str:
    """One line of the table."""
    given = [each for each in results if each is not None]
    typical = np.array([np.percentile(np.abs(off), 95, method="lower") for off, _ in given])
    covered = [np.abs(off) < 2.0 * sd for off, sd in given]
    wrong = sum(int(np.isinf(off).sum()) for off, _ in given)
    shares = f"{np.mean(np.concatenate(covered)):.1%} | {sum(each.mean() < 0.95 for each in covered)}"
    within = f"{(typical <= AIM_DEG).sum()} | {(typical <= ALONE_DEG).sum()}"
    frames = sum(map(len, covered))
    return f"| {name} | {len(results)} | {len(results) - len(given)} | {within} | {np.median(typical):.2f} | {shares} | {wrong} | {frames} |"


def print_table(results: list[tuple[Told, Told]]) -> None:
    """Print the runs without and with."""
    print(
        "| | runs | refused | within 0.3° | within 1° | 95 % error °, median | frames within two stated sd | "
        "runs with fewer than 95 % of them | frames told a wrong spoke | frames told |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|")
    for name, each in zip(("without", "with"), zip(*results, strict=True), strict=True):
        print(row(name, list(each)))


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 12610
    print_table([both(condition, seed) for seed in range(first, first + count) for condition in CONDITIONS])


if __name__ == "__main__":
    main()
