"""Which way the rim runs in the picture, and on which side of the wheel that puts the pointer."""

from __future__ import annotations

from typing import Literal

import numpy as np

from rimgauge.capture.aim_facing import Facing
from rimgauge.capture.aim_look import Point
from rimgauge.capture.aim_motion import to_picture_way
from rimgauge.errors import BadInput, NotTrustworthy
from rimgauge.records import Side

Way = Literal["up", "down", "left", "right"]
WAYS: dict[Way, Point] = {"up": (0.0, -1.0), "down": (0.0, 1.0), "left": (-1.0, 0.0), "right": (1.0, 0.0)}


def forward_of(facing: Facing, told: tuple[int, bool], runs: Way | None, *, rim_pointed_at: bool) -> Point:
    """Unit vector of the way the rim runs in the picture: as it was said, else as it was told, if that is sure.

    Raises
    ------
    BadInput, NotTrustworthy
        The rim doesn't run as was said, or neither is known.
    """
    if runs is not None:
        ways = [to_picture_way(facing, way) for way in (1, -1)]
        fits = [float(np.dot(way, WAYS[runs])) for way in ways]
        if max(fits) < 0.5:
            other = "left or right" if runs in ("up", "down") else "up or down"
            raise BadInput(f"the rim's edge doesn't run {runs} in this picture; say --runs {other}")
        return ways[int(np.argmax(fits))]
    way, sure = told
    if not sure:
        check = "; check too that --rim-at is on the rim's very edge" if rim_pointed_at else ""
        raise NotTrustworthy(
            "which way the rim runs can't be told from these frames; turn the wheel forward more slowly, "
            f"stick a mark of strong colour on the rim, or say it with --runs up, down, left or right{check}"
        )
    return to_picture_way(facing, way)


def side_of(facing: Facing, forward: Point, said: Side | None, runs: Way | None) -> Side:
    """Side of the wheel that the pointer is on.

    Seen from outside, toward the axle, the rider's right lies to the right of the way the rim runs as the wheel rolls
    forward: behind the rider it runs up, before him down, and there right and left change places too.

    Raises
    ------
    NotTrustworthy
        It isn't the one that was said.
    """
    inward = facing.inward
    pointer_is_right = -inward[0] * -forward[1] - inward[1] * forward[0] > 0.0
    seen: Side = "right" if pointer_is_right else "left"
    if said is None or said == seen or runs is not None:
        return said or seen
    now, other = (
        max(WAYS, key=lambda way: float(np.dot(WAYS[way], sign * np.array(forward)))) for sign in (1, -1)
    )
    raise NotTrustworthy(
        f"the rim runs {now} in the picture, so the pointer is on the wheel's {seen} side if the wheel rolled forward, "
        f"not on its {said}; if it was turned backward add --runs {other}, and if the camera looks out from inside the "
        f"wheel add --runs {now}"
    )
