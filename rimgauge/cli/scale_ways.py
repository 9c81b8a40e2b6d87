"""The ways in which `rimgauge scale` tells millimetres from pixels: each takes what was given, and gives a scale."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING

from rimgauge.errors import BadInput, PointerNotSeen, ScaleMissing

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from rimgauge.capture.targets import Length
    from rimgauge.cli.scale_picture import Still
    from rimgauge.records import CameraPlace, FloatArray, View
    from rimgauge.signal.scale import ScaleResult


def by_board(view: View, picture: Still, square_mm: float, distance_mm: float | None) -> ScaleResult:
    """Take it from a checkerboard of squares of that side, which tells the camera's place too."""
    from dataclasses import replace

    import numpy as np

    from rimgauge.capture.camera_place import camera_place
    from rimgauge.capture.targets import find_corners, squares_px
    from rimgauge.signal.scale import scale_from_squares
    from rimgauge.signal.standing import board_and_ruler

    corners = find_corners(_picture(picture, view), picture.name)
    squares = squares_px(corners, view)
    doubts: tuple[str, ...] = ()
    camera = camera_place(corners, square_mm, view)
    if distance_mm is not None:
        together = camera_place(corners, square_mm, view, distance_mm)
        camera, doubts = board_and_ruler(camera, together, distance_mm)
    found = scale_from_squares(
        square_mm,
        np.array([square.px for square in squares]),
        np.array([square.standard_error_px for square in squares]),
        np.array([square.place_error_px for square in squares]),
        camera,
    )
    return replace(found, doubts=doubts)


def by_length(
    view: View,
    length_mm: float,
    start: FloatArray,
    end: FloatArray,
    picture: Still | None,
    camera: CameraPlace | None,
) -> ScaleResult:
    """Take it from two points, or from the straight edges near them in a picture."""
    from rimgauge.capture.ends import between_edges
    from rimgauge.signal.scale import scale_from_points

    sharpened = None
    if picture is not None and not bool((start == end).all()):
        found = between_edges(_picture(picture, view), start, end, picture.name)
        sharpened = (found.px, found.standard_error_px)
    return scale_from_points(
        length_mm, start, end, view, camera=camera, sharpened=sharpened, stretch=_stretch(view, start, end)
    )


def by_card(view: View, picture: Still, camera: CameraPlace | None) -> ScaleResult:
    """Take it from a bank card that is found in the picture, its short side along the way the rim strays."""
    from rimgauge.capture.card import card_px
    from rimgauge.capture.targets import find_corners
    from rimgauge.signal.scale import CARD_MM, CARD_SPREAD_MM, edge_place

    image, (place, _) = _picture(picture, view), edge_place(view)
    with contextlib.suppress(ScaleMissing):  # as it should be: a sheet of squares has outlines like a card's
        find_corners(image, picture.name)
        raise BadInput(f"{picture.name} shows a checkerboard; name it with --checkerboard and --square-mm")
    found, middle = card_px(image, view.positive, place, picture.name)
    return _across(view, CARD_MM, CARD_SPREAD_MM, found, middle, "card", camera)


def by_coin(view: View, picture: Still, coin_mm: float, camera: CameraPlace | None) -> ScaleResult:
    """Take it from a coin of that diameter that is found in the picture."""
    from rimgauge.capture.coin import find_coin
    from rimgauge.signal.scale import COIN_DEPTH_MM, COIN_MM

    coin = find_coin(_picture(picture, view), view.positive, picture.name)
    return _across(view, coin_mm, COIN_MM, coin.across, coin.middle, "coin", camera, depth_mm=COIN_DEPTH_MM)


def by_rim(
    view: View, rim_mm: float, start: FloatArray, end: FloatArray, picture: Still, camera: CameraPlace | None
) -> ScaleResult:
    """Take it from the rim's own width, between the edges nearest to two points in a picture."""
    from rimgauge.capture.ends import between_edges
    from rimgauge.signal.scale import RIM_DEPTH_MM, RIM_MM, scale_from_points

    if view.direction != "lateral":
        raise BadInput("--rim-mm goes with a lateral view, which shows both edges of the rim")
    found = between_edges(_picture(picture, view), start, end, picture.name, nearest=True)
    return scale_from_points(
        rim_mm,
        start,
        end,
        view,
        method="rim",
        length_error_mm=RIM_MM,
        depth_mm=RIM_DEPTH_MM,
        camera=camera,
        sharpened=(found.px, found.standard_error_px),
        stretch=_stretch(view, start, end),
    )


def by_shim(
    view: View, shim_mm: float, pictures: tuple[Path, ...], camera: CameraPlace | None
) -> ScaleResult:
    """Take it from how far a shim moved the pointer between two pictures."""
    import numpy as np

    from rimgauge.capture.shim import pointer_moved_px, resting_picture
    from rimgauge.records import middle_px
    from rimgauge.signal.bending import length_share
    from rimgauge.signal.scale import scale_from_shim

    if len(pictures) != 2:
        raise BadInput(
            "--shim-mm needs two pictures or short takes: one before the shim was put in, one after"
        )
    before, after = (
        resting_picture(path, view, f"the take {when}")
        for path, when in zip(pictures, ("before", "after"), strict=True)
    )
    moves: list[tuple[Length, FloatArray]] = []
    for edge in view.edges:
        try:
            moves.append((pointer_moved_px(before, after, view, edge), middle_px(edge.pointer_box)))
        except PointerNotSeen:  # with two pointers, one may have been left where it was
            if edge is view.edges[-1] and not moves:
                raise
    stretch = np.array([_stretch(view, middle, middle + view.positive) for _, middle in moves])
    return scale_from_shim(
        shim_mm,
        np.array([move.px for move, _ in moves]) * stretch,
        np.array([move.standard_error_px for move, _ in moves]) * stretch,
        camera,
        max(length_share(view, middle, middle) for _, middle in moves),
    )


def _picture(picture: Still, view: View) -> NDArray[np.uint8]:
    """Give a picture that the view's camera took."""
    from rimgauge.capture.targets import check_size

    check_size(picture.image, view, picture.name)
    return picture.image


def _across(
    view: View,
    length_mm: float,
    error_mm: float,
    found: Length,
    middle: FloatArray,
    method: str,
    camera: CameraPlace | None,
    **depth: float,
) -> ScaleResult:
    """Take it from a length that lies along the measuring direction about its middle (2,)."""
    from rimgauge.signal.scale import scale_from_points

    half = 0.5 * found.px * view.positive
    return scale_from_points(
        length_mm,
        middle - half,
        middle + half,
        view,
        method=method,
        length_error_mm=error_mm,
        camera=camera,
        sharpened=(found.px, found.standard_error_px),
        stretch=_stretch(view, middle - half, middle + half),
        bend=found.bend,
        **depth,
    )


def _stretch(view: View, start: FloatArray, end: FloatArray) -> float:
    """How much longer a length between two points would be seen at the rim's edge, through a lens that is known."""
    import numpy as np

    from rimgauge.capture.lens import along_px
    from rimgauge.signal.scale import edge_place

    seen = float((end - start) @ view.positive)
    if view.lens is None or seen == 0.0:
        return 1.0
    return float(np.diff(along_px(view, np.stack([start, end]), edge_place(view)[0]))[0]) / seen
