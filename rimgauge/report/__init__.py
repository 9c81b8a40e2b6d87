"""Figures, the overlay on a frame and the evidence pages; all are returned, none is saved."""

from rimgauge.report.comparison import Comparison, Evidence, Photo, read_photo
from rimgauge.report.correction import correction_sheet
from rimgauge.report.evidence import evidence_figure, evidence_pages
from rimgauge.report.html import evidence_html
from rimgauge.report.overlay import overlay
from rimgauge.report.pdf import pdf_bytes
from rimgauge.report.runout import runout_figure
from rimgauge.report.words import headline, moment, tension_words

__all__ = [
    "Comparison",
    "Evidence",
    "Photo",
    "correction_sheet",
    "evidence_figure",
    "evidence_html",
    "evidence_pages",
    "headline",
    "moment",
    "overlay",
    "pdf_bytes",
    "read_photo",
    "runout_figure",
    "tension_words",
]
