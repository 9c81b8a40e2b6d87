"""The free ring against the closed forms of handbooks."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.linalg import eigh

from rimgauge.records import Rim
from rimgauge.wheel.ring import harmonic_of_term, lateral_mode_stiffness, ring_stiffness
from rimgauge.wheel.stiffness import movement

RADIUS_MM = 300.0
LATERAL, RADIAL, TORSION = 220.0, 110.0, 25.0  # N·m²
INEXTENSIBLE_N = 1e11  # the closed forms leave the rim's own length alone
ORDER = 100
HALF_LAST_DIGIT_HZ = 0.005

RIM = Rim(
    effective_diameter_mm=2 * RADIUS_MM,
    lateral_bending_n_m2=LATERAL,
    radial_bending_n_m2=RADIAL,
    torsion_n_m2=TORSION,
    axial_n=INEXTENSIBLE_N,
)


def loaded(angle_deg: list[float], direction: int, force_n: list[float]) -> np.ndarray:
    """Fourier terms of the free ring under point forces that balance each other."""
    load = np.array(force_n) @ movement(np.array(angle_deg), ORDER)[:, direction]
    return np.linalg.lstsq(ring_stiffness(RIM, ORDER), load, rcond=None)[0]


def test_ring_pinched_across_a_diameter() -> None:
    # Young and Budynas, Roark's Formulas for Stress and Strain, circular rings, case 1 (from memory;
    # verified with OpenSees): along the load (π/4 − 2/π)·WR³/EI, across it (2/π − 1/2)·WR³/EI.
    moved = movement(np.array([0.0, 90.0, 180.0]), ORDER)[:, 1] @ loaded([0.0, 180.0], 1, [-1.0, -1.0])
    unit = RADIUS_MM**3 / (RADIAL * 1e6)
    assert_allclose(-(moved[0] + moved[2]) / 2, unit * 0.148779 / 2, rtol=1e-5, atol=0)
    assert_allclose(moved[1], unit * 0.136620 / 2, rtol=1e-5, atol=0)


def test_moment_under_a_pinching_load() -> None:
    # Roark, the same case: moment at the load W·R/π. A curvature's series ends like 1/order: one part in 100.
    answer = loaded([0.0, 180.0], 1, [-1.0, -1.0]).reshape(3, -1)[1]
    harmonic = harmonic_of_term(ORDER)
    at_load = movement(np.array([0.0]), ORDER)[0, 1].reshape(3, -1)[1]
    curvature = at_load @ (answer * (1 - harmonic**2)) / RADIUS_MM**2
    assert_allclose(abs(curvature) * RADIAL * 1e6, RADIUS_MM / np.pi, rtol=0.012, atol=0)


def test_four_forces_out_of_plane() -> None:
    # w = P·R³(0.035398/GJ + 0.142699/EI): closed form, verified with OpenSees.
    answer = loaded([0.0, 90.0, 180.0, 270.0], 0, [1.0, -1.0, 1.0, -1.0])
    moved = movement(np.array([0.0, 90.0]), ORDER)[:, 0] @ answer
    expected = RADIUS_MM**3 * (0.035398 / (TORSION * 1e6) + 0.142699 / (LATERAL * 1e6))
    assert_allclose(moved, [expected, -expected], rtol=2e-5, atol=0)


@pytest.mark.parametrize("n", [2, 3, 5, 9])
def test_stiffness_of_one_harmonic_in_plane(n: int) -> None:
    # k = π·EI·(n² − 1)²/R³ (Roark; verified with OpenSees), for the inextensible shape v' = −u.
    shape = np.zeros((3, 2 * ORDER + 1))
    shape[1, 2 * n - 1] = 1.0
    shape[2, 2 * n] = -1.0 / n
    k = shape.ravel() @ ring_stiffness(RIM, ORDER) @ shape.ravel()
    assert_allclose(k, np.pi * RADIAL * 1e6 * (n**2 - 1) ** 2 / RADIUS_MM**3, rtol=1e-6, atol=0)


@pytest.mark.parametrize("n", [2, 3, 5, 9])
def test_stiffness_of_one_harmonic_out_of_plane(n: int) -> None:
    # Energy of bending and twist written out and minimised over the twist b of the section, per a = 1:
    # curvature (b·R + n²a)/R², twist n(b·R + a)/R². An independent road to the closed form.
    bending, torsion = LATERAL * 1e6, TORSION * 1e6
    twist = np.linspace(-1.5 * n**2, 0, 2_000_001)
    energy = np.pi / RADIUS_MM**3 * (bending * (twist + n**2) ** 2 + torsion * n**2 * (twist + 1) ** 2)
    assert_allclose(lateral_mode_stiffness(RIM, np.array([float(n)]))[0], energy.min(), rtol=1e-6, atol=0)


def test_ring_moved_as_a_whole_resists_nothing() -> None:
    stiffness = ring_stiffness(RIM, 8)
    width = 17
    rigid = np.zeros((6, 3, width))
    rigid[0, 0, 0] = rigid[1, 0, 1] = rigid[2, 0, 2] = 1  # sideways, and tilted about two axes
    rigid[3, 1, 1], rigid[3, 2, 2] = 1, -1  # along the valve
    rigid[4, 1, 2], rigid[4, 2, 1] = 1, 1  # across it
    rigid[5, 2, 0] = 1  # turned about the axle
    moved = rigid.reshape(6, -1)
    assert_allclose(moved @ stiffness, 0, rtol=0, atol=1e-12 * np.abs(stiffness).max())


def test_frequencies_of_a_free_ring() -> None:
    # code_aster V2.03.109 (thin ring, R 0.369 m, 0.048 × 0.05 m, E 185 GPa, ρ 7800): 211.65 and 598.64 Hz.
    rim = Rim(
        effective_diameter_mm=738.0,
        lateral_bending_n_m2=1.0,
        radial_bending_n_m2=185e9 * 0.05 * 0.048**3 / 12,
        torsion_n_m2=1.0,
        axial_n=INEXTENSIBLE_N * 100,
    )
    order = 4
    width = 2 * order + 1
    in_plane = ring_stiffness(rim, order)[width:, width:] * 1e3  # N/m
    share = np.where(harmonic_of_term(order) == 0, 2 * np.pi, np.pi)
    mass = np.diag(np.tile(7800 * 0.048 * 0.05 * 0.369 * share, 2))
    squares = eigh(in_plane, mass, eigvals_only=True)
    found = np.sqrt(squares[squares > 1e3]) / (2 * np.pi)
    assert_allclose(found[[0, 2]], [211.65, 598.64], rtol=0, atol=HALF_LAST_DIGIT_HZ)
