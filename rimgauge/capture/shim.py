"""A pointer that a shim moved straight away from the rim, between two pictures or short takes of a wheel at rest."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.frame import Picture
from rimgauge.capture.patch import GreyArray, inward, patch_of
from rimgauge.capture.sources import PICTURE_ENDINGS, open_source, read_picture
from rimgauge.capture.targets import Length, check_size
from rimgauge.capture.uncovered import cut_colours, uncovered_px
from rimgauge.errors import BadInput, FrameTrouble, PointerNotSeen
from rimgauge.records import BoolArray, Box, Edge, FloatArray, View

REACH_PX = 16
"""The furthest that a shim may move the pointer: beyond it the pointer would leave its box."""
MODEL_ERROR_PX = 0.03
"""What the pointer's thickness and what lies behind it leave, apart from noise (measured on a scene)."""
MOST_ERROR = 0.1
"""A scale less sure than this is worth nothing."""
UNTOLD = (
    "how far the pointer moved can't be told from these two pictures; put something plain behind it "
    "so that it stands out, use a thicker shim, and touch neither wheel nor camera between them"
)


def pointer_moved_px(before: NDArray[np.uint8], after: NDArray[np.uint8], view: View, edge: Edge) -> Length:
    """How far the pointer went from the rim between two pictures of a wheel that stands still.

    What the rim seems to have moved (a nudged camera) is taken off.

    Raises
    ------
    BadInput
        A picture's size isn't that of the view.
    PointerNotSeen
        Nothing moved at the pointer, or not as one piece.
    """
    for picture, what in ((before, "the picture before"), (after, "the picture after")):
        check_size(picture, view, what)
    outward = -inward(view, edge)
    rim = patch_of(view, edge, edge.rim_box)
    rim_old, rim_new = rim.cut(before), rim.cut(after)
    nudge_px, nudge_error_px = _nudge(rim_old, rim_new, rim.turn(outward))
    patch = patch_of(view, edge, _room_behind(view, edge))
    changed = _changed(patch.cut(before), patch.cut(after))
    old, new = cut_colours(patch, before), cut_colours(patch, after)
    along = patch.turn(outward)
    new = _shifted(new, along, -nudge_px)
    new = new - np.median((new - old)[~changed], axis=0)
    found = uncovered_px(old, new, changed, REACH_PX)
    if found is None:
        raise PointerNotSeen(UNTOLD)
    if found.px < 0.0:
        raise BadInput(
            "the pointer came nearer to the rim from the first picture to the second; "
            "give the one without the shim first, then the one with it"
        )
    # A row sees the outline move by −s·(du − slope·dv) when the pointer moves by s.
    px = found.px / (found.slope * along[1] - along[0])
    error_px = math.hypot(found.standard_error_px, nudge_error_px, MODEL_ERROR_PX)
    if px < 1.0 or px > REACH_PX - 1 or error_px > MOST_ERROR * px:
        raise PointerNotSeen(UNTOLD)
    return Length(px=px, standard_error_px=error_px)


def _room_behind(view: View, edge: Edge) -> Box:
    """Widen the pointer's box with room for the shim on the side away from the rim, within the picture."""
    x, y, width, height = edge.pointer_box
    back = -inward(view, edge) * REACH_PX
    right, bottom = max(0.0, float(back[0])), max(0.0, float(back[1]))
    left, top = min(0.0, float(back[0])), min(0.0, float(back[1]))
    x0, y0 = max(0, x + round(left)), max(0, y + round(top))
    x1, y1 = (
        min(view.image_size[0], x + width + round(right)),
        min(view.image_size[1], y + height + round(bottom)),
    )
    return x0, y0, x1 - x0, y1 - y0


