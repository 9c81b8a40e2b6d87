"""A plan of given steps, of a wheel of which lateral runout alone is known."""

from rimgauge.records import Bound, Plan, WheelState

STATE = WheelState(
    lateral_mm=0.5,
    radial_mm=None,
    dish_mm=None,
    tension_spread_right=None,
    tension_spread_left=None,
    highest_tension_n=None,
)


def plan_of(steps, cautions=()) -> Plan:
    """The plan, which expects to change nothing."""
    bound = Bound(objective=1.0, proved=0.8)
    return Plan(
        round=1, corrections=tuple(steps), predicted=STATE, before=STATE, bound=bound, cautions=cautions
    )
