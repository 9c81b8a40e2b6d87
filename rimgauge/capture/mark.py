"""The mark at the valve and the spokes: what passes along the rim's path in the picture."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.patch import Patch
from rimgauge.records import BoolArray, Box, FloatArray, View

STRIP_BINS = 120
SPOKE_BINS, ACROSS = 72, 4
SHAKE_ROOM_PX = 8
"""So far may a shake move the spokes' box."""
EDGE_SOFT_PX = 1
"""So far a blurred edge reaches beyond where it is (a judgement)."""
STRAY = 0.05
"""In so few frames the edge may be a mistake, or reaches hardly farther (a judgement)."""
LEAST_ACROSS_PX = 2 * ACROSS
"""A box that would be left narrower beside the rim stays as it was drawn."""
LEAST_FLICKER = 0.04
"""Change of the light along the spokes' strips, as a share, from which it is a lamp's: what moves in ray-traced
films makes 0.004 to 0.011, a lamp of a quarter's flicker 0.13."""
LEAST_LIKE = 0.25
"""What is less like the mark than so much isn't the mark, and what is unlike it by no more is: where the light falls off along
the strip its colour is fainter, and its ends would seem to lie farther in."""
LARGEST_DIMMING = 0.35
"""Change of the light, as a natural logarithm, up to which a bin may still be the rim as usual."""
LEAST_RIM_SHARE = 0.1
OFTEN, LEAST_BESIDE, LEAST_WHOLE = 0.1, 0.4, 2
"""What is never seen whole, and in so many strips, may be decals: then another colour that stands out by such a share of them
and is seen whole so often is the mark. A mark that is longer than the picture shows in one strip of twenty."""
PASSES, LINGERS, MOST_STRETCH = 3, 2.0, 1.0 / 3.0
"""What shows in one stretch of the film alone, no longer than that share of it, is a hand where something else passes so often
beside it and so many times as quickly: a mark comes round, and no slower than all else on the rim (judgements)."""
LEAST_SHOWN = 0.35
"""A strip shows the mark where so much of its length is in it."""
LEARNING_STRIPS = 3000
"""So many strips, spread over the pass, tell the mark's look; a mark shows in one of twenty."""
LIGHT_ACROSS, LIGHT_A_BIN = 48, 2
"""A few of the pixels tell the light as well as all: so many at least across the spokes' strips, and so many lines a bin."""
LINES_A_BIN = 4
"""So many of a picture's lines at least tell a bin of the mark's strip."""
BLOCK = 1000
"""Strips looked at together: memory stays the same however long the pass."""


