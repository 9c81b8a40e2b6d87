"""The evidence page says all it must, fits its page, and comes out the same each time."""

import re
import warnings
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

from rimgauge.records import BudgetLine, Scale
from rimgauge.report.comparison import Comparison, Evidence, Photo
from rimgauge.report.evidence import (
    _BUDGET_COLUMNS,
    _BUDGET_SIZE,
    _COLUMN,
    evidence_figure,
    evidence_pages,
)
from rimgauge.report.html import evidence_html
from rimgauge.report.pdf import pdf_bytes
from rimgauge.report.sheet import paragraph, text_width
from rimgauge.report.words import budget_rows, evidence_headline, moment, one_sided_words
from tests.laws.simulated import simulated_pass, wave


@pytest.fixture
def evidence(runout):
    before, after = runout(1.0, created="2026-01-31T10:40:00+00:00"), runout(0.25)

    def build(*, wheel_name="front, touring", radial=False, **more):
        scale = Scale(mm_per_px=0.121, standard_uncertainty_mm_per_px=0.00024, method="checkerboard")
        photos = tuple(
            Photo(picture=np.full((414, 640, 3), 90, np.uint8), encoded=b"\xff\xd8", words=f"worst, {when}")
            for when in ("before", "after")
        )
        lateral = Comparison(after=after, before=before, scale=scale, photos=photos)
        second = (Comparison(after=runout(0.2, direction="radial")),) if radial else ()
        return Evidence(
            wheel_name=wheel_name,
            comparisons=(lateral, *second),
            fingerprint="SHA-256 of pass-01.json, pass-02.json, one after the other: " + "ab" * 32,
            software="rimgauge 0.1.0",
            **more,
        )

    return build


BUDGET = (
    BudgetLine(source="repeatability of the curve", standard_uncertainty_mm=0.003),
    BudgetLine(
        source="depth of the rim's outline against the plane of the scale",
        standard_uncertainty_mm=0.01,
        one_sided_mm=0.0043,
    ),
    *(BudgetLine(source=f"line {number}", standard_uncertainty_mm=0.002) for number in range(4)),
)
"""As many lines as a measurement has, one of them with a one-sided part."""


def test_the_one_sided_part_of_a_line_is_shown_where_there_is_one(runout):
    assert budget_rows(runout())[0] == ("Uncertainty from", "standard, mm")
    assert one_sided_words(runout()) == ""
    after = replace(runout(), budget=BUDGET)
    assert budget_rows(after)[1:3] == [
        ("repeatability of the curve", "0.003", "–"),
        ("depth of the rim's outline against the plane of the scale", "0.010", "0.004"),
    ]
    evidence = Evidence(wheel_name="x", comparisons=(Comparison(after=after),), fingerprint="", software="")
    figure = evidence_figure(evidence)
    for page in (words(figure), evidence_html(evidence)):
        assert "one-sided" in page
        assert one_sided_words(after) in page
    source, standard, one_sided = (
        max(
            text_width(row[column], _BUDGET_SIZE, bold=not number)
            for number, row in enumerate(budget_rows(after))
        )
        for column in range(3)
    )
    _, second, third = _BUDGET_COLUMNS[3]
    assert source < second
    assert second + standard < third
    assert third + one_sided < _COLUMN


def test_no_line_of_the_budget_is_cut():
    after = simulated_pass(wave(2, 0.2))
    figure = evidence_figure(
        Evidence(wheel_name="x", comparisons=(Comparison(after=after),), fingerprint="", software="")
    )
    said = words(figure)
    assert all(line.source in said for line in after.budget)
    assert "…" not in said


def words(figure):
    return (
        "\n".join(text.get_text() for text in figure.findobj(Text)).replace("\n", " ").replace("\u00a0", " ")
    )


def test_the_page_says_all_that_evidence_needs(evidence):
    said = words(evidence_figure(evidence()))
    for part in (
        "Runs true sideways: at most 0.28 mm (tolerance 0.50 mm)",
        "front, touring",
        "31 January 2026, 12:00 UTC",
        "0.959 ± 0.040 mm",
        "0.240 ± 0.040 mm",
        "95% probability",
        "ISO 14253-1",
        "repeatability",
        "0.018",
        "0.1210 mm a pixel (± 0.4%), by checkerboard",
        "88 of 90 frames used, over 2.7 revolutions; from the folder 'front lateral'.",
        "31 Jan 2026 10:40",
        "qualified mechanic",
        "worst, before",
        "worst, after",
        "rimgauge 0.1.0",
        "ab" * 32,
    ):
        assert part in said, part


