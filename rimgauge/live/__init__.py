"""The bench and projector view: its picture, its window and its recording."""

from rimgauge.live.bench import Bench, Cue, Showing, Step
from rimgauge.live.projector import draw_preparing, draw_projector
from rimgauge.live.screen import Foot
from rimgauge.live.trail import Trail, covered, extend, no_trail, spread_mm
from rimgauge.live.window import Shown, run_window
