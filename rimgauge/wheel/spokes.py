"""The spokes as pre-tensioned bars: how stiff each one is and how hard it pulls."""

import numpy as np

from rimgauge.records import FloatArray, Wheel
from rimgauge.wheel.geometry import SpokeLines

SPOKE_MODULUS_N_PER_MM2 = 200_000.0
"""Young's modulus of steel wire; common practice (193 to 210 GPa are in use)."""


def spoke_rates_n_per_mm(wheel: Wheel, lines: SpokeLines) -> FloatArray:
    """Axial stiffness EA/L of each spoke, (n,) [N/mm]."""
    right = np.array(wheel.flanges) == "right"
    diameter = np.where(right, wheel.spoke.right_diameter_mm, wheel.spoke.left_diameter_mm)
    return SPOKE_MODULUS_N_PER_MM2 * np.pi * diameter**2 / 4 / lines.length_mm


def spoke_stiffness(rate_n_per_mm: FloatArray, tension_n: FloatArray, lines: SpokeLines) -> FloatArray:
    """Stiffness of each spoke against a movement of its nipple, hub held: (n, 3, 3) [N/mm].

    Along itself a spoke gives EA/L, across itself T/L: the stiffness of a pre-tensioned bar
    (from memory, any text on the geometric stiffness of trusses).
    """
    along = lines.toward_hub[:, :, None] * lines.toward_hub[:, None, :]
    across = np.eye(3) - along
    return rate_n_per_mm[:, None, None] * along + (tension_n / lines.length_mm)[:, None, None] * across


def rim_compression_n(tension_n: FloatArray, lines: SpokeLines) -> float:
    """Force along the rim that carries the spokes' inward pull, + presses [N].

    An even inward pull of p per length presses a ring of radius R with p·R; here p = ΣT·cos α/(2πR).
    """
    return float(np.sum(-lines.toward_hub[:, 1] * tension_n) / (2 * np.pi))
