"""A force at one place of the rim: how frame programs and the smeared formula are asked for a wheel's stiffness."""

from rimgauge.records import Direction, Wheel
from rimgauge.wheel.stiffness import build_structure, movement, solve


def point_stiffness_n_per_mm(wheel: Wheel, direction: Direction) -> float:
    """Force that moves the rim by 1 mm where it acts, at spoke 1, with spokes and hub in place [N/mm]."""
    structure = build_structure(wheel)
    load = movement(wheel.spoke_angles_deg[:1], structure.order)[0, 0 if direction == "lateral" else 1]
    return float(1 / (load @ solve(structure, load[:, None])[:, 0]))