def test_every_direction_has_a_page_of_its_own(evidence):
    first, second = evidence_pages(evidence(radial=True))
    assert "page 1 of 2" in words(first)
    assert "page 2 of 2" in words(second)
    assert "Radial runout was not measured" not in words(first)


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("radial", [False, True])
def test_nothing_runs_off_the_page_or_over_the_foot(evidence, paper, radial):
    for figure in evidence_pages(evidence(radial=radial), paper=paper):
        figure.draw_without_rendering()
        width, height = figure.get_size_inches() * figure.dpi
        foot = next(text for text in figure.texts if "SHA-256" in text.get_text()).get_window_extent().y1
        for text in figure.texts:
            box = text.get_window_extent()
            assert box.x0 > 0, text.get_text()
            assert box.x1 < width, text.get_text()
            assert box.y0 > 0, text.get_text()
            assert box.y1 < height, text.get_text()
            if "SHA-256" not in text.get_text() and "page" not in text.get_text():
                assert box.y0 > foot, text.get_text()
        curves = [axes for axes in figure.axes if axes.get_legend()]
        for axes in curves:
            for text in axes.texts:
                assert text.get_window_extent().x1 <= (width + 7.2 * figure.dpi) / 2, text.get_text()
        for upper, lower in pairwise(curves):
            clear = upper.get_legend().get_window_extent().y0 - lower._left_title.get_window_extent().y1
            assert clear > 0.06 * figure.dpi, "the legend of one curve is clear of the name of the next"


def test_the_names_of_both_sides_curves_stay_within_the_margin(runout):
    page = Evidence(
        wheel_name="x", comparisons=(Comparison(after=runout(1.0, sides=2)),), fingerprint="", software=""
    )
    figure = evidence_figure(page)
    figure.draw_without_rendering()
    (legend,) = (axes.get_legend() for axes in figure.axes if axes.get_legend())
    assert len(legend.get_texts()) == 6
    width = figure.get_figwidth()
    assert legend.get_window_extent().x1 <= (width + 7.2) / 2 * figure.dpi


def test_the_page_bears_the_date_of_its_newest_measurement(runout):
    lateral = runout(0.25, created="2026-01-31T12:20:00+00:00")
    radial = runout(0.2, direction="radial", created="2026-01-31T12:10:00+00:00")
    page = Evidence(
        wheel_name="x",
        comparisons=(Comparison(after=lateral), Comparison(after=radial)),
        fingerprint="",
        software="",
    )
    assert "31 January 2026, 12:20 UTC" in words(evidence_figure(page))
    assert "12:10 UTC" not in words(evidence_figure(page))


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_five_notes_stay_clear_of_the_foot(runout, paper):
    note = (
        "What radial runout may add to the reading makes much of the uncertainty: give a radial measurement."
    )
    before, after = (replace(runout(size), notes=(note,) * 5) for size in (1.0, 0.25))
    photo = Photo(picture=np.full((414, 640, 3), 90, np.uint8), encoded=b"", words="worst")
    figure = evidence_figure(
        Evidence(
            wheel_name="x",
            comparisons=(Comparison(after=after, before=before, photos=(photo, photo)),),
            fingerprint="SHA-256 " + "ab" * 32,
            software="",
            facts=(("Measured by", "the shop"), ("Tension", "not measured")),
        ),
        paper=paper,
    )
    figure.draw_without_rendering()
    foot = next(text for text in figure.texts if "SHA-256" in text.get_text()).get_window_extent().y1
    notes = next(text for text in figure.texts if "radial measurement" in text.get_text())
    assert notes.get_window_extent().y0 > foot


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("count", [40, 120])
def test_notes_without_room_follow_on_pages_of_their_own(evidence, runout, paper, count):
    said = tuple(
        f"Note {k} of many: give a radial measurement of the same wheel, or stand it square."
        for k in range(count)
    )
    first = evidence().comparisons[0]
    full = replace(evidence(), comparisons=(replace(first, after=replace(first.after, notes=said)),))
    pages = evidence_pages(full, paper=paper)
    assert len(pages) > 1
    assert "a later page" in words(pages[0])
    assert [note for note in said if note not in " ".join(words(page) for page in pages[1:])] == []
    for number, figure in enumerate(pages, start=1):
        figure.draw_without_rendering()
        assert f"page {number} of {len(pages)}" in words(figure)
        foot = next(text for text in figure.texts if "SHA-256" in text.get_text()).get_window_extent().y1
        lowest = min(text.get_window_extent().y0 for text in figure.texts if "ote" in text.get_text())
        assert lowest > foot


def test_names_with_dollar_signs_umlauts_and_emoji_do_no_harm(evidence):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        figure = evidence_figure(evidence(wheel_name="Ünal $x_$ \N{BICYCLE}"))
        pdf_bytes(
            [figure], when=moment("2026-01-31T12:00:00"), title="Ünal \N{BICYCLE}", software="rimgauge 0"
        )
    assert "Ünal $x_$ □" in words(figure)


def test_two_directions_take_two_pages_and_bear_the_moment_they_are_told(evidence):
    when = moment("2026-01-31T12:00:00+00:00")
    made = pdf_bytes(evidence_pages(evidence(radial=True)), when=when, title="t", software="s")
    assert len(re.findall(rb"/Type /Page\b", made)) == 2
    assert b"D:20260131120000" in made


