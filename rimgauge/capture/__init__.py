"""From frames to gaps and the evidence for the wheel's angle; the only door to cameras and pictures."""

from rimgauge.capture.sources import Frame, FrameSource, ReadAhead, open_source, read_picture
from rimgauge.capture.tracker import Tracker, track

__all__ = ["Frame", "FrameSource", "ReadAhead", "Tracker", "open_source", "read_picture", "track"]
