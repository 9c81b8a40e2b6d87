"""view.json: where things are in the picture; and lens.json: what a camera's lens does."""

from __future__ import annotations

import math
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from rimgauge.records import (
    Box,
    CameraPlace,
    Direction,
    Edge,
    FloatArray,
    Lens,
    Scale,
    Side,
    View,
    scale_trouble,
)

from .reader import FileFormat, Reader, read_json, write_json

_SIDES: dict[Direction, tuple[Side, ...]] = {"lateral": ("right", "left"), "radial": ("outer",)}
_UNIT_WITHIN = 1e-3
"""A direction longer or shorter than this would be a scale error of as much."""
_DISTORTION_COUNTS = (4, 5, 8, 12, 14)
"""The numbers of coefficients that OpenCV's camera model takes."""


def view_fields(view: View) -> dict[str, Any]:
    """List the fields of a view as they stand in the file, format and version apart."""
    return {
        "direction": view.direction,
        "image_size": list(view.image_size),
        "positive": view.positive.tolist(),
        "forward": view.forward.tolist(),
        "edges": [
            {"side": edge.side, "pointer_box": list(edge.pointer_box), "rim_box": list(edge.rim_box)}
            for edge in view.edges
        ],
        "mark_box": _listed(view.mark_box),
        "mark_to_pointer_deg": view.mark_to_pointer_deg,
        "spoke_box": _listed(view.spoke_box),
        "scale": view.scale and asdict(view.scale),
        "lens": view.lens and lens_fields(view.lens),
        "tag_box": _listed(view.tag_box),
    }


def lens_fields(lens: Lens) -> dict[str, Any]:
    """List the fields of a lens as they stand in a view or in a file of its own."""
    return {
        "camera_matrix": lens.camera_matrix.tolist(),
        "distortion": lens.distortion.tolist(),
        "rms_px": lens.rms_px,
    }


def _listed(box: Box | None) -> list[int] | None:
    return None if box is None else list(box)


def parse_view(view: Reader) -> View:
    """Read a view from its fields, wherever they stand."""
    direction: Direction = view["direction"].choice("lateral", "radial")
    tags = view.get("tag_box")
    size = _image_size(view)
    positive, forward = _unit(view["positive"]), _unit(view["forward"])
    if abs(np.dot(positive, forward)) > 0.95:
        view["forward"].fail(
            "points along `positive`, but the rim passes the pointer across the way it strays"
        )
    return View(
        direction=direction,
        image_size=size,
        positive=positive,
        forward=forward,
        edges=_edges(view["edges"], direction, size),
        mark_box=view["mark_box"].or_none(lambda place: place.box(size)),
        mark_to_pointer_deg=view["mark_to_pointer_deg"].or_none(
            lambda place: place.number(least=-360, most=360)
        ),
        spoke_box=view["spoke_box"].or_none(lambda place: place.box(size)),
        scale=view["scale"].or_none(lambda place: _scale(place, size)),
        lens=view["lens"].or_none(parse_lens),
        tag_box=None if tags is None else tags.or_none(lambda place: place.box(size)),
    )


def _image_size(fields: Reader) -> tuple[int, int]:
    width, height = (side.whole(least=1) for side in fields["image_size"].items(least=2, most=2))
    return width, height


def _unit(place: Reader) -> FloatArray:
    values = place.numbers(length=2)
    length = math.hypot(*values)
    if abs(length - 1) > _UNIT_WITHIN:
        place.fail(f"must be a direction of length 1, not {length:.4g}")
    return np.array(values)


def _edges(place: Reader, direction: Direction, size: tuple[int, int]) -> tuple[Edge, ...]:
    edges: list[Edge] = []
    for item in place.items(least=1, most=2):
        side = item["side"].choice(*_SIDES[direction])
        if side in [edge.side for edge in edges]:
            item["side"].fail(f'is "{side}" a second time; each side has one pointer')
        edges.append(
            Edge(side=side, pointer_box=item["pointer_box"].box(size), rim_box=item["rim_box"].box(size))
        )
    return tuple(edges)


def _scale(place: Reader, image_size: tuple[int, int]) -> Scale:
    camera = place.get("camera")
    mm_per_px = place["mm_per_px"].number(above=0)
    trouble = scale_trouble(mm_per_px, image_size)
    if trouble:
        place["mm_per_px"].fail(
            f"can't be {mm_per_px:.4g}: {trouble}; take the scale anew with rimgauge scale"
        )
    return Scale(
        mm_per_px=mm_per_px,
        standard_uncertainty_mm_per_px=place["standard_uncertainty_mm_per_px"].number(least=0),
        method=place["method"].text(),
        camera=None if camera is None else camera.or_none(_camera),
    )


def _camera(place: Reader) -> CameraPlace:
    return CameraPlace(
        distance_mm=place["distance_mm"].number(above=0),
        distance_standard_uncertainty_mm=place["distance_standard_uncertainty_mm"].number(least=0),
        crosstalk=place["crosstalk"].number(least=-10, most=10),
        crosstalk_standard_uncertainty=place["crosstalk_standard_uncertainty"].number(least=0),
        focal_px=place["focal_px"].number(above=0),
    )


def parse_lens(place: Reader) -> Lens:
    """Read a lens from its fields, wherever they stand."""
    rows = [row.numbers(length=3) for row in place["camera_matrix"].items(least=3, most=3)]
    if not (rows[0][0] > 0 and rows[1][1] > 0 and rows[2] == [0, 0, 1]):
        place["camera_matrix"].fail("must be [[fx, 0, cx], [0, fy, cy], [0, 0, 1]] with fx and fy above 0")
    distortion = place["distortion"].numbers()
    if len(distortion) not in _DISTORTION_COUNTS:
        place["distortion"].fail(f"must hold 4, 5, 8, 12 or 14 numbers, not {len(distortion)}")
    return Lens(
        camera_matrix=np.array(rows), distortion=np.array(distortion), rms_px=place["rms_px"].number(least=0)
    )


def write_lens(path: Path, lens: Lens, image_size: tuple[int, int]) -> None:
    """Write what a lens does to pictures of one size, for whoever has a use for it; raises what write_json does."""
    fields = {"image_size": list(image_size), **lens_fields(lens)}
    write_json(path, "rimgauge-lens", fields, lambda place: (_image_size(place), parse_lens(place)))


_FORMAT = FileFormat("rimgauge-view", view_fields, parse_view)
read_view, write_view = _FORMAT.read, _FORMAT.write


def read_lens(path: Path) -> tuple[Lens, tuple[int, int]]:
    """Read what a lens does, and the width and height of the pictures it was found in; raises BadFile."""
    fields = read_json(path, "rimgauge-lens")
    return parse_lens(fields), _image_size(fields)
