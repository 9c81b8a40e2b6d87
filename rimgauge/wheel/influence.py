"""What one turn of each nipple does to the rim and to the tensions."""

import numpy as np

from rimgauge.records import Direction, FloatArray, Influence, Wheel
from rimgauge.wheel.stiffness import build_structure, movement, solve


def influence(wheel: Wheel, angle_deg: FloatArray | None = None) -> Influence:
    """Work out what one turn (tightening) of each nipple does.

    Lateral + is toward the right, radial + is outward.

    Parameters
    ----------
    wheel : with n spokes.
    angle_deg : (m,), where the movement of the rim is wanted [deg]; None: at the spokes.

    Returns
    -------
    Influence

    Raises
    ------
    BadInput
        The tension is above what this rim can carry.

    Limits
    ------
    Small turns: linear about the wheel at its mean tensions. Hub and axle don't give.
    A turn shortens its spoke by the thread's pitch; wind-up of the spoke is left out.

    """
    at = np.asarray(wheel.spoke_angles_deg if angle_deg is None else angle_deg, dtype=np.float64)
    structure = build_structure(wheel)
    pull = structure.rate_n_per_mm * wheel.spoke.turn_mm
    # Movement of each nipple toward its flange, per unit of each term: (n, t).
    toward_hub = np.einsum("ni,nit->nt", structure.lines.toward_hub, structure.at_nipples)
    answer = solve(structure, (toward_hub * pull[:, None]).T)
    moved = movement(at, structure.order) @ answer
    slackened = structure.rate_n_per_mm[:, None] * (toward_hub @ answer)
    return Influence(
        angle_deg=at,
        lateral_mm=moved[:, 0],
        radial_mm=moved[:, 1],
        dish_mm=answer[0],
        tension_n=np.diag(pull) - slackened,
    )


def point_stiffness_n_per_mm(wheel: Wheel, direction: Direction) -> float:
    """Force that moves the rim by 1 mm where it acts, at spoke 1, with spokes and hub in place [N/mm]."""
    structure = build_structure(wheel)
    load = movement(wheel.spoke_angles_deg[:1], structure.order)[0, 0 if direction == "lateral" else 1]
    return float(1 / (load @ solve(structure, load[:, None])[:, 0]))
