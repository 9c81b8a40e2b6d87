"""The runout picture says what the record says."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

from rimgauge.cli.runout_words import runout_text
from rimgauge.report.circle import nice_factor
from rimgauge.report.runout import runout_figure
from rimgauge.report.unrolled import largest_reach_mm
from tests.laws.simulated import simulated_pass, wave


def words(figure: Figure) -> str:
    """Return every text that the figure would draw."""
    figure.canvas.draw()
    return "\n".join(text.get_text() for text in figure.findobj(Text) if text.get_visible())


def test_total_runout_stands_beside_the_curve_as_the_terminal_says_it(runout):
    one = runout(1.0)
    said = runout_text(one)
    total, unsure = f"{one.total_runout.value:.2f}", "0.04"
    assert f"{total} ± {unsure} mm" in said
    assert f"{total} mm\n± {unsure}\n" in words(runout_figure(one)) + "\n"


def test_the_tolerance_band_says_what_it_means(runout):
    assert "the whole curve must fit into 0.40 mm" in words(runout_figure(runout(tolerance_mm=0.4)))


def test_before_and_after_share_one_scale(runout):
    figure = runout_figure(runout(0.25), before=runout(1.5))
    first, second = (axes for axes in figure.axes if axes.get_ylabel().startswith("mm"))
    assert first.get_ylim() == second.get_ylim()
    assert first.get_ylim()[1] >= np.abs(runout(1.5).sides[0].curve_mm).max()


def test_spoke_numbers_stand_at_the_spokes_angles(runout):
    one = runout(spokes=20)
    axes = runout_figure(one).axes[0]
    np.testing.assert_allclose(axes.get_xticks(), one.sides[0].spoke_angle_deg, rtol=0, atol=1e-9)
    assert [label.get_text() for label in axes.get_xticklabels()][:2] == ["1\nR", "2\nL"]


def _with_zones(measured, *zones):
    side = measured.sides[0]
    made = tuple(
        replace(side.zones[0], start_deg=start, centre_deg=centre, end_deg=end, peak_mm=peak)
        for start, centre, end, peak in zones
    )
    return replace(measured, sides=(replace(side, zones=made),))


def test_a_zone_across_the_valve_is_shaded_at_both_ends(runout):
    axes = runout_figure(_with_zones(runout(), (340.0, 355.0, 20.0, 0.4))).axes[0]
    spans = {
        (round(patch.get_x(), 6), round(patch.get_x() + patch.get_width(), 6))
        for patch in axes.patches
        if patch.get_width() < 360
    }
    assert {(340.0, 360.0), (0.0, 20.0)} <= spans


def test_of_zones_close_together_only_the_worse_is_named(runout):
    zones = ((90.0, 100.0, 110.0, 0.4), (112.0, 120.0, 130.0, -0.3), (190.0, 200.0, 210.0, 0.2))
    said = words(runout_figure(_with_zones(runout(), *zones)))
    assert "+0.40 mm" in said
    assert "−0.30 mm" not in said
    assert "+0.20 mm" in said


def test_a_spokes_side_is_told_without_colour(runout):
    axes = runout_figure(runout()).axes[0]
    markers = {line.get_label(): line.get_marker() for line in axes.lines}
    assert markers["right flange"] != markers["left flange"]


@pytest.mark.parametrize(("reach_mm", "factor"), [(0.5, 100), (0.05, 1000), (0.16, 500), (40.0, 2), (900, 1)])
def test_exaggeration_is_the_largest_round_number_that_fits(reach_mm, factor):
    # 0.28 of a 300 mm radius is 84 mm: the largest of 1, 2, 5, 10, ... not over 84 / reach
    assert nice_factor(reach_mm, 600.0) == factor


def test_the_circle_states_its_factor_and_which_way_is_out(runout):
    text = words(runout_figure(runout(1.0)))
    assert "deviation drawn 100 times too large" in text
    assert "outside the thin circle: to the right" in text
    assert "outward" in words(runout_figure(runout(1.0, direction="radial")))


def test_the_circle_puts_the_valve_on_top_and_later_points_on_the_left(runout):
    circle = runout_figure(runout(0.01)).axes[1]
    x, y = circle.lines[1].get_data()
    assert abs(x[0]) < 0.01
    assert y[0] == pytest.approx(1.0, abs=0.05)
    assert x[180] == pytest.approx(-1.0, abs=0.3)  # the curve has half a degree a point: 90 degrees on


def test_reach_covers_curve_and_tolerance_of_both(runout):
    small, large = runout(0.1, tolerance_mm=2.0), runout(1.0)
    assert largest_reach_mm(small, large) >= 1.0
    assert largest_reach_mm(large) >= np.abs(large.sides[0].curve_mm).max()


def test_many_spokes_and_a_perfect_wheel_can_be_drawn(runout):
    assert "± 0.04" in words(runout_figure(runout(1e-9, spokes=72)))


@pytest.mark.parametrize("size_mm", [0.1, 0.3, 0.49, 0.8, 1.3])
def test_the_curve_does_not_cross_the_words_below_it(size_mm):
    # farthest out opposite the valve, which is drawn lowest
    figure = runout_figure(simulated_pass(wave(1, size_mm, 180.0)))
    figure.canvas.draw()
    (below,) = (text for text in figure.findobj(Text) if "times too large" in text.get_text())
    lines = [line for line in below.axes.lines if len(line.get_xdata()) > 100]
    lowest = min(line.get_transform().transform(line.get_xydata())[:, 1].min() for line in lines)
    assert below.get_window_extent().y1 < lowest
    assert below.get_window_extent().y0 >= 0
