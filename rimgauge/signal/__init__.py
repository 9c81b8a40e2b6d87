"""From evidence to angle, from gap and angle to runout with its uncertainty and verdict."""

from rimgauge.signal.runout import judge, side_runout
from rimgauge.signal.turning import find_turning

__all__ = ["find_turning", "judge", "side_runout"]
