"""Which end is the pointer's tip, and which edge the rim's, in films made by hand: a rim at 200.5 px that strays, 240 rows."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import ndtr

from rimgauge.capture import aim, aim_facing, aim_tip
from rimgauge.capture.aim_facing import find_facings
from rimgauge.capture.aim_look import look_still
from rimgauge.capture.aim_pointer import End, find_ends
from rimgauge.capture.aim_rim import Course, find_course
from rimgauge.capture.aim_trial import _tip_off, _with_the_rim
from rimgauge.capture.pointer import find_tip
from rimgauge.capture.sources import Frame
from rimgauge.errors import NotTrustworthy, PointerNotSeen, RimNotSeen

X, Y = np.meshgrid(np.arange(320.0), np.arange(240.0))
EDGE_PX, TIP_PX, ROW_PX = 200.5, 190.0, 120.0
NEAR_PX = 1.5


def box(x0, x1, y0, y1):
    """Share of each pixel that lies in a box, a little blurred."""
    along = ndtr((X - x0) / 0.8) * ndtr((x1 - X) / 0.8)
    return along * ndtr((Y - y0) / 0.8) * ndtr((y1 - Y) / 0.8)


def film(things, strays_px=3.0, wall=180.0, rim=50.0, lip=None, end_px=999.0):
    """Frames of a wall, things (share of pixels, grey level) before it, and a rim before them all, 7 px of it a lip."""
    rng = np.random.default_rng(8)
    still = np.broadcast_to(wall, X.shape)
    for share, grey in things:
        still = still * (1.0 - share) + grey * share
    frames = []
    for k in range(60):
        share = ndtr((X - EDGE_PX - strays_px * np.sin(k / 7.0)) / 1.2)
        flank = ndtr((X - EDGE_PX - 7.0 - strays_px * np.sin(k / 7.0)) / 1.2)
        share = share * ndtr((end_px + strays_px * np.sin(k / 7.0) - X) / 1.2)
        front = rim if lip is None else lip * (1.0 - flank) + rim * flank
        grey = still * (1.0 - share) + front * share + rng.normal(0.0, 2.0, X.shape)
        image = np.repeat(grey.round().clip(0, 255)[..., None], 3, axis=2).astype(np.uint8)
        frames.append(Frame(k, k / 30.0, image))
    return frames


BAR = (box(-9.0, TIP_PX, 110.0, 130.0), 230.0)


def seen_from(frames, first_px):
    """The same frames without their first columns."""
    return [replace(frame, image=np.ascontiguousarray(frame.image[:, first_px:])) for frame in frames]


def in_picture(facing):
    return facing.still.patch.to_picture(*facing.tip)


@pytest.mark.parametrize("strays_px", [1.0, 4.0])
@pytest.mark.parametrize(
    "wall",
    [180.0 - 70.0 * ndtr((X - 150.0) / 1.2), 180.0 - 120.0 * box(168.0, 172.0, -9.0, 249.0)],
    ids=["a wall's corner", "a dark line"],
)
def test_a_clear_line_that_stands_still_is_none_of_the_rims_edges(wall, strays_px):
    frames = film([BAR], strays_px, wall)
    assert find_course(look_still(frames)[0], frames).outlines[0] == pytest.approx(EDGE_PX, abs=NEAR_PX)


def test_a_faint_bar_isnt_taken_for_a_pointer_whose_tip_ends_before_a_hub_like_it(monkeypatch):
    hub, pointer = (box(165.0, 330.0, 90.0, 150.0), 60.0), (box(-9.0, TIP_PX, 110.0, 130.0), 60.0)
    frames = film([hub, pointer, (box(-9.0, 180.0, 192.0, 206.0), 165.0)])
    with pytest.raises(PointerNotSeen, match="ends before something that is hardly brighter or darker"):
        find_facings(frames, None, None)
    monkeypatch.setattr(aim_facing, "_is_clearer", lambda *_: False)
    assert in_picture(find_facings(frames, None, None)[0])[1] == pytest.approx(199.0, abs=NEAR_PX)


def test_a_walls_stripes_that_go_on_under_the_rim_are_no_pointers_whose_end_cant_be_seen(monkeypatch):
    stripes = [(box(-9.0, 330.0, y, y + 14.0), 60.0) for y in (14.0, 50.0, 182.0, 214.0)]
    frames = film([*stripes, (box(-9.0, TIP_PX, 110.0, 130.0), 195.0)])
    assert in_picture(find_facings(frames, None, None)[0]) == pytest.approx((TIP_PX, ROW_PX), abs=NEAR_PX)
    monkeypatch.setattr(aim_facing, "MANY", 9)
    with pytest.raises(PointerNotSeen, match="ends before something that is hardly brighter or darker"):
        find_facings(frames, None, None)


def test_a_stain_on_one_of_many_stripes_beyond_the_rim_isnt_preferred_to_a_fainter_pointer(monkeypatch):
    stripes = [(box(230.0, 330.0, y, y + 14.0), 60.0) for y in (14.0, 50.0, 110.0, 182.0, 214.0)]
    stain, pointer = (box(245.0, 257.0, 50.0, 64.0), 120.0), (box(-9.0, TIP_PX, 110.0, 130.0), 165.0)
    frames = film([*stripes, stain, pointer], strays_px=1.0, end_px=240.0)
    (facing,) = find_facings(frames, None, None)
    assert in_picture(facing) == pytest.approx((TIP_PX, ROW_PX), abs=NEAR_PX)
    monkeypatch.setattr(aim_facing, "_is_stripe", lambda *_: False)
    assert in_picture(find_facings(frames, None, None)[0])[0] == pytest.approx(257.0, abs=NEAR_PX)


@pytest.mark.parametrize(
    ("askew_deg", "corner_deg"), [(0.0, 90.0), (3.0, 90.0), (8.0, 90.0), (12.0, 90.0), (4.0, 65.0)]
)
def test_a_corner_is_found_however_it_is_held(askew_deg, corner_deg):
    askew, u, v = np.radians(askew_deg), TIP_PX - X, Y - ROW_PX
    along, across = u * np.cos(askew) + v * np.sin(askew), v * np.cos(askew) - u * np.sin(askew)
    half = np.radians(corner_deg / 2.0)
    inside = ndtr((along * np.sin(half) - np.abs(across) * np.cos(half)) / 0.8)
    (facing,) = find_facings(film([(inside, 230.0)]), None, None)
    assert in_picture(facing) == pytest.approx((TIP_PX, ROW_PX), abs=NEAR_PX)


def test_a_walls_stripes_that_end_at_a_rims_faint_lip_are_no_pointers(monkeypatch):
    stripes = [(box(-9.0, 330.0, y, y + 14.0), 155.0) for y in (14.0, 50.0, 182.0, 214.0)]
    frames = film([*stripes, (box(-9.0, 180.0, 110.0, 130.0), 230.0)], strays_px=1.0, lip=150.0)
    course = find_course(look_still(frames)[0], frames)
    assert course.lip_before(course.outlines[0]) == pytest.approx(EDGE_PX, abs=NEAR_PX)
    (facing,) = find_facings(frames, None, None)
    assert in_picture(facing) == pytest.approx((180.0, ROW_PX), abs=NEAR_PX)
    monkeypatch.setattr(Course, "lip_before", lambda _, u: u)
    monkeypatch.setattr(aim_facing, "_is_stripe", lambda *_: False)
    assert len(find_facings(frames, None, None)) > 1


def test_a_wide_strip_as_bright_as_the_wall_is_found_by_its_colour():
    frames = film([], rim=90.0)
    yellow = box(-9.0, TIP_PX, 88.0, 152.0)[..., None] * (-120.0, 15.5, 15.5)
    coloured = [replace(f, image=(f.image + yellow).round().clip(0, 255).astype(np.uint8)) for f in frames]
    assert not find_facings(coloured, None, None)
    (facing,) = aim._facings(coloured, aim.Hints())
    assert in_picture(facing) == pytest.approx((TIP_PX, ROW_PX), abs=NEAR_PX)
    with pytest.raises(PointerNotSeen, match="no pointer was found"):
        aim._facings(frames, aim.Hints())


@pytest.mark.parametrize(("lit", "shade", "wall"), [(190.0, 120.0, 40.0), (235.0, 150.0, 70.0)])
def test_a_rod_whose_light_ends_before_its_round_end_is_found_there(lit, shade, wall, monkeypatch):
    rod = ndtr((16.0 - np.hypot(np.maximum(X - (TIP_PX - 16.0), 0.0), Y - ROW_PX)) / 0.8)
    frames = film([(rod, shade), (rod * ndtr((180.0 - X) / 0.8), lit)], wall=wall, rim=20.0)
    assert in_picture(find_facings(frames, None, None)[0]) == pytest.approx((TIP_PX, ROW_PX), abs=NEAR_PX)
    monkeypatch.setattr(aim_tip, "round_end", lambda *_: None)
    assert in_picture(find_facings(frames, None, None)[0])[0] == pytest.approx(180.0, abs=NEAR_PX)


def test_where_a_pointers_tape_ends_is_no_tip(monkeypatch):
    hub, pointer = (box(172.0, 330.0, 80.0, 160.0), 110.0), (box(-9.0, TIP_PX, 110.0, 130.0), 110.0)
    frames = film([hub, pointer, (box(-9.0, 140.0, 110.0, 130.0), 230.0)])
    ends = [in_picture(facing)[0] for facing in find_facings(frames, None, None)]
    assert all(abs(end - 140.0) > NEAR_PX for end in ends)
    monkeypatch.setattr(aim_facing, "_goes_on", lambda *_: False)
    assert in_picture(find_facings(frames, None, None)[0])[0] == pytest.approx(140.0, abs=NEAR_PX)


@pytest.mark.parametrize("tip_px", [TIP_PX, 192.0])
def test_a_person_who_points_at_a_tip_close_to_the_rim_doesnt_get_the_rim(tip_px):
    frames = film([(box(-9.0, tip_px, 110.0, 130.0), 30.0)], strays_px=1.0, wall=90.0, rim=130.0)
    facing = find_facings(frames, (tip_px, ROW_PX), (EDGE_PX, ROW_PX))[0]
    assert in_picture(facing)[0] == pytest.approx(tip_px, abs=NEAR_PX)


def test_a_rim_that_comes_to_the_tip_is_named():
    frames = film([(box(-9.0, 198.0, 110.0, 130.0), 230.0)])
    with pytest.raises(PointerNotSeen, match="farther from the rim"):
        find_facings(frames, None, None)


def test_a_point_where_no_edge_is_isnt_taken_for_the_rim():
    with pytest.raises(RimNotSeen, match="near --rim-at"):
        find_facings(film([BAR]), None, (280.0, ROW_PX))


def test_a_dark_pointer_before_a_dark_hub_counts_by_its_share_of_the_brightness():
    """Its six grey levels are a seventh of the hub's brightness; the hub's own end, 70 px before it, is far clearer."""
    hub, pointer = (box(120.0, 330.0, 80.0, 160.0), 40.0), (box(-9.0, TIP_PX, 110.0, 130.0), 34.0)
    frames = film([hub, pointer], rim=245.0)
    course = find_course(look_still(frames)[0], frames)
    assert find_ends(course, course.outlines[0])[0].u == pytest.approx(TIP_PX, abs=3.0)
    rng = np.random.default_rng(2)
    look = 34.0 + 6.0 * ndtr((X[:60, :80] - 50.0) / 1.2) + rng.normal(0.0, 0.05, (60, 80))
    assert find_tip(look, 0.05, "the box")[0] == pytest.approx(50.0, abs=0.3)


def test_a_tip_that_is_followed_elsewhere_than_it_was_found_is_refused():
    facing = find_facings(film([BAR]), None, None)[0]
    tip = np.array([in_picture(facing)])
    assert _tip_off(facing, tip, 1.0) == pytest.approx(0.0, abs=0.01)
    for off in ((-4.0, 0.0), (0.0, 15.0)):
        with pytest.raises(PointerNotSeen, match="hardly stands out"):
            _tip_off(facing, tip + off, 1.0)


def test_an_edge_that_is_seen_in_none_of_the_frames_compared_is_no_number_of_pixels_away():
    facing = find_facings(film([BAR]), None, None)[0]
    seen = SimpleNamespace(rim_px=np.full((len(facing.course.moves_px) * facing.course.every, 2), np.nan))
    with pytest.raises(NotTrustworthy, match="isn't the rim's own edge"):
        _with_the_rim(facing, seen.rim_px, 1.0)


def test_a_rim_that_is_mostly_far_to_one_side_of_where_it_is_in_the_still_look_is_followed():
    facing = find_facings(film([BAR]), None, None)[0]
    course = facing.course
    frames = len(course.moves_px) * course.every
    places = np.repeat(course.edges_u[0] + course.moves_px, course.every)
    seen = SimpleNamespace(rim_px=np.stack([places, np.full(frames, facing.tip[1])], axis=1))
    aside = replace(facing, edge_u=facing.edge_u - 3.0)
    assert len(_with_the_rim(aside, seen.rim_px, 1.0)) == frames
    with pytest.raises(NotTrustworthy, match="pixels inside the rim's edge"):
        _with_the_rim(aside, np.add(seen.rim_px, (4.0, 0.0)), 1.0)


def test_a_walls_patch_beside_a_pointer_isnt_taken_for_a_wider_part_of_it(monkeypatch):
    """It ends 2 px nearer to the rim, and its lower border is the wider bar's with the pointer's upper flank."""
    patch = (box(-9.0, TIP_PX + 2.0, 124.0, 150.0), 190.0)
    frames = film([patch, (box(-9.0, TIP_PX, 110.0, 130.0), 20.0)], wall=110.0, rim=240.0)
    assert in_picture(find_facings(frames, None, None)[0]) == pytest.approx((TIP_PX, ROW_PX), abs=NEAR_PX)
    monkeypatch.setattr(aim_facing.Facing, "spans", lambda *_: True)
    assert in_picture(find_facings(frames, None, None)[0])[1] > ROW_PX + 10.0


def test_what_is_seen_over_less_than_its_width_is_no_pointer(monkeypatch):
    """A patch 56 px wide, and of the wall before it 50 px are in the picture; the pointer is fainter."""
    patch, pointer = (box(-9.0, 180.0, 150.0, 206.0), 30.0), (box(-9.0, TIP_PX, 110.0, 126.0), 165.0)
    frames = seen_from(film([patch, pointer]), 130)
    (facing,) = find_facings(frames, None, None)
    assert in_picture(facing) == pytest.approx((TIP_PX - 130.0, 118.0), abs=NEAR_PX)
    monkeypatch.setattr(End, "is_long", True)
    assert in_picture(find_facings(frames, None, None)[0])[1] == pytest.approx(178.0, abs=5.0)


def test_a_bolts_threads_are_no_tip_where_the_rim_comes_to_its_end():
    threads = 230.0 + 15.0 * np.sin(X * np.pi / 4.0)
    bolt = box(-9.0, 198.0, 106.0, 134.0)
    with pytest.raises(PointerNotSeen, match="farther from the rim"):
        find_facings(film([(bolt, threads)], strays_px=1.0, wall=150.0), None, None)


def test_a_frame_whose_edge_something_hides_isnt_shown():
    facing = find_facings(film([BAR]), None, None)[0]
    course = facing.course
    places = np.repeat(facing.edge_u + course.moves_px, course.every)
    places[-5:] -= 2.5
    seen = SimpleNamespace(rim_px=np.stack([places, np.full(len(places), facing.tip[1])], axis=1))
    assert _with_the_rim(facing, seen.rim_px, 1.0).max() == len(places) - 6
