"""Figures, the overlay on a frame and the evidence page; all are returned, none is saved."""

from rimgauge.report.overlay import overlay
from rimgauge.report.runout import runout_figure

__all__ = ["overlay", "runout_figure"]
