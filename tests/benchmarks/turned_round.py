"""Is a wheel that was left turned round in the stand noticed, and no other taken for one?

    python -m tests.benchmarks.turned_round [rims] [seed]

Rims of 32 spokes whose runout is 2 to 6 waves drawn by lot, each read twice with 0.01 mm of noise at the spokes: as it is or
turned round, unchanged or with so much of its runout mended and the rest of it left in its place.
"""

from __future__ import annotations

import sys

import numpy as np

from rimgauge.records import FloatArray
from rimgauge.signal.compare import _other_way_round

SPOKES_DEG = (np.arange(32) + 0.5) * 11.25
NOISE_MM = 0.01
SIZES_MM = ((0.15, 0.2), (0.2, 0.5), (0.5, 3.0))
MENDED = (0.0, 0.5, 0.8)
"""Share of the runout that is mended between the readings; what is left has a quarter of its size of another shape on it then."""
OTHER_SHAPE = 0.25


def drawn(random: np.random.Generator, total_mm: float) -> FloatArray:
    """Runout at the spokes (s,) of this total."""
    orders = random.choice(np.arange(1, 9), size=random.integers(2, 7), replace=False)
    phases = random.uniform(0.0, 360.0, len(orders))
    sizes = random.uniform(0.3, 1.0, len(orders)) / np.sqrt(orders)
    shape = sizes @ np.cos(np.radians(orders[:, None] * SPOKES_DEG - phases[:, None]))
    return np.asarray(total_mm * shape / np.ptp(shape))


def noticed(random: np.random.Generator, size_mm: tuple[float, float], mended: float) -> tuple[bool, bool]:
    """Whether a rim counts as turned round when it was, and when it wasn't."""
    before_mm = drawn(random, random.uniform(*size_mm))
    left_mm = (1.0 - mended) * before_mm
    if mended:
        left_mm = left_mm + drawn(random, OTHER_SHAPE * float(np.ptp(left_mm)))
    seen_mm = before_mm + random.normal(0.0, NOISE_MM, 32)
    told = (
        _other_way_round(seen_mm, after_mm + random.normal(0.0, NOISE_MM, 32))
        for after_mm in (-left_mm[::-1], left_mm)
    )
    turned, straight = told
    return turned, straight


def main(rims: int = 300, seed: int = 28800) -> None:
    """Print the table."""
    random = np.random.default_rng(seed)
    print("| total runout mm | mended | noticed, turned round | taken for it, not turned |")
    print("|---|---|---|---|")
    for size_mm in SIZES_MM:
        for mended in MENDED:
            turned, straight = np.mean([noticed(random, size_mm, mended) for _ in range(rims)], axis=0)
            print(f"| {size_mm[0]:g} to {size_mm[1]:g} | {mended:.0%} | {turned:.1%} | {straight:.1%} |")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
