"""Aim on plain rims that are turned slowly: from the first frames alone, and looking on where they don't tell enough.

    python -m tests.benchmarks.aim_slow FIRST LAST [FOLDER]

FIRST and LAST are seeds; scenes are kept in FOLDER where one is given, and used again. The rims of `aim_mixed` without
texture and decals, at 0.2 to 0.3 turns a second, seen from the 26th frame on, when the mark has left the picture; the first
look is of three seconds. A line a scene: aim by the first look alone, aim looking on, and what is measured after that where
the two differ.
"""

from __future__ import annotations

import itertools
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

from rimgauge.capture import aim_begin, aim_passing
from rimgauge.capture.aim import Hints
from rimgauge.capture.aim_trial import Aim
from rimgauge.capture.sources import Frame, open_source
from rimgauge.errors import RimgaugeError
from rimgauge.job import read_view
from tests.benchmarks.aim_mixed import (
    ASIDE_PX,
    BOLT_HALF_MM,
    after,
    drawn_by_lot,
    result_of,
    words,
    written,
    wrongs,
)

FRAMES, PASSED_OVER, FIRST_LOOK = 330, 25, 90


class Begun:
    """A folder's frames from one on."""

    kind = "frames"

    def __init__(self, folder: Path) -> None:
        self.name = str(folder)

    def __iter__(self) -> Iterator[Frame]:
        return itertools.islice(open_source(self.name), PASSED_OVER, None)


def scene(seed: int, folder: Path) -> dict[str, Any]:
    """Draw a scene where it isn't there yet, and return its properties."""
    properties, rng = drawn_by_lot(seed), np.random.default_rng([seed, 99])
    properties |= {"turns_per_s": float(rng.uniform(0.2, 0.3)), "frames": FRAMES, "texture": 0.0}
    properties |= {"decal": False, "turning": str(rng.choice(["uneven", "uneven", "steady"]))}
    return written(properties, folder)


def told(folder: Path, aside_px: float, later: int) -> tuple[str, Aim | None]:
    """Aim with so many later frames at most, and what came of it."""
    aim_begin.AIM_FRAMES, aim_passing.MOST_LATER_FRAMES = FIRST_LOOK, later
    direction = read_view(folder / "view.json").direction
    side = "outer" if direction == "radial" else None
    try:
        frames, found = aim_begin.aim_from(Begun(folder / "frames"), direction, side, Hints())  # type: ignore[arg-type]
    except RimgaugeError as trouble:
        return f"refused: {str(trouble)[:60]}", None
    before = [SimpleNamespace(image=None)] * frames[0].index
    wrong = wrongs(found, [*before, *frames], folder, aside_px)  # type: ignore[list-item]
    unseen = any("No coloured mark" in note for note in found.notes)
    return ("WRONG " + ", ".join(wrong) if wrong else "right") + (", no mark" if unseen else ""), found


def main() -> None:
    """Print the table."""
    first, last = int(sys.argv[1]), int(sys.argv[2])
    print("| seed | scene | first look alone | looking on | total after it, mm |\n|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as scratch:
        for seed in range(first, last + 1):
            folder = Path(sys.argv[3] if len(sys.argv) > 3 else scratch) / str(seed)
            properties = scene(seed, folder)
            flat_px = BOLT_HALF_MM / properties["mm_per_px"] if properties["pointer"] == "bolt" else 0.0
            (alone, _), (on, found) = (told(folder, ASIDE_PX + flat_px, most) for most in (0, 240))
            result = result_of(after(found.view, folder)) if found and on != alone else ""
            print(f"| {seed} | {words(properties)} | {alone} | {on} | {result} |", flush=True)


if __name__ == "__main__":
    main()
