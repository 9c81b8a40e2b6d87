"""Figures, the overlay on a frame and the evidence pages; all are returned, none is saved."""

from rimgauge.report.evidence import Comparison, Evidence, Photo, evidence_figure, evidence_pages
from rimgauge.report.overlay import overlay
from rimgauge.report.pdf import pdf_bytes
from rimgauge.report.runout import runout_figure
from rimgauge.report.words import headline, moment

__all__ = [
    "Comparison",
    "Evidence",
    "Photo",
    "evidence_figure",
    "evidence_pages",
    "headline",
    "moment",
    "overlay",
    "pdf_bytes",
    "runout_figure",
]
