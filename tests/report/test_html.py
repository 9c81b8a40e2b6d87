"""The HTML report says what the PDF says, in one file that fetches nothing and comes out the same each time."""

import base64
import re
from html.parser import HTMLParser

import cv2
import numpy as np
import pytest

from rimgauge.report.comparison import Comparison, Evidence, Photo
from rimgauge.report.html import evidence_html

VOID = {"meta", "br", "img"}


class Outline(HTMLParser):
    """Checks that every element is closed in turn, and gathers words and addresses."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: list[str] = []
        self.addresses: list[str] = []
        self.told: list[str] = []

    def handle_starttag(self, tag, attrs):
        found = dict(attrs)
        self.addresses += [found[name] for name in ("src", "href", "xlink:href", "action") if name in found]
        self.told += [found["aria-label"]] if tag == "svg" and "aria-label" in found else []
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.addresses += [value for name, value in attrs if name in ("src", "href", "xlink:href")]

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)


def parsed(text: str) -> Outline:
    outline = Outline()
    outline.feed(text)
    assert outline.open == []
    return outline


@pytest.fixture
def evidence(runout):
    def build(wheel_name="front, touring", photos=()):
        before = runout(1.0, created="2026-01-31T10:40:00+00:00")
        lateral = Comparison(after=runout(0.25), before=before, photos=photos)
        return Evidence(
            wheel_name=wheel_name,
            comparisons=(lateral, Comparison(after=runout(0.2, direction="radial"))),
            facts=(("Measured by", "A. Müller"), ("Tension", "not measured")),
            fingerprint="Record: " + "ab" * 32,
            software="rimgauge 0.1.0",
        )

    return build


def test_it_says_all_that_evidence_needs(evidence):
    said = " ".join(" ".join(parsed(evidence_html(evidence())).words).split())
    for part in (
        "Runs true: at most 0.28 mm lateral and 0.24 mm radial (tolerance 0.50 mm)",
        "front, touring",
        "0.959 ± 0.040 mm, out",
        "0.240 ± 0.040 mm, within",
        "95% probability",
        "ISO 14253-1",
        "88 of 90 frames",
        "repeatability",
        "qualified mechanic",
        "Measured by: A. Müller",
        "ab" * 32,
    ):
        assert part in said, part


def test_every_spoke_is_listed_with_its_number(evidence):
    said = evidence_html(evidence())
    side = evidence().comparisons[0].after.sides[0]
    # What scale, depth and the camera's place add is no part of it, so it must not be called the uncertainty.
    assert "<th class=number>Standard uncertainty</th>" in said
    for number, value_mm in enumerate(side.spoke_mm, start=1):
        shown = f"{value_mm:+.3f}".replace("-", "−")
        assert re.search(rf"<td>{number}</td><td>(right|left)</td>.*{re.escape(shown)}", said)


def test_nothing_is_fetched_and_every_drawing_is_told_in_words(evidence):
    text = evidence_html(evidence())
    outline = parsed(text)
    assert {address[:1] for address in outline.addresses} <= {"#"}
    assert "url(http" not in text
    assert "@import" not in text
    assert "<script" not in text
    assert len(outline.told) == 4


def test_a_name_can_not_break_the_page(evidence):
    text = evidence_html(evidence(wheel_name="<script>alert(1)</script> & \N{BICYCLE}"))
    assert "<script" not in text
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; \N{BICYCLE}" in text


def test_pictures_stand_inside_as_they_were_kept(evidence):
    picture = np.full((30, 40, 3), 90, np.uint8)
    kept = cv2.imencode(".jpg", picture)[1].tobytes()
    odd = Photo(picture=picture, encoded=b"BM", words="a bitmap")
    text = evidence_html(evidence(photos=(Photo(picture=picture, encoded=kept, words="worst"), odd)))
    inside = [base64.b64decode(data) for data in re.findall(r"data:image/\w+;base64,([^\"]+)", text)]
    assert inside[0] == kept
    assert (cv2.imdecode(np.frombuffer(inside[1], np.uint8), cv2.IMREAD_COLOR) == picture).all()
    assert text.count('alt="worst"') == 1


def test_the_bytes_do_not_depend_on_the_process(bytes_of):
    program = (
        "c = (Comparison(after=make_runout(), before=make_runout(1.4)),);"
        "e = Evidence(wheel_name='w', comparisons=c, fingerprint='f', software='s');"
        "made = evidence_html(e).encode()"
    )
    assert bytes_of(program, "1") == bytes_of(program, "2")
