"""`python -m rimgauge`, the same as `rimgauge`."""

from rimgauge.cli import run

run()
