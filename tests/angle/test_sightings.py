"""The mark's sightings as measurements: what a length that was told too short does, and what it must not do."""

from dataclasses import replace

import numpy as np
from numpy.testing import assert_allclose

from rimgauge.signal import Layout
from rimgauge.signal.sightings import LEAN_SD, MarkLearnt, learn_mark, mark_says, outward_deg
from rimgauge.signal.smooth_curve import SmoothCurve
from tests.seen import edge_track, gap_track

TIME_S = np.arange(200) / 30.0
ANGLE_DEG = 127.0 * TIME_S - 41.0
PX_PER_DEG = 45.0
SHORT_DEG = 1.2
"""Half of what the mark is longer by than was thought."""
LAYOUT = Layout(spoke_angles_deg=np.arange(32) * 11.25, px_per_deg=PX_PER_DEG)


def seen(*, coming_in):
    """A wheel turning at 4° a frame whose mark is only ever seen cut, as it leaves and perhaps as it comes in."""
    place_deg = (ANGLE_DEG + 180.0) % 360.0 - 180.0
    leaves, comes = (np.abs(place_deg - at) < 1.8 for at in (3.5, -3.5))
    mark_deg = np.where(leaves, place_deg - SHORT_DEG, np.nan)
    if coming_in:
        mark_deg = np.where(comes, place_deg + SHORT_DEG, mark_deg)
    return gap_track(
        TIME_S,
        edge_track(np.zeros(len(TIME_S)), 0.05),
        mark_px=mark_deg * PX_PER_DEG,
        mark_strength=np.where(np.isfinite(mark_deg), 0.4, 0.0),
    )


def test_a_mark_that_comes_in_and_leaves_tells_its_own_length():
    track = seen(coming_in=True)
    curve = SmoothCurve.over(TIME_S, 0.1)
    begun_deg, learnt = ANGLE_DEG + 0.7, MarkLearnt()
    for _ in range(4):
        normal, right, sd_deg = mark_says(track, LAYOUT, begun_deg, learnt, 0.0, curve)
        begun_deg = curve.fit_with(normal, right, 3.0).values()
        learnt = learn_mark(track, LAYOUT, begun_deg, learnt)
    assert_allclose(begun_deg, ANGLE_DEG, rtol=0.0, atol=0.2)
    assert_allclose(learnt.longer_deg, SHORT_DEG, rtol=0.0, atol=0.3)
    assert sd_deg < 0.5


def test_a_mark_that_is_only_seen_as_it_leaves_is_as_unsure_as_its_length():
    _, _, sd_deg = mark_says(
        seen(coming_in=False), LAYOUT, ANGLE_DEG, MarkLearnt(), 0.0, SmoothCurve.over(TIME_S, 0.1)
    )
    assert sd_deg > SHORT_DEG


def test_a_mark_that_lies_farther_out_is_as_unsure_as_a_camera_may_look_askew():
    """On a tyre 20 mm outside a rim of 300 mm, 200 mm from the camera, seen by one that looks one LEAN_SD askew."""
    out_mm, radius_mm, distance_mm = 20.0, 300.0, 200.0
    longer = (1.0 + out_mm / radius_mm) * distance_mm / (distance_mm - out_mm)
    layout = replace(LAYOUT, radius_by_distance=radius_mm / distance_mm)
    seen_beside_deg = np.degrees(out_mm * LEAN_SD / radius_mm)
    assert_allclose(outward_deg(layout, longer), seen_beside_deg, rtol=0.25)
    # The radius is seldom known better than to 4 %, so that a mark beside the edge seems to lie a little beyond it.
    assert 0.0 < outward_deg(layout, 1.0) < 0.4 * seen_beside_deg