def _changed(old: GreyArray, new: GreyArray) -> BoolArray:
    """Mark the largest piece that differs by more than the noise, and a little round it."""
    difference = cv2.GaussianBlur(new - old, (0, 0), 1.0)
    size = np.abs(difference)
    noise = max(1.4826 * float(np.median(size)), 0.5)
    marked = (size > max(4.0 * noise, 0.1 * float(size.max()))).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(marked, connectivity=8)
    if count < 2:
        raise PointerNotSeen(
            "nothing moved at the pointer between the two pictures; "
            "give the one without the shim first, then the one with it"
        )
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    piece = (labels == largest).astype(np.uint8)
    return np.asarray(cv2.dilate(piece, np.ones((5, 5), np.uint8)) > 0)


def _shifted(patch: GreyArray | FloatArray, along: tuple[float, float], px: float) -> FloatArray:
    matrix = np.array([[1.0, 0.0, px * along[0]], [0.0, 1.0, px * along[1]]])
    size = (patch.shape[1], patch.shape[0])
    moved = cv2.warpAffine(patch, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(moved, dtype=np.float64)


def _nudge(old: GreyArray, new: GreyArray, along: tuple[float, float]) -> tuple[float, float]:
    """Shift of a patch along a direction and its standard error [px]: Gauss–Newton, what doesn't fit weighs little."""
    px = 0.0
    for _ in range(15):
        moved = _shifted(old, along, px)
        by_v, by_u = np.gradient(moved)
        slope = -np.asarray(along[0] * by_u + along[1] * by_v)
        rest = new - moved
        noise = max(1.4826 * float(np.median(np.abs(rest))), 0.5)
        weight = np.clip(1.0 - (rest / (6.0 * noise)) ** 2, 0.0, None) ** 2
        information = max(float((weight * slope**2).sum()), 1e-9)
        step = float(np.clip((weight * slope * rest).sum() / information, -1.0, 1.0))
        px += step
        if abs(step) < 1e-3:
            break
    # JPEG correlates neighbours, which doubles the error that independent pixels would give.
    return px, 2.0 * noise / math.sqrt(information)


MOST_FRAMES, MOST_BYTES = 60, 200_000_000
MOST_CHANGE = 12.0
"""Grey levels by which a place may differ from the beginning of a take to its end, light that changes apart."""


def resting_picture(path: Path, view: View, what: str) -> Picture:
    """Mean (h, w, 3) of the first frames of a take, in which pointer and rim must not move; a picture as it is.

    Raises
    ------
    BadFile, FrameTrouble
        It can't be read.
    BadInput
        It is of another size than the view, or something moved at pointer or rim.
    """
    if not path.is_dir() and (path.suffix.lower() in PICTURE_ENDINGS or not path.exists()):
        picture = read_picture(path)
        check_size(picture, view, what)
        return picture
    with open_source(str(path)) as source:
        coming = (frame.image for frame in source)
        first = next(coming, None)
        if first is None:
            raise FrameTrouble(str(path), "there are no frames in it")
        check_size(first, view, f"{what} ({path})")
        room = max(MOST_BYTES // first.nbytes, 1)
        frames = [first, *itertools.islice(coming, min(MOST_FRAMES, room) - 1)]
    middle = max(len(frames) // 2, 1)
    early, late = (
        np.asarray(np.mean(part, axis=0, dtype=np.float64)) for part in (frames[:middle], frames[-middle:])
    )
    if any(_moved(early, late, box) for edge in view.edges for box in (edge.pointer_box, edge.rim_box)):
        raise BadInput(
            f"{what} ({path}): the pointer or the rim moved during this take; let wheel, pointer and camera rest, "
            "and take it again"
        )
    return np.asarray(np.clip((early + late) / 2.0 + 0.5, 0, 255), dtype=np.uint8)


def _moved(early: FloatArray, late: FloatArray, box: Box) -> bool:
    x, y, width, height = box
    change = (late - early)[y : y + height, x : x + width]
    smooth = cv2.GaussianBlur(change - np.median(change, axis=(0, 1)), (0, 0), 1.0)
    return bool(np.abs(smooth).max() > MOST_CHANGE)
