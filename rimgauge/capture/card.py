"""A bank card in the picture: two edges across the measuring direction, the one that joins them, round corners."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.card_outline import SAME, Outline, Picture, colour_beside, outline_of, seen_share
from rimgauge.capture.card_sides import ON_LINE_PX, Segment, apart_px, at, off_deg, segments
from rimgauge.capture.targets import Length
from rimgauge.errors import ScaleMissing
from rimgauge.records import FloatArray

MOST_LINES = 40
"""The longest lines each way are tried."""
MOST_OFF_DEG, MOST_SPREAD_DEG = 20.0, 5.0
"""How far a card may be turned, and how far its edges may be off parallel."""
CLEARER, ALIKE_PX = 0.07, 8.0
"""Another outline whose width differs by more than so many px is only passed over if it is less seen by so much."""

LONE_CORNER = 0.012
"""Where only one corner is seen, the edge at the other may be something else's: of the width (seen in pictures)."""


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """An outline that could be a card's: how much of it is seen, how many corners, its width near the place [px]."""

    seen: float
    corners: int
    px: float
    outline: Outline


def card_px(
    picture: NDArray[np.uint8], direction: FloatArray, place: FloatArray, name: str
) -> tuple[Length, FloatArray]:
    """Distance [px] between a card's two long edges, which run across a unit vector (2,), and the middle (2,) between them.

    It is measured as near to a place (2,) as the edges are seen. Straight edges are a card's only where a third
    one joins them, with corners as round as a card's, and one face lies between them.

    Raises
    ------
    ScaleMissing
        No card is seen, or more than one thing could be it.
    """
    found = _candidates(picture, direction, place)
    if not found:
        if _candidates(picture, np.array([-direction[1], direction[0]]), place):
            raise ScaleMissing(
                f"{name}: the card's long side lies along the way the rim strays; turn the card a quarter turn, so "
                "that its short side does, and take the picture again"
            )
        raise ScaleMissing(
            f"{name}: no card is seen in this picture; hold it flat at the rim's edge before something plain, its "
            "short side along the way the rim strays and that end of it seen, or use --length-mm"
        )
    best = max(found, key=lambda each: each.seen)
    rivals = [each.px for each in found if each.seen > best.seen - CLEARER]
    if any(abs(px - best.px) > ALIKE_PX for px in rivals):
        raise ScaleMissing(
            f"{name}: more than one thing in this picture could be the card; choose a plainer background, or point "
            "at two of its edges with --length-mm"
        )
    one, two, _ = best.outline.parts
    length, middle = apart_px(picture, (one, two), place, name)
    # A stripe beside the card makes an outline nearly as wide, and either may be the card's: 0 or all of it.
    beside = max(abs(px - best.px) for px in rivals)
    unsure = beside / math.sqrt(2.0) if beside > ON_LINE_PX / 2.0 else 0.0
    lone = LONE_CORNER * length.px if best.corners < 2 else 0.0
    return replace(length, standard_error_px=math.hypot(length.standard_error_px, unsure, lone)), middle


def _candidates(picture: NDArray[np.uint8], direction: FloatArray, place: FloatArray) -> list[_Found]:
    """Outlines that could be a card's, by the straight edges of a picture."""
    across = np.array([-direction[1], direction[0]])
    smooth = np.asarray(cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 1.0), dtype=np.float32)
    lines = segments(picture)
    sides = [line for line in lines if off_deg(line, across) < MOST_OFF_DEG][:MOST_LINES]
    tops = [line for line in lines if off_deg(line, direction) < MOST_OFF_DEG][:MOST_LINES]
    # What lies beside each line tells at once which of them could belong to one face.
    right_of = [colour_beside(smooth, side, direction) for side in sides]
    left_of = [colour_beside(smooth, side, -direction) for side in sides]
    under = [(top, way, colour_beside(smooth, top, way * across)) for top in tops for way in (-1.0, 1.0)]
    height, found = float(place @ across), []
    for k, m in itertools.combinations(range(len(sides)), 2):
        if off_deg(sides[k], sides[m][1] - sides[m][0]) > MOST_SPREAD_DEG:
            continue
        one, two = (k, m) if _is_before(sides[k], sides[m], across, direction) else (m, k)
        if float(np.linalg.norm(right_of[one] - left_of[two])) > SAME:
            continue
        pair, face = (sides[one], sides[two]), (right_of[one] + left_of[two]) / 2.0
        px = float((at(pair[1], across, height) - at(pair[0], across, height)) @ direction)
        for top, way, colour in under:
            if float(np.linalg.norm(colour - face)) < SAME:
                found += _seen(smooth, pair, top, way * across, direction, px)
    return found


def _is_before(one: Segment, other: Segment, across: FloatArray, direction: FloatArray) -> bool:
    """Whether a line comes before another along the direction, half-way down both."""
    height = float((one[0] + one[1] + other[0] + other[1]) @ across) / 4.0
    return float((at(other, across, height) - at(one, across, height)) @ direction) > 0.0


def _seen(
    smooth: Picture,
    pair: tuple[Segment, Segment],
    top: Segment,
    down: FloatArray,
    direction: FloatArray,
    px: float,
) -> list[_Found]:
    outline = outline_of(pair, top, down, direction, smooth.shape[1::-1])
    seen = None if outline is None else seen_share(smooth, outline)
    return [] if outline is None or seen is None else [_Found(*seen, px, outline)]
