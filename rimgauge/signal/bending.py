"""What a lens that nobody calibrated does to a length: its scale changes from place to place in the picture.

With radial distortion k₁ a point at x (from the middle, in focal lengths) is seen at x·(1 + k₁·|x|²); along a unit
vector d lengths there are 1 + k₁·q times as long, q = |x|² + 2·(x·d)² (derivative of it, derived; Brown, Photogramm.
Eng. 32 (1966) 444, from memory).
"""

from __future__ import annotations

import math

import numpy as np

from rimgauge.records import USUAL_FOCAL, Edge, FloatArray, View, middle_px

USUAL_BEND = 0.3 / math.sqrt(3.0)
"""k₁ of a webcam or phone lies within ± 0.3 (a judgement, rectangular; OpenCV's sample photographs have −0.28)."""
LENS_LINE = "lens that wasn't calibrated"


def edge_place(view: View, edge: Edge) -> tuple[FloatArray, float]:
    """Place (2,) of a rim's edge, and its standard uncertainty along the measuring direction [px].

    It stands between the middle of its box and the side that faces the pointer, anywhere alike.
    """
    _, _, width, height = edge.rim_box
    outward = -view.positive if edge.side == "left" else view.positive
    half_px = 0.5 * (height if abs(outward[1]) > abs(outward[0]) else width)
    return middle_px(edge.rim_box) + 0.5 * half_px * outward, half_px / (2.0 * math.sqrt(3.0))


def lens_share(view: View, edge: Edge) -> float:
    """Relative standard uncertainty of a runout read at an edge; 0 where the view knows its lens.

    The scale holds for the place at which the edge is expected; it runs somewhere near: q changes by 6·x·d for
    each focal length along d, and by 3 times the square beyond that.
    """
    if view.lens is not None:
        return 0.0
    focal_px = _focal_px(view)
    place, unsure_px = edge_place(view, edge)
    along, off = float(_from_middle(view, place[None])[0] @ view.positive) / focal_px, unsure_px / focal_px
    return USUAL_BEND * math.hypot(6.0 * along * off, 3.0 * off**2)


def length_share(
    view: View, start: FloatArray, end: FloatArray, bend: tuple[float, float] | None = None
) -> float:
    """Relative standard uncertainty of the scale by a length between two points (2,): it is the mean over them.

    0 where the view knows its lens. bend: k₁/f² and its standard error [px⁻²] where straight edges show it: what is
    usual and what they show are weighed together (Bayes' theorem for Gaussians), and all of it counts as unsure.
    """
    if view.lens is not None:
        return 0.0
    points = start + np.linspace(0.0, 1.0, 41)[:, None] * (end - start)
    here = np.array([edge_place(view, edge)[0] for edge in view.edges])
    k1 = USUAL_BEND
    if bend is not None:
        seen, error = (each * _focal_px(view) ** 2 for each in bend)
        sure = 1.0 / USUAL_BEND**2 + 1.0 / error**2
        k1 = math.hypot(seen / error**2 / sure, 1.0 / math.sqrt(sure))
    return k1 * abs(float(_longer(view, points).mean() - _longer(view, here).mean()))


def _longer(view: View, places: FloatArray) -> FloatArray:
    """Q (n,) at places (n, 2) x, y [px]."""
    x = _from_middle(view, places) / _focal_px(view)
    return np.asarray((x**2).sum(axis=1) + 2.0 * (x @ view.positive) ** 2)


def _from_middle(view: View, places: FloatArray) -> FloatArray:
    return np.asarray(places - (np.array(view.image_size) - 1.0) / 2.0)


def _focal_px(view: View) -> float:
    return USUAL_FOCAL * view.image_size[0]