def test_the_bytes_do_not_depend_on_the_process(bytes_of):
    program = (
        "c = (Comparison(after=make_runout()),);"
        "e = Evidence(wheel_name='w', comparisons=c, fingerprint='f', software='s');"
        "made = pdf_bytes(evidence_pages(e), when=moment('2026-01-31T12:00:00'), title='t', software='s')"
    )
    assert bytes_of(program, "1") == bytes_of(program, "2")


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_wheel_measured_often_still_fits_its_pages(evidence, runout, paper):
    often = tuple(runout(0.3 + 0.1 * k) for k in range(8))
    first = replace(evidence().comparisons[0], between=often)
    radial = replace(first, after=runout(0.2, direction="radial"))
    facts = (
        ("Measured by", "by several people " * 11),
        ("Order", "of films " * 15),
        ("Tension", "right " * 20),
        ("Dish", "not " * 20),
        ("Corrections planned", "nipples " * 9),
    )
    noted = [
        replace(each, after=replace(each.after, budget=BUDGET, notes=("A note.",) * 9))
        for each in (first, radial)
    ]
    pages = evidence_pages(replace(evidence(facts=facts), comparisons=tuple(noted)), paper=paper)
    assert "more in between" in words(pages[0])
    said = " ".join(words(page) for page in pages)
    assert all(f"{name}: {told.strip()}" in said for name, told in facts)
    for figure in pages:
        figure.draw_without_rendering()
        foot = next(text for text in figure.texts if "SHA-256" in text.get_text()).get_window_extent().y1
        low = [text for text in figure.texts if text.get_window_extent().y0 < foot]
        assert all("SHA-256" in text.get_text() or "page" in text.get_text() for text in low)
        drawn = [axes.get_window_extent().height for axes in figure.axes]
        assert not drawn or min(drawn) > 0.3 * figure.dpi


def test_advice_for_whoever_measures_is_no_part_of_the_page(runout):
    after = replace(runout(0.25), notes=("The pointer crept.",), advice=("Move the camera further off.",))
    page = Evidence(wheel_name="x", comparisons=(Comparison(after=after),), fingerprint="", software="")
    said = words(evidence_figure(page))
    assert "The pointer crept." in said
    assert "Move the camera" not in said


def test_lines_are_broken_where_their_letters_really_end():
    """Broken by a mean letter, lines ended at six sevenths of their width, and a headline left its figure alone below."""
    for words_, size, weight in (
        ("Not true: runs out by at least 0.84 mm lateral and 0.53 mm radial (tolerance 0.50 mm)", 11, "bold"),
        ("Measured: lateral runout (the rim's way from side to side). Dish was not measured.", 8.5, "normal"),
        ("iiii 'll' WWW ± µ – … Ä 0.25 mm", 20, "normal"),
    ):
        figure = Figure(figsize=(8, 2), dpi=300)
        text = figure.text(0, 0, words_, fontsize=size, fontweight=weight)
        figure.draw_without_rendering()
        drawn_in = text.get_window_extent().width / 300
        # Two hundredths: the box is of the ink, the width up to where a next letter would begin.
        assert text_width(words_, size, bold=weight == "bold") == pytest.approx(drawn_in, rel=0.02)
    figure = Figure(figsize=(8, 2), dpi=300)
    paragraph(figure, 0, 0, "ab" * 80 + " c d", width=2.0, size=10)
    (text,) = figure.texts
    assert text.get_text().replace("\n", "") == "ab" * 80 + "c d"
    figure.draw_without_rendering()
    assert text.get_window_extent().width / 300 < 2.0 * 1.02


def test_a_headline_leaves_no_lone_unit_and_the_circles_words_within_the_margins(evidence, runout):
    said = evidence_headline(evidence(radial=True))
    out = Comparison(after=runout(1.0), before=runout(1.2))
    page = Evidence(
        wheel_name="x",
        comparisons=(out, Comparison(after=runout(0.9, direction="radial"))),
        fingerprint="",
        software="",
    )
    assert len(evidence_headline(page)) > len(said) > 48
    for each in (page, evidence(radial=True)):
        figure = evidence_figure(each)
        figure.draw_without_rendering()
        lines = figure.texts[0].get_text().replace("\u00a0", " ").splitlines()
        assert " ".join(lines) == evidence_headline(each)
        assert len(lines) == 1 or lines[-1] == "(tolerance 0.50 mm)"
        left = (figure.get_figwidth() - 7.2) / 2 * figure.dpi
        (circle,) = (
            text for axes in figure.axes for text in axes.texts if "times too large" in text.get_text()
        )
        (below,) = (text for text in figure.texts if text.get_text() == "How the verdict was reached")
        assert circle.get_text().startswith("dashed: first measured\nsolid: last measured\n")
        assert circle.get_window_extent().x0 >= left
        assert circle.get_window_extent().y0 > below.get_window_extent().y1
