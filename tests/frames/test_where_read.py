"""A gap belongs to the part of the rim at which it was read, though that isn't level with the first pointer's tip."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from rimgauge.capture import Frame, track
from rimgauge.records import Edge, View
from tests.seen import lateral_view

WIDTH, HEIGHT, TIP = 200, 160, (100.0, 80.0)
HUB_ROW = 66


def film(*, hub: bool, tip_row: float = TIP[1]) -> tuple[list[Frame], np.ndarray, np.ndarray]:
    """Sixty frames of a dark rim at the left, whose edge stands at places (60,) at the tip's row, on slopes (60,).

    Its flank, seven pixels further in, is a little brighter. A hub as dark as the rim hides it from HUB_ROW on; a bright strip comes from the right.
    """
    rng, turn = np.random.default_rng(2), np.linspace(0.0, 9.0, 60)
    places, slopes = 85.0 + 3.0 * np.sin(turn), 0.02 * np.cos(turn)
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(float)
    frames = []
    for k, (place, slope) in enumerate(zip(places, slopes, strict=True)):
        inside = place + slope * (y - tip_row) - x
        behind = np.where(y >= HUB_ROW, 60.0, 170.0) if hub else 170.0
        grey = behind + (60.0 - behind) * ndtr(inside) + 40.0 * ndtr(inside - 7.0)
        strip = ndtr(8.0 - np.hypot(np.minimum(x - TIP[0] - 8.0, 0.0), y - tip_row))
        grey = (1.0 - strip) * grey + 230.0 * strip + rng.normal(0.0, 1.0, grey.shape)
        image = np.repeat(np.clip(grey + 0.5, 0.0, 255.0).astype(np.uint8)[:, :, None], 3, axis=2)
        frames.append(Frame(index=k, time_s=k / 30.0, image=image))
    return frames, places, slopes


def seen_by(*edges: Edge) -> View:
    """A view in which the rim runs upward when the wheel rolls forward."""
    return lateral_view(image_size=(WIDTH, HEIGHT), forward=np.array([0.0, -1.0]), edges=edges)


RIGHT = Edge(side="right", pointer_box=(93, 60, 40, 40), rim_box=(70, 40, 28, 80))
LEFT = Edge(side="left", pointer_box=(67, 18, 40, 40), rim_box=(102, 0, 28, 80))


def test_an_edge_that_a_hub_hides_beside_the_tip_is_read_where_it_shows() -> None:
    frames, places, slopes = film(hub=True)
    side = track(frames, seen_by(RIGHT)).sides[0]
    # Rows 40 to 65 show it: the middle of them is 27 rows above the tip, which is forward.
    assert side.ahead_px == pytest.approx(27.5, abs=3.0)
    off = side.gap_px - (TIP[0] - (places - slopes * side.ahead_px))
    assert np.nanstd(off) < 0.06
    # Level with the tip the rim stands elsewhere, by far more than the reading is unsure.
    assert np.nanstd(side.gap_px - (TIP[0] - places)) > 0.25


def test_an_edge_that_shows_beside_the_tip_is_read_there() -> None:
    frames, places, _ = film(hub=False)
    side = track(frames, seen_by(RIGHT)).sides[0]
    assert side.ahead_px == 0.0
    assert np.nanstd(side.gap_px - (TIP[0] - places)) < 0.03


def test_a_second_pointer_is_as_far_ahead_of_the_first_as_it_stands_forward_of_it() -> None:
    frames, _, _ = film(hub=False)
    higher, _, _ = film(hub=False, tip_row=38.0)
    # Beside the picture its mirror image: a rim of two edges between two pointers.
    both = [
        Frame(index=k, time_s=one.time_s, image=np.hstack([two.image[:, ::-1], one.image]))
        for k, (one, two) in enumerate(zip(frames, higher, strict=True))
    ]
    right = replace(RIGHT, pointer_box=(293, 60, 40, 40), rim_box=(270, 40, 28, 80))
    view = replace(seen_by(right, LEFT), image_size=(2 * WIDTH, HEIGHT))
    first, second = track(both, view).sides
    assert first.ahead_px == 0.0
    assert second.ahead_px == pytest.approx(42.0, abs=0.5)
