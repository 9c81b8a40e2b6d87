"""A wheel said to have another number of spokes than it has is refused, not bent to fit."""

from dataclasses import replace

import numpy as np
import pytest

from rimgauge.capture import open_source, track
from rimgauge.cli.demo import sample_folder
from rimgauge.errors import PlaceLost, SpokesMiscounted
from rimgauge.job import read_build, read_view
from rimgauge.records import WheelInView
from rimgauge.signal import Layout, find_turning, laid_out, spoke_count, turning
from rimgauge.signal.follow import Evidence
from rimgauge.signal.looks import Look
from rimgauge.signal.spoke_count import FAR_LIKELIER, check_multiple, fits
from rimgauge.wheel import complete_wheel


@pytest.fixture(scope="module")
def filmed():
    """Return the bundled frames as tracked, and their layout for a wheel of 28 spokes."""
    folder = sample_folder()
    view = read_view(folder / "lateral_before" / "view.json")
    with open_source(str(folder / "lateral_before")) as frames:
        seen = track(frames, view)
    wheel = complete_wheel(read_build(folder / "wheel.toml"))
    return seen, laid_out(view, seen, view.scale, WheelInView.of(wheel))


@pytest.mark.parametrize("count", [24, 32])
def test_a_wrong_number_of_spokes_is_refused(filmed, count):
    seen, layout = filmed
    angles_deg = (np.arange(count) + 0.5) * 360.0 / count
    with pytest.raises(PlaceLost, match="count the spokes"):
        find_turning(seen, replace(layout, spoke_angles_deg=angles_deg, flanges=()))


@pytest.mark.parametrize(("trouble", "tries"), [(SpokesMiscounted, 1), (PlaceLost, 2)])
def test_a_lost_path_is_looked_for_once_more_but_not_with_miscounted_spokes(
    filmed, monkeypatch, trouble, tries
):
    softened_deg = []

    def lost(track, layout):
        softened_deg.append(layout.soft_deg)
        raise trouble("the first of it")

    monkeypatch.setattr(turning, "_found", lost)
    with pytest.raises(trouble, match="the first of it"):
        find_turning(*filmed)
    assert softened_deg == [filmed[1].soft_deg, 0.0][:tries]


def test_the_right_one_is_not(filmed):
    assert np.isfinite(find_turning(*filmed).angle_deg).mean() > 0.95


def test_looks_that_no_number_explains_are_no_reason_to_doubt_it(filmed, monkeypatch):
    _, layout = filmed
    rng = np.random.default_rng(4)
    angle_deg = np.cumsum(rng.uniform(3.0, 6.0, 300))
    looks = (Look(rng.normal(size=(300, 8)), layout.look_period_deg),)
    mark_deg = np.where(np.arange(300) % 70 == 0, angle_deg % 360.0, np.nan)
    evidence = Evidence(mark_deg, np.full(300, 0.5), 4.0, looks)
    honest = spoke_count.settled
    ahead = iter([0.0, *[2.0 * FAR_LIKELIER] * 20])

    def far_likelier(start, evidence, *least):
        place = honest(start, evidence)
        return replace(place, angle_deg=angle_deg, likelihood=next(ahead))

    monkeypatch.setattr(spoke_count, "settled", far_likelier)
    assert fits(evidence, angle_deg, layout, alone=False)


def passing(count, angle_deg, *, far=0.7, heads=0.1, width_deg=0.8):
    """Strips (n, 40, 1) on which spokes pass, those of one flange fainter, every other one of each a little."""
    bins_deg = np.linspace(-8.0, 8.0, 40)
    along = (angle_deg[:, None] + bins_deg) % 360.0 / (360.0 / count)
    which = np.round(along).astype(int) % count
    strength = np.where(which % 2, far, 1.0) * (1.0 - heads * (which // 2 % 2))
    line = np.exp(-0.5 * ((along - np.round(along)) * (360.0 / count) / width_deg) ** 2)
    noise = np.random.default_rng(9).normal(0.0, 1.0, line.shape)
    return (100.0 + 40.0 * strength * line + noise)[:, :, None]


def told(count):
    return Layout(spoke_angles_deg=(np.arange(count) + 0.5) * 360.0 / count, px_per_deg=40.0)


RUN_DEG = np.concatenate([np.linspace(0.0, 420.0, 100), np.full(60, 420.0), np.linspace(420.0, 900.0, 90)])


@pytest.mark.parametrize("far", [0.9, 0.5])
@pytest.mark.parametrize("count", [20, 28, 32, 36])
def test_half_of_the_spokes_is_refused_and_the_right_number_is_not(count, far):
    strips = passing(count, RUN_DEG, far=far)
    check_multiple(strips, RUN_DEG, told(count))
    with pytest.raises(
        SpokesMiscounted, match=f"^{count} spokes seem to pass in a turn, not {count // 2}: count"
    ):
        check_multiple(strips, RUN_DEG, told(count // 2))


@pytest.mark.parametrize("count", [16, 20, 24])
def test_twice_the_spokes_is_refused_where_heads_in_and_heads_out_differ(count):
    strips = passing(count, RUN_DEG, far=0.1, heads=0.9, width_deg=4.0)
    check_multiple(strips, RUN_DEG, told(count))
    with pytest.raises(SpokesMiscounted, match=f"^{count} spokes seem to pass"):
        check_multiple(strips, RUN_DEG, told(2 * count))


def test_a_flange_whose_spokes_dont_show_is_no_reason_to_doubt_the_number():
    check_multiple(passing(32, RUN_DEG, far=0.0), RUN_DEG, told(32))


def test_spokes_in_pairs_are_no_reason_to_doubt_the_number():
    """A pair passes as often as one spoke of half as many would; its waves are dense, and twice as dense."""
    layout = told(24)
    shift_deg = np.where(np.arange(24) % 2, -3.75, 3.75)
    paired = replace(layout, spoke_angles_deg=layout.spoke_angles_deg + shift_deg)
    check_multiple(passing(48, RUN_DEG, far=1.0, heads=0.0), RUN_DEG, paired)
    with pytest.raises(SpokesMiscounted):
        check_multiple(passing(48, RUN_DEG, far=1.0, heads=0.0), RUN_DEG, layout)


def test_a_rims_own_runout_in_the_strips_is_no_reason_to_doubt_the_number():
    """Three lobes a turn, as strong as all spokes together: half of 24 spokes would look alike after a third of a turn."""
    lobes = 60.0 * np.cos(np.radians(3.0 * RUN_DEG + 20.0))[:, None, None]
    check_multiple(passing(24, RUN_DEG) + lobes, RUN_DEG, told(24))
