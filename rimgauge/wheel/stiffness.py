"""Ring and spokes, pre-tensioned bars, together: one symmetric positive definite matrix, and what each nipple does."""

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import LinAlgError, cho_factor, cho_solve

from rimgauge.errors import BadInput
from rimgauge.records import FloatArray, Influence, Wheel, record
from rimgauge.wheel.geometry import SpokeLines, spoke_lines
from rimgauge.wheel.ring import ring_stiffness, terms

SPOKE_MODULUS_N_PER_MM2 = 200_000.0
"""Young's modulus of steel wire; common practice (193 to 210 GPa are in use)."""
LEAST_ORDER = 48
"""Enough harmonics for a wheel of few spokes; what is cut off falls with the cube of the order."""


@record
class Structure:
    """A wheel ready to be loaded.

    rate_n_per_mm (n,): EA/L of each spoke. at_nipples (n, 3, t): movement of each nipple, lateral, radial,
    tangential, per unit of each of t Fourier terms. factor (t, t): Cholesky factor of the stiffness.
    """

    lines: SpokeLines
    rate_n_per_mm: FloatArray
    order: int
    at_nipples: FloatArray
    factor: NDArray[np.float64]


def build_structure(wheel: Wheel) -> Structure:
    """Put the wheel together under its mean tensions.

    Raises
    ------
    BadInput
        The tension is above what this rim can carry: it would buckle sideways.

    """
    lines = spoke_lines(wheel)
    rates = spoke_rates_n_per_mm(wheel, lines)
    order = max(2 * len(rates), LEAST_ORDER)
    at_nipples = movement(wheel.spoke_angles_deg, order)
    stiffness = stiffness_matrix(wheel, lines, rates, at_nipples, order)
    try:
        factor, _ = cho_factor(stiffness, lower=True, overwrite_a=True)
    except LinAlgError:
        raise BadInput(
            f"tension.right_n = {wheel.tension.right_n:g} and left_n = {wheel.tension.left_n:g} are "
            "above what this rim can carry without buckling; check the tensions and the stiffness of the rim."
        ) from None
    return Structure(lines=lines, rate_n_per_mm=rates, order=order, at_nipples=at_nipples, factor=factor)


def stiffness_matrix(
    wheel: Wheel, lines: SpokeLines, rates: FloatArray, at_nipples: FloatArray, order: int
) -> FloatArray:
    """Stiffness of ring and spokes in the ring's Fourier terms, (t, t) [N/mm]."""
    tensions = wheel.mean_tensions_n
    flat = at_nipples.reshape(-1, at_nipples.shape[2])
    forces = (spoke_stiffness(rates, tensions, lines) @ at_nipples).reshape(flat.shape)
    whole: FloatArray = ring_stiffness(wheel.rim, order, rim_compression_n(tensions, lines)) + flat.T @ forces
    return whole


def movement(angle_deg: FloatArray, order: int) -> FloatArray:
    """Lateral, radial and tangential movement at angles (m,) per unit of each Fourier term, (m, 3, t)."""
    values = terms(angle_deg, order)
    count = values.shape[1]
    blocks = np.zeros((len(values), 3, 3 * count))
    for direction in range(3):
        blocks[:, direction, direction * count : (direction + 1) * count] = values
    return blocks


def solve(structure: Structure, load: FloatArray) -> FloatArray:
    """Fourier terms of the movement under loads (t, k) given as work per unit of each term, (t, k) [mm]."""
    answer: FloatArray = cho_solve((structure.factor, True), load)
    return answer


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


LEAST_SLACK_TURNS = 1e-9


def slack_turns(tension_n: FloatArray, per_turn_n: FloatArray) -> FloatArray:
    """How many turns each spoke is too loose to pull: what its nipple may be tightened by before it does.

    The linear complementarity problem tension + per_turn · slack ≥ 0, slack ≥ 0, one of the two nothing at each
    spoke, by an active set (Cottle, Pang and Stone, The Linear Complementarity Problem, from memory).

    Parameters
    ----------
    tension_n : (n,) what the linear model gives [N]; below nothing where a spoke would have to push.
    per_turn_n : (n, n) change of each tension for one turn of each nipple [N].

    Returns
    -------
    (n,)
        Turns, 0 where the spoke pulls.

    Raises
    ------
    BadInput
        So many spokes are slack that the others don't hold the rim.

    """
    slack = np.zeros(len(tension_n))
    loose = np.zeros(len(tension_n), dtype=bool)
    for _ in range(4 * len(tension_n)):
        pull = tension_n + per_turn_n @ slack
        pull[loose] = 0.0
        if slack.min() < -LEAST_SLACK_TURNS:
            loose[slack.argmin()] = False
        elif pull.min() < 0.0:
            loose[pull.argmin()] = True
        else:
            return np.maximum(slack, 0.0)
        block = per_turn_n[np.ix_(loose, loose)]
        if np.linalg.eigvalsh(block).min(initial=np.inf) <= 0.0:
            break
        slack = np.zeros(len(tension_n))
        slack[loose] = np.linalg.solve(block, -tension_n[loose])
    raise BadInput("so many spokes would be slack then that the others could not hold the rim: turn less")
