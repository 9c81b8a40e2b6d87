"""A pointer stands before the spokes, a hub or a wall behind them: which of two things is the pointer, in films made by hand."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from rimgauge.capture import aim_facing
from rimgauge.capture.aim import Hints, _are_rivals, _facings, aim
from rimgauge.capture.aim_facing import _things, find_facings, find_foremost
from rimgauge.capture.aim_pointer import _passed
from rimgauge.capture.sources import Frame
from rimgauge.errors import NotTrustworthy, PointerNotSeen

X, Y = np.meshgrid(np.arange(320.0), np.arange(240.0))
EDGE_PX, TIP_PX, HUB_PX = 200.5, 150.0, 192.0
NEAR_PX = 1.5
WALL, RIM, SPOKE, PITCH = 150.0, 215.0, 110.0, 160.0


def bar(end_px, top_px, bottom_px):
    """Share of each pixel that a bar covers which comes from the left and ends at end_px."""
    return ndtr((end_px - X) / 0.8) * ndtr((Y - top_px) / 0.8) * ndtr((bottom_px - Y) / 0.8)


POINTER, HUB = bar(TIP_PX, 60.0, 84.0), bar(HUB_PX, 130.0, 170.0)


def film(pointer=90.0, hub=70.0, spokes=True, before_pointer=False):
    """Frames (60) of a wall, a hub, spokes that run down past it at all places, a pointer and a rim; coloured greys."""
    rng = np.random.default_rng(12)
    frames = []
    for k in range(60):
        still = np.full((*X.shape, 3), WALL) * (1.0 - HUB[..., None]) + hub * HUB[..., None]
        lines = sum(
            ndtr((2.0 - np.abs(Y - 0.4 * X - place)) / 0.8) for place in (np.arange(-4, 4) * PITCH + 7.3 * k)
        )
        lines = np.clip(lines, 0.0, 1.0)[..., None] * spokes
        tip = POINTER[..., None]
        if before_pointer:
            seen = still * (1.0 - tip) + np.array(pointer) * tip
            seen = seen * (1.0 - lines) + SPOKE * lines
        else:
            seen = still * (1.0 - lines) + SPOKE * lines
            seen = seen * (1.0 - tip) + np.array(pointer) * tip
        rim = ndtr((X - EDGE_PX - 2.0 * np.sin(k / 7.0)) / 1.2)[..., None]
        image = seen * (1.0 - rim) + RIM * rim + rng.normal(0.0, 2.0, seen.shape)
        frames.append(Frame(k, k / 30.0, image.round().clip(0, 255).astype(np.uint8)))
    return frames


def in_picture(facing):
    return facing.still.patch.to_picture(*facing.tip)


def test_of_pointer_and_hub_that_which_spokes_pass_behind_is_the_pointer(monkeypatch):
    frames = film()
    assert _are_rivals(find_facings(frames, None, None))
    (facing,) = _facings(frames, Hints())
    assert in_picture(facing) == pytest.approx((TIP_PX, 72.0), abs=NEAR_PX)
    monkeypatch.setattr("rimgauge.capture.aim.find_foremost", lambda *_, **__: None)
    with pytest.raises(NotTrustworthy, match="two things look like the pointer"):
        aim(frames, "lateral", None, Hints())


def test_a_pointer_as_bright_as_the_wall_beside_a_hub_is_told_by_its_colour():
    frames = film(pointer=(70.0, 125.0, 230.0))
    assert find_foremost(frames, None) is None
    (facing,) = _facings(frames, Hints())
    assert in_picture(facing) == pytest.approx((TIP_PX, 72.0), abs=NEAR_PX)


@pytest.mark.parametrize("how", [{"spokes": False}, {"before_pointer": True}], ids=["no spokes", "before it"])
def test_where_nothing_passes_behind_either_of_them_none_is_foremost(how):
    assert find_foremost(film(**how), None) is None


@pytest.mark.parametrize(
    ("above", "within", "below", "told"),
    [(4.0, 1.0, 4.0, True), (4.0, 1.0, 1.0, False), (1.0, 1.0, 4.0, False), (4.0, 2.0, 4.0, False)],
)
def test_what_passes_beside_both_flanks_and_not_between_them_goes_on_behind(above, within, below, told):
    restless = np.full((120, 200), within, dtype=np.float32)
    restless[:48], restless[72:] = above, below
    inside, before = _passed(restless, 150, 60, 12.0)
    assert (inside, before) == (within, told)


@pytest.mark.parametrize(("apart_px", "told"), [(0.0, True), (8.0, False)])
def test_what_passes_behind_a_part_that_ends_at_the_same_tip_passes_behind_the_whole(apart_px, told):
    whole = replace(find_facings(film(), None, None)[0], before=False)
    part = replace(whole, tip=(whole.tip[0] - apart_px, whole.tip[1]), score=0.3 * whole.score, before=True)
    assert [thing.before for thing in _things([whole, part])] == [told]


def test_two_that_spokes_pass_behind_are_still_two(monkeypatch):
    monkeypatch.setattr("test_aim_foremost.HUB", np.zeros_like(HUB))
    monkeypatch.setattr("test_aim_foremost.POINTER", np.maximum(POINTER, bar(TIP_PX, 150.0, 174.0)))
    frames = film()
    assert len(find_facings(frames, None, None)) == 2
    assert find_foremost(frames, None) is None


def test_a_clearer_thing_that_nothing_passes_before_may_be_the_pointer_too(monkeypatch):
    frames = film(pointer=135.0)
    assert find_foremost(frames, None) is not None
    monkeypatch.setattr("rimgauge.capture.aim_pointer._passed", lambda _, u, v, half: (1.0, v < 110))
    assert find_foremost(frames, None) is None


def test_a_rim_that_comes_to_the_tip_in_one_colour_leaves_none_foremost(monkeypatch):
    monkeypatch.setattr(aim_facing, "_find_things", lambda *_, **__: ([], [(None, None)]))
    monkeypatch.setattr(aim_facing, "_touches", lambda *_: True)
    with pytest.raises(PointerNotSeen, match="no gap is left"):
        find_foremost(film(), None)


@pytest.mark.parametrize("rivals", [True, False])
def test_that_the_rim_touches_something_in_one_colour_is_no_matter_where_a_pointer_is_plain(
    monkeypatch, rivals
):
    def touching(*_, **__):
        raise PointerNotSeen("no gap is left")

    frames = film(before_pointer=True)
    found = find_facings(frames, None, None)
    assert found[0].end.is_crossed
    monkeypatch.setattr("rimgauge.capture.aim.find_foremost", touching)
    monkeypatch.setattr("rimgauge.capture.aim._are_rivals", lambda _: rivals)
    if rivals:
        with pytest.raises(PointerNotSeen, match="no gap is left"):
            _facings(frames, Hints())
    else:
        assert in_picture(_facings(frames, Hints())[0]) == in_picture(found[0])
