"""The rim as a closed curved beam, in Fourier series round the wheel.

A uniform ring does not mix harmonics, so a series describes it exactly, harmonic by harmonic, and any angle
can be asked for. The terms of the displacement are 1, cos θ, sin θ, cos 2θ, sin 2θ, … up to an order, first
for lateral, then for radial, then for tangential movement.

Left out: shear and warping of the section, and the offset of the nipples from its shear centre.
"""

import numpy as np
from scipy.linalg import block_diag

from rimgauge.records import FloatArray, Rim

N_MM2_PER_N_M2 = 1e6


def terms(angle_deg: FloatArray, order: int) -> FloatArray:
    """Values of the series' terms at angles (m,), as (m, 2·order + 1)."""
    phase = np.radians(angle_deg)[:, None] * np.arange(1, order + 1)
    columns = np.empty((len(phase), 2 * order + 1))
    columns[:, 0] = 1.0
    columns[:, 1::2] = np.cos(phase)
    columns[:, 2::2] = np.sin(phase)
    return columns


def harmonic_of_term(order: int) -> FloatArray:
    """Harmonic n of each term, (2·order + 1,)."""
    return ((np.arange(2 * order + 1) + 1) // 2).astype(np.float64)


def ring_stiffness(rim: Rim, order: int, compression_n: float = 0.0) -> FloatArray:
    """Stiffness of the free ring in its Fourier terms.

    Parameters
    ----------
    rim : its effective diameter stands for that of the centroid.
    order : highest harmonic.
    compression_n : force along the rim that the spokes' pull has put there, + presses [N].

    Returns
    -------
    (3·(2·order + 1), 3·(2·order + 1)) array
        Second derivative of the energy by the terms [N/mm].

    References
    ----------
    Lateral, torsion condensed out: W. C. Young, R. G. Budynas, Roark's Formulas for Stress and Strain,
    circular rings (from memory); docs/method-wheel.md derives it. Compression: C. Ford, Z. Zhang,
    O. Balogun, ICTAM 2016, written there for lateral movement.

    """
    whole: FloatArray = block_diag(_lateral(rim, order, compression_n), _in_plane(rim, order, compression_n))
    return whole


def lateral_mode_stiffness(rim: Rim, harmonic: FloatArray) -> FloatArray:
    """Stiffness k of the free ring against a·cos nθ out of plane (energy k·a²/2) [N/mm], 0 for n = 0 and 1.

    References
    ----------
    k = π·EI·GJ·n²(n² − 1)² / (R³(EI + n²·GJ)).

    """
    radius = rim.effective_diameter_mm / 2
    bending = rim.lateral_bending_n_m2 * N_MM2_PER_N_M2
    torsion = rim.torsion_n_m2 * N_MM2_PER_N_M2
    square = harmonic**2
    return np.pi * bending * torsion * square * (square - 1) ** 2 / (radius**3 * (bending + square * torsion))


def _lateral(rim: Rim, order: int, compression_n: float) -> FloatArray:
    harmonic = harmonic_of_term(order)
    softening = np.pi * compression_n * harmonic**2 / (rim.effective_diameter_mm / 2)
    return np.diag(lateral_mode_stiffness(rim, harmonic) - softening)


def _in_plane(rim: Rim, order: int, compression_n: float) -> FloatArray:
    """Radial u and tangential v: strain (u + v')/R, rotation ψ = (v − u')/R, curvature ψ'/R."""
    radius = rim.effective_diameter_mm / 2
    bending = rim.radial_bending_n_m2 * N_MM2_PER_N_M2
    slope = _derivative(order)
    one = np.eye(len(slope))
    strain = np.hstack([one, slope]) / radius
    rotation = np.hstack([-slope, one]) / radius
    curvature = slope @ rotation / radius
    # Mean square of each term over the circle, times the length of the rim.
    weight = np.where(harmonic_of_term(order) == 0, 2 * np.pi, np.pi)[:, None] * radius
    stiffness: FloatArray = (
        rim.axial_n * strain.T @ (weight * strain)
        + bending * curvature.T @ (weight * curvature)
        - compression_n * rotation.T @ (weight * rotation)
    )
    return stiffness


def _derivative(order: int) -> FloatArray:
    """Matrix D with terms' = terms · D, the derivative by the angle in radians."""
    harmonic = np.arange(1, order + 1)
    cosine, sine = 2 * harmonic - 1, 2 * harmonic
    matrix = np.zeros((2 * order + 1, 2 * order + 1))
    matrix[cosine, sine] = harmonic
    matrix[sine, cosine] = -harmonic
    return matrix
