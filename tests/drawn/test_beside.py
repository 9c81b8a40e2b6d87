"""What is followed must be as clear as a rim's edge; where it isn't in the box, it is looked for beside it."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from rimgauge.capture import beside
from rimgauge.capture.follower import Sightings
from rimgauge.capture.sift import check_clear
from rimgauge.capture.tracker import places_in
from rimgauge.errors import NotTrustworthy
from tests.seen import lateral_view


def test_rows_beside_the_box_end_with_the_picture_and_the_boxs_own_are_cut_out_of_them() -> None:
    # The box begins at row 140 of 360 and has 81: twice as many don't fit on either side.
    place = places_in(lateral_view())[0]
    image = np.random.default_rng(1).integers(0, 256, (360, 640, 3), dtype=np.uint8)
    cut = place.cut([image])
    assert place.rim.shape[0] == cut[1].shape[1] == 360 - max(0, 140 - 162) - (360 - 81 - 140 - 139)
    of_box = place.of_box()
    assert of_box.rim.shape[0] == 81
    np.testing.assert_array_equal(of_box.own(cut)[1], of_box.cut([image])[1])
    np.testing.assert_array_equal(of_box.own(of_box.cut([image]))[1], of_box.cut([image])[1])


def _followed(error_px: float, white_error_px: float) -> Sightings:
    same, two = np.ones(60), np.zeros((60, 2))
    white = np.arange(60) % 3 == 0
    return Sightings(
        gap_px=same,
        standard_error_px=np.where(white, white_error_px, error_px),
        quality=same,
        tip_px=two,
        rim_px=two,
        shift_px=same,
        shift_error_px=same,
        place_px=same,
        profile=np.zeros((60, 1), dtype=np.float32),
        lost=np.zeros(60, dtype=np.uint8),
        white=white,
        look=np.full(60, np.nan),
        blur_px=np.full(60, np.nan),
    )


def test_what_is_far_less_clear_than_an_edge_is_refused_and_white_frames_do_not_count() -> None:
    check_clear("left", _followed(0.1, 0.9))
    with pytest.raises(
        NotTrustworthy, match=r"on the left side isn't clear enough .* blurred or dark.* add light.* --rim-at"
    ):
        check_clear("left", _followed(0.4, 0.05))


@pytest.mark.parametrize(
    ("near_px", "beside_px", "apart_px", "taken"),
    [
        (0.10, 0.07, 0.5, "beside"),
        (0.10, 0.08, 0.5, "box"),  # not surer by a quarter
        (0.60, 0.30, 0.5, "box"),  # surer, yet no edge is so unsure
        (0.10, 0.07, 0.2, "box"),  # both tell the same
        (0.03, 0.01, 0.5, "box"),  # sure enough where it is
    ],
)
def test_rows_beside_are_followed_only_where_they_are_surer_and_tell_otherwise(
    monkeypatch, near_px, beside_px, apart_px, taken
) -> None:
    sways = np.tile([-1.0, 1.0], 20)  # a standard deviation of one

    class Follower:
        def __init__(self, view, edge, place, cut, rows=None) -> None:
            self.where = "box" if rows is None else "beside"
            self.usual_error_px = near_px if rows is None else beside_px
            place_px = 100.0 + (0.0 if rows is None else 5.0 + apart_px * sways)
            self.sample = SimpleNamespace(quality=np.ones(40), place_px=np.broadcast_to(place_px, 40))

    monkeypatch.setattr(beside, "EdgeFollower", Follower)
    view = lateral_view()
    place = places_in(view)[0]
    cut = place.cut([np.zeros((360, 640, 3), dtype=np.uint8)])
    assert beside.surest_follower(view, view.edges[0], place, cut).where == taken
