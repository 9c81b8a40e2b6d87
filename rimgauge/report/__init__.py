"""Figures, the overlay on a frame and the evidence pages; all are returned, none is saved."""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rimgauge.report.comparison import Comparison, Evidence, Photo, read_photo
    from rimgauge.report.correction import correction_sheet
    from rimgauge.report.evidence import evidence_figure, evidence_pages
    from rimgauge.report.html import evidence_html
    from rimgauge.report.marked import overlay
    from rimgauge.report.pdf import pdf_bytes
    from rimgauge.report.runout import runout_figure
    from rimgauge.report.words import (
        evidence_headline,
        evidence_outcome,
        headline,
        judged,
        moment,
        short_date,
        tension_words,
    )

__all__ = [
    "Comparison",
    "Evidence",
    "Photo",
    "correction_sheet",
    "evidence_figure",
    "evidence_headline",
    "evidence_html",
    "evidence_outcome",
    "evidence_pages",
    "headline",
    "judged",
    "moment",
    "overlay",
    "pdf_bytes",
    "read_photo",
    "runout_figure",
    "short_date",
    "tension_words",
]

_HOMES = {
    "comparison": ("Comparison", "Evidence", "Photo", "read_photo"),
    "correction": ("correction_sheet",),
    "evidence": ("evidence_figure", "evidence_pages"),
    "html": ("evidence_html",),
    "marked": ("overlay",),
    "pdf": ("pdf_bytes",),
    "runout": ("runout_figure",),
    "words": (
        "evidence_headline",
        "evidence_outcome",
        "headline",
        "judged",
        "moment",
        "short_date",
        "tension_words",
    ),
}


def __getattr__(name: str) -> object:
    """Load a part when it is first asked for: matplotlib takes longer to load than a frame to mark."""
    for home, names in _HOMES.items():
        if name in names:
            globals()[name] = found = getattr(import_module(f"{__name__}.{home}"), name)
            return found
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
