"""Which of the ways to follow an aim counts, and what tells the rim from what is more like one, in films made by hand."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import ndtr

from rimgauge.capture import aim
from rimgauge.capture.aim import Hints, _Film
from rimgauge.capture.aim_facing import Facing, find_facings
from rimgauge.capture.aim_look import look_still
from rimgauge.capture.aim_pointer import End
from rimgauge.capture.aim_rim import Course, find_course
from rimgauge.capture.aim_trial import OutOfSight, _with_the_rim
from rimgauge.capture.sources import Frame
from rimgauge.errors import NotTrustworthy, PointerNotSeen
from rimgauge.records import Edge, View

X, Y = np.meshgrid(np.arange(320.0), np.arange(240.0))


def film(strays_px, line=0.0, faint=0.0):
    """A dark rim from 200.5 to 260 px before a darker cloth, a pale bar before it, and a bent bright line that flickers."""
    rng = np.random.default_rng(5)
    middle = 90.0 + 30.0 * ((Y - 119.5) / 119.5) ** 2
    shines = ndtr((X - middle + 2.5) / 0.8) - ndtr((X - middle - 2.5) / 0.8)
    frames = []
    for k in range(60):
        u = X - strays_px * np.sin(k / 7.0)
        rim = ndtr((u - 200.5) / 1.2) - ndtr((u - 260.0) / 1.2)
        grey = 40.0 + 40.0 * rim + faint * ndtr((u - 266.0) / 1.2)
        grey = grey + line * (0.6 + 0.4 * np.sin(1.7 * k)) * shines
        bar = ndtr((190.0 - X) / 0.8) * ndtr((Y - 110.0) / 0.8) * ndtr((130.0 - Y) / 0.8)
        grey = grey * (1.0 - bar) + 220.0 * bar + rng.normal(0.0, 1.0, X.shape)
        image = np.repeat(grey.round().clip(0, 255)[..., None], 3, axis=2).astype(np.uint8)
        frames.append(Frame(k, k / 30.0, image))
    return frames


def test_spokes_that_outshine_a_dark_rim_are_passed_over():
    frames = film(3.0, line=180.0)
    course = find_course(look_still(frames)[0], frames)
    assert course.outlines == pytest.approx((200.5, 260.0), abs=1.5)


def test_spokes_are_not_passed_over_for_a_rim_whose_outline_is_in_doubt():
    frames = film(3.0, line=180.0, faint=-6.0)
    assert find_course(look_still(frames)[0], frames).is_thin


@pytest.mark.parametrize(("faint_u", "outlined"), [(136.0, False), (120.0, True), (170.0, True)])
def test_a_faint_line_close_beyond_an_edge_leaves_the_outline_in_doubt(faint_u, outlined):
    edges_u = np.array([faint_u, 140.0, 180.0])
    order = np.argsort(edges_u)
    course = Course(
        None,
        0.0,
        0.0,
        1.0,
        edges_u[order],
        np.array([1.5, 9.0, -9.0])[order],
        np.zeros(3),
        np.zeros(1),
        1,
        np.zeros(1),
    )
    assert course.is_outlined == outlined
    groove = replace(course, steps=course.steps * np.where(course.edges_u == edges_u[order][0], -1.0, 1.0))
    assert not groove.is_outlined


def test_the_rims_moves_are_told_to_a_fraction_of_a_pixel():
    frames = film(1.0)
    course = find_course(look_still(frames)[0], frames)
    true = np.sin(np.arange(0, 60, course.every) / 7.0)
    assert course.fine_moves_px - np.median(course.fine_moves_px) == pytest.approx(
        true - np.median(true), abs=0.15
    )


@pytest.mark.parametrize("strays_px", [1.0, 3.0])
def test_what_hardly_moves_with_the_rim_is_none_of_its_edges(strays_px):
    facing = find_facings(film(strays_px), None, None)[0]

    def seen(share):
        places = np.repeat(facing.edge_u + share * facing.course.fine_moves_px, facing.course.every)
        return SimpleNamespace(rim_px=np.stack([places, np.full(len(places), facing.tip[1])], axis=1))

    assert len(_with_the_rim(facing, seen(0.9).rim_px, 1.0))
    with pytest.raises(NotTrustworthy, match="the rim moves otherwise"):
        _with_the_rim(facing, seen(0.5).rim_px, 1.0)
    true = seen(1.0)
    facing.course.fine_moves_px[3] += 16.0
    assert len(_with_the_rim(facing, true.rim_px, 1.0))


@pytest.mark.parametrize(
    ("offs", "taken"), [((0.9, 0.2), 0.2), ((0.9, None, 0.7, 0.8), 0.7), ((0.9, None, 0.8, 0.75), None)]
)
def test_the_room_counts_in_which_the_tip_is_followed_near_where_it_was_found(monkeypatch, offs, taken):
    left = list(offs)

    def tried(*_):
        off = left.pop(0)
        if off is None:
            raise PointerNotSeen("no tip")
        return SimpleNamespace(tip_off=off)

    monkeypatch.setattr(aim, "tried", tried)
    facing = find_facings(film(3.0), None, None)[0]
    edge = Edge(side="right", pointer_box=(0, 0, 20, 20), rim_box=(30, 0, 20, 20))
    way = np.array([1.0, 0.0])
    view = View(
        direction="lateral",
        image_size=(320, 240),
        positive=way,
        forward=np.array([0.0, 1.0]),
        edges=(edge,),
        mark_box=None,
    )
    if taken is None:
        with pytest.raises(PointerNotSeen, match="no tip"):
            aim._followed(view, facing, [], 1, 1.0, ())
    else:
        assert aim._followed(view, facing, [], 1, 1.0, ()).tip_off == taken
    assert not left


@pytest.mark.parametrize("corner", [True, False])
def test_more_of_a_corner_is_followed_than_its_very_tip_where_there_is_room(monkeypatch, found, view, corner):
    rooms = []

    def tried(view, *_):
        rooms.append(view.edges[0].pointer_box[3])
        raise PointerNotSeen("something stands beside it")

    monkeypatch.setattr(aim, "tried", tried)
    tip = replace(found, half_px=6.0, end=replace(found.end, half_px=0.0 if corner else 3.0))
    with pytest.raises(PointerNotSeen, match="beside it"):
        aim._followed(view, tip, [], 1, 1.0, ())
    assert max(rooms) == rooms[0] == (41 if corner else 13)
    assert min(rooms) == 13


@pytest.mark.parametrize(
    ("v", "half_px", "spans"), [(100.0, 5.0, True), (119.0, 4.0, True), (114.0, 5.0, False)]
)
def test_what_lies_across_a_flank_of_something_is_no_part_of_it(v, half_px, spans):
    """A hub's border and a wire's flank enclose 28 px; the wire lies across that flank, a shade beside it."""
    wide, narrow = (
        SimpleNamespace(end=End(150.0, at, half, 0.5)) for at, half in ((100.0, 14.0), (v, half_px))
    )
    assert Facing.spans(wide, narrow) == spans


@pytest.fixture(scope="module")
def found():
    return find_facings(film(3.0), None, None)[0]


@pytest.mark.parametrize(("left_out_u", "refused"), [(150.0, False), (195.0, True), (230.0, False)])
def test_an_edge_left_out_between_tip_and_rim_may_be_the_rims_own(monkeypatch, found, left_out_u, refused):
    assert 150.0 < found.tip[0] < 195.0 < found.edge_u < 230.0
    doubtful = replace(found, course=replace(found.course, left_out_u=np.array([left_out_u])))
    monkeypatch.setattr("rimgauge.capture.aim._facings", lambda *_, **__: [doubtful])
    looked_at = _Film([], [], (320, 240), 1, 1.0, Hints())
    if refused:
        with pytest.raises(PointerNotSeen, match="no pointer was found"):
            looked_at.clearest("surer edges")
    else:
        assert looked_at.clearest("surer edges") is doubtful


@pytest.mark.parametrize(
    ("passed", "hints", "fails", "tries"),
    [
        (3.0, Hints(), "_followed", ["all", "surer edges", "colours"]),
        (1.0, Hints(), "_followed", ["all", "colours"]),
        (3.0, Hints(rim_at=(200.0, 120.0)), "_followed", ["all", "colours"]),
        (1.0, Hints(pointer_at=(150.0, 120.0)), "_followed", ["all"]),
        (3.0, Hints(), "_seen", ["all"]),
        (3.0, Hints(), "_followed for a hand", ["all", "surer edges"]),
    ],
    ids=[
        "spokes may pass there",
        "nothing passes",
        "rim pointed out",
        "tip pointed out",
        "a side that was said",
        "a hand",
    ],
)
def test_what_fails_is_looked_for_without_what_may_be_spokes_then_in_colours_and_else_the_first_reason_is_told(
    monkeypatch, found, view, passed, hints, fails, tries
):
    tried = []
    fails, _, hand = fails.partition(" for ")
    steps, many = np.array([1.0, 10.0]), np.full(2, passed)
    edges_u = np.array([found.edge_u, 260.0]) - found.course.aside(found.tip[1])
    facing = replace(found, course=replace(found.course, edges_u=edges_u, steps=steps, passed=many))

    def clearest(_, look):
        tried.append(look)
        return facing

    def unseen(*_):
        raise (OutOfSight if hand else NotTrustworthy)(f"look {len(tried)}")

    stubs = {
        "_Film.clearest": clearest,
        "_seen": lambda *_: (view, ()),
        "with_boxes": lambda view, *_: view,
        "_with_tags": lambda view, *_: (view, ()),
        "times_softer": lambda *_: 1,
        fails: unseen,
    }
    for name, stub in stubs.items():
        monkeypatch.setattr(f"rimgauge.capture.aim.{name}", stub)
    with pytest.raises(NotTrustworthy, match="look 1"):
        aim.aim(film(3.0)[:20], "lateral", None, hints)
    assert tried == tries
