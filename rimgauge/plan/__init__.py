"""Which nipples to turn, how far and in what order, from readings and the wheel's influence alone."""

from rimgauge.plan.explain import explain_text, single_turns
from rimgauge.plan.planner import make_plan
from rimgauge.plan.problem import SLACK_SHARE
from rimgauge.plan.to_know import assumed_side, typed_in
from rimgauge.plan.wishes import Known, Wishes
from rimgauge.plan.wording import plan_text
