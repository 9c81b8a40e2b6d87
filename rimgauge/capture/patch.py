"""A box of the picture, turned so that u runs from the pointer into the rim and v along the rim's edge."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from rimgauge.capture.mixture import mixed
from rimgauge.errors import BadInput
from rimgauge.records import Box, Edge, FloatArray, View

GreyArray = NDArray[np.float32]
_Place = TypeVar("_Place", float, FloatArray)


@dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """The turned box: picture x, y = origin + u·u_step + v·v_step, with steps of one pixel along an axis.

    The turn is by whole quarter turns only, so that no pixel is ever interpolated; what is left of the
    view's tilt is the slope of the edge in the patch.
    """

    box: Box
    transposed: bool
    flipped: bool

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        _, _, width, height = self.box
        return (width, height) if self.transposed else (height, width)

    def rows(self, first: int, end: int) -> Patch:
        """The patch of some of the rows, from the first to the one before the end."""
        x, y, width, height = self.box
        if self.transposed:
            return replace(self, box=(x + first, y, end - first, height))
        return replace(self, box=(x, y + first, width, end - first))

    def cut(self, image: NDArray[np.uint8], margin_px: int = 0) -> GreyArray:
        """Cut the box out of a BGR picture as grey levels (rows v, columns u), with a margin round it.

        Beyond the picture its border is repeated.
        """
        return self.levels(self.crop(image, margin_px))

    def crop(self, image: NDArray[np.uint8], margin_px: int) -> NDArray[np.uint8]:
        """The box as it stands in a BGR picture, with a margin round it, its border repeated beyond the picture."""
        x, y, width, height = self.box
        left, top = max(0, x - margin_px), max(0, y - margin_px)
        seen = image[top : y + height + margin_px, left : x + width + margin_px]
        above, before = margin_px - (y - top), margin_px - (x - left)
        below = height + 2 * margin_px - above - seen.shape[0]
        after = width + 2 * margin_px - before - seen.shape[1]
        if above or below or before or after:
            seen = np.pad(seen, ((above, below), (before, after), (0, 0)), mode="edge")
        return seen

    def levels(self, cropped: NDArray[np.uint8], mixture: FloatArray | None = None) -> GreyArray:
        """Brightness of what was cropped, or another mixture of its colours, turned to rows v and columns u."""
        grey = mixed(cropped, mixture)
        turned = grey.T if self.transposed else grey
        return np.ascontiguousarray(turned[:, ::-1] if self.flipped else turned)

    def to_picture(self, u: _Place, v: _Place) -> tuple[_Place, _Place]:
        """Picture x, y of a place in the patch."""
        x, y, width, height = self.box
        along = (height if self.transposed else width) - 1 - u if self.flipped else u
        return (x + v, y + along) if self.transposed else (x + along, y + v)

    def to_patch(self, x: float, y: float) -> tuple[float, float]:
        """Place in the patch of a picture x, y."""
        left, top, width, height = self.box
        u, v = (y - top, x - left) if self.transposed else (x - left, y - top)
        return ((height if self.transposed else width) - 1 - u if self.flipped else u), v

    def turn(self, direction: FloatArray) -> tuple[float, float]:
        """Components along u and v of a direction in the picture."""
        x, y = float(direction[0]), float(direction[1])
        u, v = (y, x) if self.transposed else (x, y)
        return (-u if self.flipped else u), v


def inward(view: View, edge: Edge) -> FloatArray:
    """Unit vector in the picture from the pointer to the rim: a pointer on the right or outside faces −positive."""
    return view.positive if edge.side == "left" else -view.positive


def patch_of(view: View, edge: Edge, box: Box) -> Patch:
    """Turn a box of an edge so that u grows from the pointer into the rim."""
    x, y = inward(view, edge)
    transposed = bool(abs(y) > abs(x))
    return Patch(box, transposed, bool((y if transposed else x) < 0.0))


def with_boxes(view: View, size: tuple[int, int], changed: Callable[[Box], Box]) -> View:
    """The view of pictures of another size (width, height), each of its boxes changed alike."""
    mark, spokes, tags = (
        None if box is None else changed(box) for box in (view.mark_box, view.spoke_box, view.tag_box)
    )
    return replace(
        view,
        image_size=size,
        edges=tuple(
            replace(edge, pointer_box=changed(edge.pointer_box), rim_box=changed(edge.rim_box))
            for edge in view.edges
        ),
        mark_box=mark,
        spoke_box=spokes,
        tag_box=tags,
    )


def check_boxes(view: View) -> None:
    """Refuse boxes that don't lie in the picture, with the box named."""
    width, height = view.image_size
    boxes: list[tuple[str, Box]] = []
    for number, edge in enumerate(view.edges):
        boxes += [
            (f"edges[{number}].pointer_box", edge.pointer_box),
            (f"edges[{number}].rim_box", edge.rim_box),
        ]
    boxes += [
        (n, b)
        for n, b in (("mark_box", view.mark_box), ("spoke_box", view.spoke_box), ("tag_box", view.tag_box))
        if b is not None
    ]
    for name, (x, y, w, h) in boxes:
        if min(x, y) < 0 or min(w, h) < 8 or x + w > width or y + h > height:
            raise BadInput(
                f"{name} [{x}, {y}, {w}, {h}] does not lie inside the picture of {width} × {height} pixels "
                "or is under 8 pixels wide; run aim again"
            )
