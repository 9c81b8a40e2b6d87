"""The second of two pointers, one on either side of the wheel, and what both see as one view."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from rimgauge.cli.forward import way_of
from rimgauge.errors import BadInput

if TYPE_CHECKING:
    from rimgauge.capture.aim import Hints
    from rimgauge.capture.aim_trial import Aim
    from rimgauge.capture.frame import Frame
    from rimgauge.records import Side, View

OTHER_SIDE: dict[Side, Side] = {"right": "left", "left": "right"}


def second_of(first: Aim, frames: list[Frame], hints: Hints) -> Aim:
    """Find the pointer that faces the rim's other edge; the first says which way the rim runs and which side is which.

    hints: where the second one is, and what else was pointed out of it.

    Raises
    ------
    BadInput
        It stands on the first one's side, or is the first one.

    Raises what aim does for one that isn't found.

    """
    import numpy as np

    from rimgauge.capture.aim import aim

    runs = dataclasses.replace(hints, runs=way_of(first.view))
    found = aim(frames, "lateral", None, runs, size=first.view.image_size)
    inward, second_inward = (np.subtract(each.rim_px, each.tip_px) for each in (first, found))
    side = first.view.edges[0].side
    if float(inward @ second_inward) > 0.0:
        x, y = found.tip_px
        raise BadInput(
            f"the pointer at {x:.0f},{y:.0f} is on the wheel's {side} side as the first one is; "
            "--second-pointer-at is for one on the other side"
        )
    edge = dataclasses.replace(found.view.edges[0], side=OTHER_SIDE[side])
    # Mark and spokes are the first one's; what is left to tell is of this one's own edge.
    return dataclasses.replace(found, view=dataclasses.replace(first.view, edges=(edge,)), notes=())


def seen_by(found: list[Aim]) -> View:
    """The view in which all pointers are read: the first one's, with the edge of each."""
    return dataclasses.replace(found[0].view, edges=tuple(each.view.edges[0] for each in found))
