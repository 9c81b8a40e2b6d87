"""Is a wheel that was left turned round in the stand noticed, and no other taken for one?

    python -m tests.benchmarks.turned_round [rims] [unrelated] [seed]

Two tables. Rims whose runout is 2 to 6 waves drawn by lot, each read twice with 0.01 mm of noise at the spokes: as it is or
turned round, unchanged or with so much of its runout mended and the rest of it left in its place. And rims read as they are
before and after truing, of which nothing is left but a shape of its own: one to three waves of so many a turn, drawn anew.
"""

from __future__ import annotations

import sys

import numpy as np

from rimgauge.records import FloatArray
from rimgauge.signal.compare import _other_way_round

NOISE_MM = 0.01
SIZES_MM = ((0.15, 0.2), (0.2, 0.5), (0.5, 3.0))
MENDED = (0.0, 0.5, 0.8)
"""Share of the runout that is mended between the readings; what is left has a quarter of its size of another shape on it then."""
OTHER_SHAPE = 0.25
SPOKES = (12, 16, 20, 28, 36, 48)
BEFORE_MM, AFTER_MM = (0.5, 3.0), (0.2, 0.6)
UNRELATED = {
    "once a turn": (1, 1),
    "one of 1 to 3": (1, 3),
    "two of 1 to 3": (2, 3),
    "two of 1 to 4": (2, 4),
    "three of 1 to 3": (3, 3),
}
"""How many waves, of how many a turn at most; one alone is of the same kind before and after."""


def drawn(random: np.random.Generator, orders: FloatArray, spokes: int, total_mm: float) -> FloatArray:
    """Runout at the spokes (s,) of this total: waves of so many a turn (k,), larger where they are long."""
    spokes_deg = (np.arange(spokes) + 0.5) * 360.0 / spokes
    phases = random.uniform(0.0, 360.0, len(orders))
    sizes = random.uniform(0.3, 1.0, len(orders)) / np.sqrt(orders)
    shape = sizes @ np.cos(np.radians(orders[:, None] * spokes_deg - phases[:, None]))
    return np.asarray(total_mm * shape / np.ptp(shape))


def any_rim(random: np.random.Generator, spokes: int, total_mm: float) -> FloatArray:
    """Runout of 2 to 6 waves, of up to 8 a turn and fewer than half the spokes."""
    most = min(8, spokes // 2 - 1)
    orders = random.choice(np.arange(1, most + 1), size=random.integers(2, min(7, most)), replace=False)
    return drawn(random, orders, spokes, total_mm)


def read(random: np.random.Generator, rim_mm: FloatArray) -> FloatArray:
    """Read a rim (s,) with noise."""
    return rim_mm + random.normal(0.0, NOISE_MM, len(rim_mm))


def noticed(
    random: np.random.Generator, spokes: int, size_mm: tuple[float, float], mended: float
) -> tuple[bool, bool]:
    """Whether a rim counts as turned round when it was, and when it wasn't."""
    before_mm = any_rim(random, spokes, random.uniform(*size_mm))
    left_mm = (1.0 - mended) * before_mm
    if mended:
        left_mm = left_mm + any_rim(random, spokes, OTHER_SHAPE * float(np.ptp(left_mm)))
    seen_mm = read(random, before_mm)
    turned, straight = (
        _other_way_round(seen_mm, read(random, after_mm), "lateral") for after_mm in (-left_mm[::-1], left_mm)
    )
    return turned, straight


def mistaken(random: np.random.Generator, spokes: int, waves: int, most: int) -> bool:
    """Whether a rim that was never turned round counts as such, trued to another shape."""
    orders = random.choice(np.arange(1, most + 1), size=waves, replace=False)
    before_mm = drawn(random, orders, spokes, random.uniform(*BEFORE_MM))
    if waves > 1:
        orders = random.choice(np.arange(1, most + 1), size=waves, replace=False)
    after_mm = drawn(random, orders, spokes, random.uniform(*AFTER_MM))
    return _other_way_round(read(random, before_mm), read(random, after_mm), "lateral")


def main(rims: int = 150, unrelated: int = 3000, seed: int = 28800) -> None:
    """Print the tables."""
    random = np.random.default_rng(seed)
    print("| total runout mm | mended |", *(f"{spokes} |" for spokes in SPOKES), "taken for it, not turned |")
    print("|---|---|" + len(SPOKES) * "---|" + "---|")
    for size_mm in SIZES_MM:
        for mended in MENDED:
            told = [[noticed(random, each, size_mm, mended) for _ in range(rims)] for each in SPOKES]
            turned, straight = np.mean(told, axis=1).T
            shares = (f"{share:.0%} |" for share in turned)
            print(f"| {size_mm[0]:g} to {size_mm[1]:g} | {mended:.0%} |", *shares, f"{straight.mean():.2%} |")
    print()
    print("| waves a turn |", *(f"{spokes} |" for spokes in SPOKES))
    print("|---|" + len(SPOKES) * "---|")
    for name, (waves, most) in UNRELATED.items():
        taken = [np.mean([mistaken(random, each, waves, most) for _ in range(unrelated)]) for each in SPOKES]
        print(f"| {name} |", *(f"{share:.2%} |" for share in taken))


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