def strip_along(
    image: NDArray[np.uint8], view: View, box: Box, bins: int, *, whole: bool
) -> NDArray[np.uint8]:
    """Mean colour (bins, 3) BGR along `forward`, averaged across the box; first bin is where things come in.

    whole: reach from border to border of the picture along `forward` instead of the box's own length, so
    that a mark longer than its box is seen whole.
    """
    x, y, width, height = box
    upright = abs(view.forward[1]) > abs(view.forward[0])
    if whole:
        x, y, width, height = (x, 0, width, image.shape[0]) if upright else (0, y, image.shape[1], height)
    lines = max(height // (LINES_A_BIN * bins), 1) if upright else 1
    cut: NDArray[Any] = image[y : y + height : lines, x : x + width]
    # OpenCV averages down columns far quicker than along rows, and in two steps quicker than in one.
    across = cv2.reduce(cv2.transpose(cut) if upright else cut, 0, cv2.REDUCE_AVG, dtype=cv2.CV_32F)
    mean = cv2.resize(across, (bins, 1), interpolation=cv2.INTER_AREA)
    strip = np.rint(mean.reshape(bins, 3)).astype(np.uint8)
    return strip[::-1] if float(view.forward[1 if upright else 0]) < 0.0 else strip


def clear_of_rim(box: Box, view: View, tip_px: FloatArray, rim_px: FloatArray) -> Box:
    """Cut off the part of the spokes' box that the rim's edge covers in some frames (n, 2), as the pointer's tip (n, 2) tells.

    There the rim comes and goes with its runout, far more than a thin spoke does, and its specks with the wheel. A box
    across the edge is cut in a lateral view only: in a radial one spokes are seen beyond the rim's other edge.
    """
    seen = np.isfinite(rim_px).all(axis=1)
    if view.direction != "lateral" or not seen.any():
        return box
    axis = 0 if abs(view.forward[1]) > abs(view.forward[0]) else 1
    start, end, along = box[axis], box[axis] + box[axis + 2], 1 - axis
    far = box[along] + box[along + 2] / 2.0 - rim_px[seen, along]
    edge = rim_px[seen, axis] + far * view.forward[axis] / view.forward[along]
    if np.median(tip_px[seen, axis] - rim_px[seen, axis]) > 0.0:
        start = max(start, math.ceil(np.quantile(edge, 1.0 - STRAY)) + EDGE_SOFT_PX)
    else:
        end = min(end, math.floor(np.quantile(edge, STRAY)) - EDGE_SOFT_PX)
    if end - start < min(LEAST_ACROSS_PX, box[axis + 2]):
        return box
    x, y, width, height = box
    return (start, y, end - start, height) if axis == 0 else (x, start, width, end - start)


def patch_within(patch: NDArray[np.uint8], box: Box, within: Box) -> NDArray[np.uint8]:
    """The patch of a box that lies within the one that a patch was cut out for."""
    left, top = within[0] - box[0], within[1] - box[1]
    return patch[top : top + within[3] + 2 * SHAKE_ROOM_PX, left : left + within[2] + 2 * SHAKE_ROOM_PX]


def spoke_patch(image: NDArray[np.uint8], box: Box) -> NDArray[np.uint8]:
    """Cut the box out as grey levels, with room for a shake round it; beyond the picture its border is repeated."""
    cropped = Patch(box, transposed=False, flipped=False).crop(image, SHAKE_ROOM_PX)
    return np.asarray(cv2.cvtColor(cropped, cv2.COLOR_BGR2GRAY), dtype=np.uint8)


def strips_of(patch: NDArray[np.uint8], view: View, box: Box, shift_px: tuple[float, float]) -> FloatArray:
    """Mean brightness (SPOKE_BINS, ACROSS) along `forward` through the box, in strips side by side, of a patch cut out for it.

    Several, because a spoke that leans would be smeared in one; not rounded, because it is a faint thing in a mean.

    shift_px: how far the camera's shake has moved everything in the picture, the box with it.
    """
    _, _, width, height = box
    upright = abs(view.forward[1]) > abs(view.forward[0])
    middle = [
        (side - 1) / 2.0 + min(max(shift, -SHAKE_ROOM_PX), SHAKE_ROOM_PX)
        for side, shift in zip(patch.shape[::-1], shift_px, strict=True)
    ]
    grey = cv2.getRectSubPix(patch, (width, height), middle, patchType=cv2.CV_32F)
    lying = cv2.transpose(grey) if upright else grey
    strips = min(ACROSS, len(lying))
    ends = [len(lying) * k // strips for k in range(strips + 1)]
    across = [
        cv2.reduce(lying[first:last], 0, cv2.REDUCE_AVG, dtype=cv2.CV_32F)
        for first, last in itertools.pairwise(ends)
    ]
    bright = cv2.resize(np.concatenate(across), (SPOKE_BINS, strips), interpolation=cv2.INTER_AREA).T
    backward = float(view.forward[1 if upright else 0]) < 0.0
    return np.asarray(bright[::-1] if backward else bright, dtype=np.float64)


def light_along(image: NDArray[np.uint8], view: View, box: Box) -> FloatArray:
    """Mean brightness (SPOKE_BINS,) of the whole picture beside each bin of the spokes' strips."""
    x, y, width, height = box
    upright = abs(view.forward[1]) > abs(view.forward[0])
    step = max(image.shape[1 if upright else 0] // LIGHT_ACROSS, 1)
    lines = max((height if upright else width) // (LIGHT_A_BIN * SPOKE_BINS), 1)
    beside = image[y : y + height : lines, ::step, 1] if upright else image[::step, x : x + width : lines, 1]
    mean = beside.mean(axis=1 if upright else 0, dtype=np.float32)
    light = cv2.resize(mean[None, :], (SPOKE_BINS, 1), interpolation=cv2.INTER_AREA)[0]
    return np.asarray(
        light[::-1] if float(view.forward[1 if upright else 0]) < 0.0 else light, dtype=np.float64
    )


def without_flicker(profile: NDArray[Any], light: NDArray[Any]) -> NDArray[Any]:
    """Spokes' strips (n, m, a) with the bands of a lamp that flickers divided out, told by the light (n, m) beside them.

    A camera reads its picture row by row, so that such bands are as wide as a good part of it: a parabola over the strips'
    length, where spokes are many narrow things. Where the light hardly changes the strips stay as they are.
    """
    usual = np.maximum(np.median(light, axis=0).astype(np.float64), 1.0)
    along = np.vander(np.linspace(-1.0, 1.0, light.shape[1]), 3)
    told = np.linalg.pinv(along).T
    blocks = [slice(start, start + BLOCK) for start in range(0, len(light), BLOCK)]
    bent = np.concatenate(
        [np.log(np.maximum(light[block], 1.0, dtype=np.float64) / usual) @ told for block in blocks]
    )
    along -= along.mean(axis=0)
    if np.sqrt(np.mean((bent @ (along.T @ along)) * bent) * 3.0 / light.shape[1]) <= LEAST_FLICKER:
        return profile
    even = np.empty_like(profile)
    for block in blocks:
        even[block] = profile[block] / np.exp(bent[block] @ along.T)[:, :, None]
    return even


def strip_centre_px(view: View, box: Box) -> tuple[float, float]:
    """Where, in bins, the middle of the mark's box lies on the whole strip; and the pixels a bin holds."""
    upright = abs(view.forward[1]) > abs(view.forward[0])
    axis = 1 if upright else 0
    length = view.image_size[axis]
    centre = box[axis] + (box[axis + 2] - 1) / 2.0
    per_bin = length / STRIP_BINS
    place = (centre + 0.5) / per_bin - 0.5
    return (STRIP_BINS - 1 - place if float(view.forward[axis]) < 0.0 else place), per_bin


@dataclass(frozen=True, slots=True, eq=False)
class MarkLook:
    """What tells the mark from the rim: learnt from strips that show both.

    grey (bins,): the rim's usual brightness. usual (bins, 3): the rim's usual colours [Lab, lightness halved].
    colour (3,): how the mark differs from them. length_bins: of the mark. share: of the strips that show it.
    """

    grey: FloatArray
    usual: FloatArray
    colour: FloatArray
    length_bins: float
    share: float


def find_mark(
    strips: NDArray[np.uint8], centre_bin: float, px_per_bin: float
) -> tuple[FloatArray, FloatArray]:
    """Place of the mark in every frame from the colour strips (n, bins, 3).

    The mark is what differs most in colour from the rim's usual look (lightness counts half: shadows and
    glare change it too). Where it is cut off by the picture's border, its length, known from the frames
    that show all of it, completes it.

    Returns
    -------
    mark_px (n,) : centre of the mark along `forward` from the centre of its box [px], NaN where not seen.
    strength (n,) : 0 absent to 1 sure.
    """
    look = learn_mark(strips[:: -(-len(strips) // LEARNING_STRIPS)].astype(np.float64))
    mark_px, strength = np.full(len(strips), np.nan), np.zeros(len(strips))
    if look is None:
        return mark_px, strength
    for start in range(0, len(strips), BLOCK):
        part = slice(start, start + BLOCK)
        seen = see_mark(look, strips[part].astype(np.float64), centre_bin, px_per_bin)
        mark_px[part], strength[part] = seen
    return mark_px, strength


def learn_mark(strips: FloatArray) -> MarkLook | None:
    """Learn the mark's look from strips (n, bins, 3) of a turning wheel; None where nothing stands out."""
    grey = np.maximum(np.median(strips.mean(axis=2), axis=0), 1.0)
    lab = _lab(strips, grey)
    usual = np.median(lab, axis=0)
    change = lab - usual
    noise = 1.4826 * np.median(np.abs(change))
    size = np.linalg.norm(change, axis=2)
    found = _learn_piece(change, size, max(8.0 * noise, 6.0))
    if found is None:
        return None
    if found.whole == 0 and found.share > OFTEN:
        others = np.where(_likeness(change, found.colour) > 0.0, 0.0, size)
        other = _learn_piece(change, others, LEAST_BESIDE * _strongest(size))
        if other is not None and other.whole >= LEAST_WHOLE:
            found = other
    found = _beside_a_hand(change, size, found) or found
    return MarkLook(grey, usual, found.colour, found.length_bins, found.share)


def _beside_a_hand(change: FloatArray, size: FloatArray, found: _Piece) -> _Piece | None:
    """What else passes and comes round, where what was found (n, bins, 3) shows in one stretch; None if it comes round too."""
    shows = np.flatnonzero(_shows(change, found))
    if not len(shows):
        return None
    rest = np.ones(len(change), dtype=bool)
    rest[shows[0] : shows[-1] + 1] = False
    stretch = len(change) - int(rest.sum())
    if stretch > MOST_STRETCH * len(change):
        return None
    other = _learn_piece(change[rest], size[rest], LEAST_BESIDE * _strongest(size))
    if other is None or other.whole < LEAST_WHOLE:
        return None
    passes = np.diff(_shows(change[rest], other).astype(np.int8), prepend=0, append=0)
    lengths = np.flatnonzero(passes < 0) - np.flatnonzero(passes > 0)
    comes_round = len(lengths) >= PASSES and stretch > LINGERS * float(np.median(lengths))
    return other if comes_round else None


def _shows(change: FloatArray, piece: _Piece) -> BoolArray:
    """Strips (n,) in which enough of a piece shows."""
    return np.asarray(_extent(_likeness(change, piece.colour))[0] > LEAST_SHOWN * piece.length_bins)


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """Something of one colour that passes: as in MarkLook, and in how many strips it is seen whole."""

    colour: FloatArray
    length_bins: float
    share: float
    whole: int


def _learn_piece(change: FloatArray, size: FloatArray, least: float) -> _Piece | None:
    """Learn what differs most (n, bins) in colour (n, bins, 3) from the rim; None where that is less than so much."""
    strongest = _strongest(size)
    if strongest < least:
        return None
    colour = np.median(change[size >= 0.8 * strongest], axis=0)
    area, enters, leaves = _extent(_likeness(change, colour))
    whole = ~enters & ~leaves & (area > max(2.0, 0.2 * area.max()))
    cut_once = (enters ^ leaves) & (area > 0.0)
    if not whole.any() and not cut_once.any():
        return None
    # A mark longer than the picture is never seen whole; the longest piece seen is then the best guess.
    length = float(np.median(area[whole])) if whole.any() else float(area[cut_once].max())
    return _Piece(colour, length, float((area > LEAST_SHOWN * length).mean()), int(whole.sum()))


def _strongest(size: FloatArray) -> float:
    """How far (n, bins) a few bins of some strip differ from the rim's usual look at most."""
    few = max(3, size.shape[1] // 40)
    return float(np.sort(size, axis=1)[:, -few:].mean(axis=1).max())


def see_mark(
    look: MarkLook, strips: FloatArray, centre_bin: float, px_per_bin: float
) -> tuple[FloatArray, FloatArray]:
    """Place and strength of a mark whose look is known, as `find_mark` gives them."""
    likeness = _likeness(_lab(strips, look.grey) - look.usual, look.colour)
    area, enters, leaves = _extent(likeness)
    bins, length = strips.shape[1], look.length_bins
    index = np.arange(bins)
    seen = area > LEAST_SHOWN * length
    middle = likeness @ index / np.maximum(area, 1e-9)
    spread = np.sqrt(np.maximum(likeness @ index**2 / np.maximum(area, 1e-9) - middle**2, 0.0))
    one_piece = spread < 0.6 * length + 2.0
    centre = np.where(
        enters, area - length / 2.0 - 0.5, np.where(leaves, bins - area + length / 2.0 - 0.5, middle)
    )
    good = seen & one_piece & ~(enters & leaves) & (area < 1.6 * length)
    mark_px, strength = np.full(len(strips), np.nan), np.zeros(len(strips))
    mark_px[good] = (centre[good] - centre_bin) * px_per_bin
    strength[good] = np.where(enters | leaves, 0.5, 1.0)[good] * np.clip(area / length, 0.0, 1.0)[good]
    return mark_px, strength


def make_colours_ready() -> None:
    """Have OpenCV lay out its tables of colours, which takes it a tenth of a second once, before they are needed."""
    cv2.cvtColor(np.zeros((1, 1, 3), dtype=np.float32), cv2.COLOR_BGR2LAB)


def _lab(strips: FloatArray, grey: FloatArray) -> FloatArray:
    """Colours (n, bins, 3) in Lab with half the lightness, the rim in each strip brought to its usual brightness."""
    even = strips / np.maximum(_gain(strips, grey), 0.05)[:, None, None]
    colours = np.clip(even, 0.0, 255.0).astype(np.float32) / 255.0
    return np.asarray(cv2.cvtColor(colours, cv2.COLOR_BGR2LAB).astype(np.float64) * (0.5, 1.0, 1.0))


def _gain(strips: FloatArray, grey: FloatArray) -> FloatArray:
    """How much brighter than usual the rim is in each strip (n,).

    By the bins that aren't far from usual: a mark that fills half the strip must not pass for a brighter light.
    """
    ratio = strips.mean(axis=2) / grey
    near = np.abs(np.log(np.maximum(ratio, 1e-3))) < LARGEST_DIMMING
    few = near.mean(axis=1) < LEAST_RIM_SHARE
    near[few] = True
    return np.asarray(np.nanmedian(np.where(near, ratio, np.nan), axis=1))


def _likeness(change: FloatArray, colour: FloatArray) -> FloatArray:
    """How much of each bin (n, bins) is the mark, 0 to 1."""
    # A dark film may have no mark, and so no colour of its own: nothing is like it.
    likeness = change @ colour / max(float(colour @ colour), 1e-12)
    return np.asarray(np.clip((likeness - LEAST_LIKE) / (1.0 - 2.0 * LEAST_LIKE), 0.0, 1.0))


def _extent(likeness: FloatArray) -> tuple[FloatArray, BoolArray, BoolArray]:
    """How many bins the mark fills (n,), and whether it reaches the strip's beginning and end."""
    rim = max(2, likeness.shape[1] // 60)
    return (
        likeness.sum(axis=1),
        likeness[:, :rim].max(axis=1) > 0.3,
        likeness[:, -rim:].max(axis=1) > 0.3,
    )
