"""From frames to gaps and the evidence for the wheel's angle; the only door to cameras and pictures."""

from rimgauge.capture.again import LaidDown, at_times, kept_source, picture_at
from rimgauge.capture.lens import lens_stretch, straightened
from rimgauge.capture.live_mark import LiveMark
from rimgauge.capture.sources import Frame, FrameSource, ReadAhead, open_source, read_picture
from rimgauge.capture.tags import TagFinder, along_px
from rimgauge.capture.tracker import LEARNING_FRAMES, Tracker, mark_strip, spoke_strip, track
from rimgauge.capture.working_size import at_full_size, at_working_size, full_places, reduced_picture
