"""Which nipples to turn, how far and in what order, from readings and the wheel's influence alone."""

from rimgauge.plan.planner import make_plan
from rimgauge.plan.wishes import Wishes
from rimgauge.plan.wording import plan_text

__all__ = ["Wishes", "make_plan", "plan_text"]
