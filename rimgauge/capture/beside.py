"""The rim's edge above and below its box, for where something stands behind it just at the pointer.

A hub seen past the rim, or spokes that run close along it, may be what stands out in the box, while a little farther
along the rim its edge shows plainly. The rim is stiff: what its edge does on both sides it does between.
"""

from __future__ import annotations

import numpy as np

from rimgauge.capture.edge import LEAST_QUALITY
from rimgauge.capture.follower import Cut, EdgeFollower, Place
from rimgauge.capture.patch import Patch
from rimgauge.errors import RimNotSeen
from rimgauge.records import BoolArray, Edge, View

REACH = 2.0
"""So many times the box's length the rim is looked at on either side: 20 mm of it, over which its shape hardly bends."""
LEAST_ROWS = 24
"""Fewer rows on a side show no edge."""
SURE_PX = 0.04
"""An edge that is surer than that is followed in its box: on drawn wheels it usually is three times as sure."""
SURER, MOST_UNSURE_PX = 0.75, 0.2
"""Beside the box it must be so much surer, and as sure as edges are."""
LEAST_APART_PX, LEAST_APART_SHARE = 0.3, 0.004
"""Where both tell the same to that, or to such a share of the box's length where that is more, the box is read: a rim's bends
between its rows and those beside it come to less, and are as much larger as the picture is (0.0027 in a ray-traced view)."""


def with_rows_beside(pointer: Patch, rim: Patch, view: View) -> Place:
    """The place of an edge with rows beside its box, as far as the picture goes."""
    x, y, width, height = rim.box
    start, size, end = (x, width, view.image_size[0]) if rim.transposed else (y, height, view.image_size[1])
    reach = round(REACH * size)
    before, after = min(start, reach), min(end - start - size, reach)
    return Place(pointer, rim.rows(-before, size + after), (before, before + size))


def surest_follower(view: View, edge: Edge, place: Place, cut: Cut) -> EdgeFollower:
    """Follow the edge in its box, or by the rows on both sides of it alone where it isn't sure there and far surer in these.

    Raises
    ------
    RimNotSeen
        No edge can be followed in the box.
    """
    of_box = place.of_box()
    near = EdgeFollower(view, edge, of_box, of_box.own(cut))
    rows = _beside(place)
    if near.usual_error_px <= SURE_PX or rows is None:
        return near
    try:
        beside = EdgeFollower(view, edge, place, cut, rows)
    except RimNotSeen:
        return near
    surer = beside.usual_error_px <= min(SURER * near.usual_error_px, MOST_UNSURE_PX)
    first, end = place.box_rows
    by_bends_px = max(LEAST_APART_PX, LEAST_APART_SHARE * (end - first))
    return beside if surer and _apart_px(near, beside) > by_bends_px else near


def _apart_px(near: EdgeFollower, beside: EdgeFollower) -> float:
    """By how much two readings of the same frames differ but for what is alike in all (standard deviation)."""
    told = (near.sample.quality >= LEAST_QUALITY) & (beside.sample.quality >= LEAST_QUALITY)
    apart = (near.sample.place_px - beside.sample.place_px)[told]
    return float(np.std(apart)) if len(apart) else np.inf


def _beside(place: Place) -> BoolArray | None:
    """Rows (rows,) of the place that aren't the box's, None where a side has too few."""
    first, end = place.box_rows
    rows = np.ones(place.rim.shape[0], dtype=bool)
    rows[first:end] = False
    return rows if min(first, len(rows) - end) >= LEAST_ROWS else None
