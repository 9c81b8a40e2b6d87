"""The wheel as a structure: ready-made classes, complete builds, and what each nipple turn does."""

from rimgauge.wheel.classes import READY_MADE, ready_made
from rimgauge.wheel.complete import complete_wheel
from rimgauge.wheel.stiffness import influence, slack_turns
