"""What stands out in a film, and what hides in its brightness: the rim beside what shimmers, a pointer's colour, far spokes."""

from dataclasses import replace

import numpy as np
import pytest

from rimgauge.capture import aim as aiming
from rimgauge.capture.aim import Hints, aim
from rimgauge.capture.aim_facing import find_facings
from rimgauge.capture.aim_look import look_still
from rimgauge.capture.aim_motion import find_spoke_box
from rimgauge.capture.aim_rim import find_course
from tests.frames.test_aim_facing import BAR, ROW_PX, TIP_PX, X, Y, box, film, seen_from

NEAR_PX = 3.0


def changed(frames, change):
    """The frames with something added to each, change(k) in grey levels."""
    return [
        replace(f, image=(f.image + change(k)).round().clip(0, 255).astype(np.uint8))
        for k, f in enumerate(frames)
    ]


def test_what_shimmers_along_part_of_the_picture_stands_out_less_than_the_rim():
    """A lit pointer's grain changes as a rim's outline does that moves; its flanks go on as a faint stripe of the wall."""
    lit, stripe = box(-9.0, TIP_PX, 100.0, 140.0), box(TIP_PX, 999.0, 100.0, 140.0)
    rng = np.random.default_rng(5)
    frames = changed(
        film([(lit, 250.0), (stripe, 196.0)], rim=140.0, end_px=214.0)[:30],
        lambda _: (4.0 * lit * rng.normal(size=X.shape))[..., None],
    )
    stills = look_still(frames)
    rim, along = (find_course(still, frames) for still in (stills[0], stills[2]))
    assert rim.strength > 2.0 * along.strength


def test_where_what_brightness_shows_is_no_pointer_a_single_colour_is_asked(monkeypatch):
    """A strip as bright as the wall; by brightness something is found where nothing is."""
    yellow = box(-9.0, TIP_PX, 104.0, 136.0)[..., None] * (-120.0, 15.5, 15.5)
    frames = changed(film([], rim=90.0)[:24], lambda _: yellow)
    (facing,) = aiming._facings(frames, Hints())
    monkeypatch.setattr(aiming, "_facings", lambda *_, **__: [replace(facing, tip=(facing.tip[0], 40.0))])
    assert aim(frames, "lateral", None, Hints(runs="up")).tip_px == pytest.approx(
        (TIP_PX, ROW_PX), abs=NEAR_PX
    )


def spoke_box_px(frames, first_px=0):
    """From and to which column the spokes' box reaches, of frames without their first columns."""
    frames = seen_from(frames, first_px)
    (facing,) = find_facings(frames, (TIP_PX - first_px, ROW_PX), None)
    view = aiming._view(facing, "lateral", "right", forward=(0.0, 1.0), mark=None)
    x, _, width, _ = find_spoke_box(frames, facing, view)
    return x + first_px, x + first_px + width


def passed(frames, greys):
    """The frames with lines of so many grey levels less (rows, columns) that pass."""
    return changed(frames, lambda k: -(greys * ((Y + 7.0 * k) % 60.0 < 5.0))[..., None])


@pytest.mark.parametrize(("near_greys", "nearest"), [(30.0, True), (4.0, False)])
def test_spokes_are_looked_for_nearest_to_the_rim_where_they_are_about_as_clear(near_greys, nearest):
    greys = 40.0 * (X < 80.0) + near_greys * (X >= 80.0) * (X < TIP_PX - 10.0)
    low, high = spoke_box_px(passed(film([BAR])[:24], greys))
    assert (low, high) == (140, 193) if nearest else high < 100


@pytest.mark.parametrize(("first_px", "greys_to_px", "low_px"), [(145, 180.0, 145), (0, 40.0, 4)])
def test_places_beside_a_tip_near_the_border_and_at_the_border_itself_are_looked_at(
    first_px, greys_to_px, low_px
):
    low, _ = spoke_box_px(passed(film([BAR])[:24], 30.0 * (greys_to_px > X)), first_px)
    assert low == low_px
