"""The same evidence as one HTML file: pictures and drawings inside, nothing fetched, fit for screen and print."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from html import escape

import cv2
import matplotlib
import numpy as np
from matplotlib.figure import Figure

from rimgauge.report.circle import draw_circle, nice_factor
from rimgauge.report.comparison import Comparison, Evidence, Photo
from rimgauge.report.evidence import legend_words, rows_of
from rimgauge.report.palette import our_style
from rimgauge.report.sheet import frame
from rimgauge.report.unrolled import draw_unrolled, largest_reach_mm
from rimgauge.report.words import (
    CAUTIONS,
    amount,
    budget_rows,
    date_words,
    evidence_headline,
    evidence_outcome,
    how_lines,
    judged,
    meaning_words,
    measured_words,
    newest,
    one_sided_words,
    result_rows,
    verdict_words,
)

_MEDIA = {b"\xff\xd8": "image/jpeg", b"\x89P": "image/png"}
_STYLE = """
html { font: 100%/1.5 system-ui, sans-serif; color: #1a1a1a; background: #fff; }
body { max-width: 60rem; margin: 2rem auto; padding: 0 1rem; }
h1 { font-size: 1.7rem; line-height: 1.25; margin: 0 0 .25rem; padding-left: .75rem; border-left: .5rem solid; }
h1.within { border-color: #2f6b2f; } h1.out { border-color: #c04a00; border-left-style: double; }
h1.undecided { border-color: #5c5c5c; border-left-style: dashed; }
h2 { font-size: 1.2rem; margin: 2rem 0 .5rem; border-top: 1px solid #999; padding-top: 1rem; }
h3 { font-size: 1rem; margin: 1rem 0 .25rem; } h2, h3 { break-after: avoid; }
table { border-collapse: collapse; } tr { break-inside: avoid; }
th, td { text-align: left; padding: .15rem 1.2rem .15rem 0; vertical-align: top; }
.number { text-align: right; font-variant-numeric: tabular-nums; }
svg, img { max-width: 100%; height: auto; }
.row { display: grid; grid-template-columns: minmax(0, 2fr); grid-auto-columns: minmax(0, 3fr);
  grid-auto-flow: column; gap: 1rem; align-items: end; break-inside: avoid; }
@media (max-width: 40rem) { .row { grid-template-columns: minmax(0, 1fr); grid-auto-flow: row; } }
figure { margin: 0; break-inside: avoid; } figcaption, .quiet { color: #5c5c5c; font-size: .85rem; }
code { overflow-wrap: anywhere; font-size: .8rem; }
@media print { html { font-size: 70%; } body { margin: 0; padding: 0; max-width: none; } }
"""


def evidence_html(evidence: Evidence) -> str:
    """Write the pages of one wheel as a single HTML file; equal evidence gives equal text."""
    line = evidence_headline(evidence)
    told = judged(evidence)
    parts = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{escape(evidence.wheel_name)}: {escape(line)}</title><style>{_STYLE}</style></head><body>",
        f'<h1 class="{evidence_outcome(evidence)}">{escape(line)}</h1>',
        f"<p><strong>{escape(evidence.wheel_name)}</strong>, {date_words(newest(told).created)}<br>",
        f"{escape(measured_words(evidence))}</p>",
        _table(result_rows(evidence)),
        f'<p class="quiet">{escape(meaning_words(told[0]))}</p>',
        *(f"<p>{escape(name)}: {escape(words)}</p>" for name, words in evidence.facts),
        *(_section(each, evidence.rim_diameter_mm) for each in evidence.comparisons),
        "<h2>Cautions</h2>",
        _list(CAUTIONS),
        f'<h2>Where this comes from</h2><p class="quiet">Drawn by {escape(evidence.software)}. ',
        f"<code>{escape(evidence.fingerprint)}</code></p>",
        "</body></html>",
    ]
    return "\n".join(parts) + "\n"


def _section(comparison: Comparison, rim_diameter_mm: float) -> str:
    """Write all about one direction."""
    after = comparison.after
    direction = after.direction.capitalize()
    one_sided = one_sided_words(after)
    amounts = [f"{name.lower()} {amount(each)}".strip() for name, each, _ in rows_of(comparison)]
    told = f"{direction} runout against spoke number: {', '.join(amounts)}"
    parts = [
        f"<section><h2>{direction} runout</h2>",
        _drawing(_curves(comparison), told),
        '<div class="row">',
        f"<figure>{_drawing(_circle(comparison, rim_diameter_mm), 'Shape of the rim, exaggerated')}</figure>",
        *(_photo(photo) for photo in comparison.photos),
        "</div>",
        "<h3>How it was measured</h3>",
        _list(how_lines(comparison)),
        "<h3>How the verdict was reached</h3>",
        f"<p>{escape(verdict_words(after))}</p>",
        _table(budget_rows(after), numbers_from=1),
        *([f'<p class="quiet">{escape(one_sided)}</p>'] if one_sided else []),
    ]
    if after.notes:
        parts += ["<h3>Notes</h3>", _list(after.notes)]
    parts += [
        "<details><summary>Runout at each spoke, in mm</summary>",
        _table(_spoke_rows(comparison), numbers_from=2),
        "</details></section>",
    ]
    return "\n".join(parts)


def _spoke_rows(comparison: Comparison) -> list[tuple[str, ...]]:
    """List the worse side's runout at each spoke, first and last, with how sure the last one is."""
    measured = [each.worse_side for _, each, _ in rows_of(comparison)]
    side = measured[-1]
    names = [name or "Runout" for name, _, _ in rows_of(comparison)]
    rows: list[tuple[str, ...]] = [("Spoke", "Flange", *names, "Standard uncertainty")]
    for index, flange in enumerate(side.spoke_flange):
        values = (
            _signed(each.spoke_mm[index]) if len(each.spoke_mm) == len(side.spoke_mm) else "–"
            for each in measured
        )
        unsure = f"{side.spoke_standard_uncertainty_mm[index]:.3f}"
        rows.append((f"{index + 1}", flange, *values, unsure))
    return rows


def _signed(value_mm: float) -> str:
    return f"{round(value_mm, 3) + 0.0:+.3f}".replace("-", "−")


def _curves(comparison: Comparison) -> Figure:
    reach_mm = largest_reach_mm(comparison.after, comparison.before)
    rows = rows_of(comparison)
    with our_style():
        figure = Figure(figsize=(8.4, 2.75 * len(rows)))
        for number, (when, each, stroke) in enumerate(rows):
            axes = frame(figure, 0.55, 2.75 * number + 0.5, 6.9, 1.7)
            title = f"{when}, {date_words(each.created)}" if when else date_words(each.created)
            draw_unrolled(axes, each, stroke, reach_mm=reach_mm, title=title)
    return figure


def _circle(comparison: Comparison, rim_diameter_mm: float) -> Figure:
    rows = rows_of(comparison)
    reach_mm = max(float(np.abs(side.curve_mm).max()) for _, each, _ in rows for side in each.sides)
    with our_style():
        figure = Figure(figsize=(3.2, 3.4))
        draw_circle(
            frame(figure, 0.0, 0.0, 3.2, 3.4),
            [(each, stroke) for _, each, stroke in rows],
            factor=nice_factor(reach_mm, rim_diameter_mm),
            rim_diameter_mm=rim_diameter_mm,
            legend=legend_words(comparison),
        )
    return figure


def _drawing(figure: Figure, told: str) -> str:
    """Turn a figure into SVG that stands inside the page; what it shows is said for those who can't see it."""
    paper = io.StringIO()
    # The salt keeps the names inside the drawing, which must differ from drawing to drawing, the same each time.
    with our_style(), matplotlib.rc_context({"svg.hashsalt": told, "svg.fonttype": "path"}):
        figure.savefig(paper, format="svg", metadata={"Date": None, "Creator": None})
    text = paper.getvalue()
    drawing = text[text.index("<svg") :].replace("<svg ", f'<svg role="img" aria-label="{escape(told)}" ', 1)
    return drawing.strip()


def _photo(photo: Photo) -> str:
    encoded, media = photo.encoded, _MEDIA.get(photo.encoded[:2])
    if media is None:  # a kind of picture that not every browser shows
        encoded, media = cv2.imencode(".png", photo.picture)[1].tobytes(), "image/png"
    data = base64.b64encode(encoded).decode("ascii")
    words = escape(photo.words)
    return f'<figure><img src="data:{media};base64,{data}" alt="{words}"><figcaption>{words}</figcaption></figure>'


def _table(rows: Sequence[tuple[str, ...]], *, numbers_from: int | None = None) -> str:
    lines = ["<table>"]
    for number, row in enumerate(rows):
        tag = "th" if number == 0 else "td"
        cells = (
            f"<{tag}{' class=number' if numbers_from is not None and place >= numbers_from else ''}>{escape(words)}</{tag}>"
            for place, words in enumerate(row)
        )
        lines.append(f"<tr>{''.join(cells)}</tr>")
    return "\n".join([*lines, "</table>"])


def _list(lines: Sequence[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(line)}</li>" for line in lines) + "</ul>"
