"""A wheel on the bench that answers by itself: spokes at their true slant and tension, not a matrix of influence.

It shares with the program only the energy of the ring. Each spoke is a bar that is stretched and slanted by
the full movement of its nipple; its pull, and with it the rim's compression, changes with every turn.
So the answer to a turn depends on where the wheel stands, which no influence matrix knows.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from scipy.linalg import solve as solve_linear

from rimgauge.records import FloatArray, Influence, Readings, Tension, Tolerance, Wheel
from rimgauge.wheel import complete_wheel, influence
from rimgauge.wheel.geometry import spoke_lines
from rimgauge.wheel.ring import ring_stiffness
from rimgauge.wheel.stiffness import movement, spoke_rates_n_per_mm

KINDS: dict[str, dict[str, Any]] = {
    "front": {"spokes": 36, "crossings": 3, "kind": "box-section alloy"},
    "dished rear": {"spokes": 32, "crossings": 3, "kind": "box-section alloy, dished rear"},
    "touring": {"spokes": 40, "crossings": 4, "kind": "wide heavy alloy"},
    "few spokes": {"spokes": 20, "crossings": 0, "kind": "deep alloy"},
    "disc": {"spokes": 32, "crossings": 3, "kind": "disc-brake alloy"},
    "light": {"spokes": 28, "crossings": 2, "kind": "light alloy"},
}
OTHER_KINDS: dict[str, dict[str, Any]] = {
    "20 light": {"spokes": 20, "crossings": 2, "kind": "light alloy"},
    "48 wide": {"spokes": 48, "crossings": 4, "kind": "wide heavy alloy"},
    "24 in pairs": {
        "spokes": 24,
        "crossings": 2,
        "kind": "carbon deep",
        "spoke_angles_deg": [15.0 + 30.0 * pair + side for pair in range(12) for side in (-4.0, 4.0)],
    },
    "two right for one left": {
        "spokes": 24,
        "crossings": 0,
        "kind": "box-section alloy, dished rear",
        "side_pattern": "RRL",
    },
    "steel channel": {"spokes": 36, "crossings": 3, "kind": "steel channel"},
    "small wheel": {"spokes": 28, "crossings": 2, "kind": "small-wheel alloy"},
}
"""Kinds that no plan was looked at on while it was built."""
READING_NOISE_MM = 0.01
TENSION_NOISE = 0.03
STIFFNESS_SPREAD = 0.2
UNEVEN = (0.05, 0.10)
RADIAL_GOAL_MM = 0.5
BALANCED = 1e-9
"""Largest step of the last iteration [mm]."""


class TrueWheel:
    """A wheel with n spokes: what the person believes of it (nominal), and what it is.

    lateral_mm, radial_mm (n,): the rim at the spokes, radial about its mean; tension_n (n,).
    dish_mm: the rim's mean since the start.
    """

    def __init__(self, *, nominal: Wheel, true: Wheel, bend: tuple[FloatArray, FloatArray]) -> None:
        """Start a wheel of even tension whose rim stands bent by (lateral, radial) at the spokes [mm]."""
        self.nominal = nominal
        self.true = true
        self._lines = spoke_lines(true)
        self._rate = spoke_rates_n_per_mm(true, self._lines)
        self._order = len(true.flanges)
        self._at = movement(true.spoke_angles_deg, self._order)
        self._flat = self._at.reshape(-1, self._at.shape[2])
        self._tension = true.mean_tensions_n
        self._ring = ring_stiffness(true.rim, self._order)
        self._press = self._ring - ring_stiffness(true.rim, self._order, 1.0)
        self._run = self._lines.toward_hub * self._lines.length_mm[:, None]
        self._terms = self._series(*bend)
        self._rest = np.zeros(self._at.shape[2])
        toward_hub, length = self._spokes()
        self._slack_mm = length - self._tension / self._rate
        self._rest = -self._unbalanced(toward_hub)[0]
        self._balance()
        self._start_dish = float(self._terms[0])

    def turn(self, turns: FloatArray) -> None:
        """Tighten nipples by turns (n,) and let the wheel find its balance."""
        self._slack_mm = self._slack_mm - turns * self.true.spoke.turn_mm
        self._balance()

    @property
    def dish_mm(self) -> float:
        """How far the rim's mean has moved."""
        return float(self._terms[0]) - self._start_dish

    def start_here(self) -> None:
        """Count the movement of the rim's mean from here."""
        self._start_dish = float(self._terms[0])

    def read(
        self, random: np.random.Generator, *, tension: bool = True, gauge: float = TENSION_NOISE
    ) -> Readings:
        """Read it with the noise of indicator and tension gauge."""
        n = len(self.lateral_mm)
        read = self.tension_n * (1 + random.normal(0, gauge, n))
        return Readings(
            lateral_mm=self.lateral_mm + random.normal(0, READING_NOISE_MM, n),
            radial_mm=self.radial_mm + random.normal(0, READING_NOISE_MM, n),
            tension_n=read if tension else np.full(n, np.nan),
        )

    def spreads(self) -> FloatArray:
        """Standard deviation over mean of the tension of the right and the left side (2,)."""
        return np.array([np.std(side) for side in self._sides()]) / self.means_n()

    def means_n(self) -> FloatArray:
        """Mean tension of the right and the left side (2,)."""
        return np.array([np.mean(side) for side in self._sides()])

    def _sides(self) -> list[FloatArray]:
        flanges = np.array(self.nominal.flanges)
        return [self.tension_n[flanges == side] for side in ("right", "left")]

    def is_true(self, goal_mm: float) -> bool:
        """Tell whether it is within the goal sideways and within the usual radially."""
        return bool(np.ptp(self.lateral_mm) <= goal_mm and np.ptp(self.radial_mm) <= RADIAL_GOAL_MM)

    def _series(self, lateral_mm: FloatArray, radial_mm: FloatArray) -> FloatArray:
        """Terms of a smooth shape given at the spokes; the rim is not stretched by it."""
        count = 2 * self._order + 1
        terms = np.zeros(3 * count)
        half = 2 * (len(lateral_mm) // 4) + 1
        basis = self._at[:, 0, :half]
        terms[:half] = np.linalg.lstsq(basis, lateral_mm, rcond=None)[0]
        radial = np.linalg.lstsq(basis, radial_mm, rcond=None)[0]
        terms[count : count + half] = radial
        for n in range(1, half // 2 + 1):  # u + v' = 0
            cosine, sine = 2 * n - 1, 2 * n
            terms[2 * count + sine] = -radial[cosine] / n
            terms[2 * count + cosine] = radial[sine] / n
        return terms

    def _spokes(self) -> tuple[FloatArray, FloatArray]:
        """Directions (n, 3) and lengths (n,) of the spokes where the rim stands now."""
        run = self._run - (self._flat @ self._terms).reshape(-1, 3)
        length = np.linalg.norm(run, axis=1)
        return run / length[:, None], length

    def _unbalanced(self, toward_hub: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Force on each term that has no answer yet, and the ring's stiffness under its compression."""
        press = float(np.sum(-toward_hub[:, 1] * self._tension) / (2 * np.pi))
        softened = self._ring - press * self._press
        pull = self._flat.T @ (self._tension[:, None] * toward_hub).ravel()
        return pull - softened @ self._terms + self._rest, softened

    def _balance(self) -> None:
        """Newton's method on the balance of ring and spokes."""
        for _ in range(30):
            toward_hub, length = self._spokes()
            self._tension = self._rate * (length - self._slack_mm)
            unbalanced, softened = self._unbalanced(toward_hub)
            along = toward_hub[:, :, None] * toward_hub[:, None, :]
            spoke = self._rate[:, None, None] * along
            spoke += (self._tension / length)[:, None, None] * (np.eye(3) - along)
            tangent = softened + self._flat.T @ (spoke @ self._at).reshape(self._flat.shape)
            step = solve_linear(tangent, unbalanced, assume_a="pos")
            self._terms = self._terms + step
            if np.abs(step).max() < BALANCED:
                break
        else:
            raise RuntimeError("the wheel finds no balance")
        moved = (self._flat @ self._terms).reshape(-1, 3)
        self.lateral_mm: FloatArray = moved[:, 0]
        self.radial_mm: FloatArray = moved[:, 1] - moved[:, 1].mean()
        self.tension_n: FloatArray = self._tension


def random_wheel(seed: int, goal_mm: float, kinds: dict[str, dict[str, Any]] = KINDS) -> TrueWheel:
    """Draw a wheel of one of the kinds: 1 to 3 mm lateral, 0.3 to 1 mm radial, each side 5 to 10 % uneven.

    Nipples are turned at random and the sides against each other in waves; what of the lateral runout that
    does not make, and most of the radial, is a bent rim.
    """
    random = np.random.default_rng(seed)
    kind = kinds[list(kinds)[seed % len(kinds)]]
    while True:
        wheel = _drawn(kind, goal_mm, random)
        spreads, lateral, radial = wheel.spreads(), np.ptp(wheel.lateral_mm), np.ptp(wheel.radial_mm)
        even = UNEVEN[0] <= spreads.min() and spreads.max() <= UNEVEN[1]
        if even and 1.0 <= lateral <= 3.0 and 0.3 <= radial <= 1.0:
            wheel.start_here()
            return wheel


def _drawn(kind: dict[str, Any], goal_mm: float, random: np.random.Generator) -> TrueWheel:
    plain = complete_wheel(kind)
    limit_n = 1.25 * max(plain.tension.right_n, plain.tension.left_n)
    nominal = replace(
        plain,
        tension=Tension(right_n=plain.tension.right_n, left_n=plain.tension.left_n, limit_n=limit_n),
        tolerance=Tolerance(lateral_mm=goal_mm, radial_mm=RADIAL_GOAL_MM, dish_mm=1.0),
    )
    true = other_stiffness(nominal, random)
    answer = influence(true)
    right = np.array(nominal.flanges) == "right"
    angle = np.radians(nominal.spoke_angles_deg)
    uneven, target_mm, target_radial_mm = (
        random.uniform(*UNEVEN),
        random.uniform(1, 3),
        random.uniform(0.3, 1),
    )
    bend = random.uniform(0, 0.4) * target_mm * _waves(angle, (2, 3, 4), random)
    each = random.normal(0, 1, len(angle))
    pull = np.where(right, 1.0, -1.0) * _waves(angle, (1, 2, 3, 4), random)
    turned = _mixed(answer, true.mean_tensions_n, (each, pull), bend, (uneven, target_mm))
    dent = _waves(angle, (2, 3), random)
    dented = _scaled(answer.radial_mm @ turned, dent, target_radial_mm) * dent
    wheel = TrueWheel(nominal=nominal, true=true, bend=(bend, dented))
    wheel.turn(turned)
    return wheel


def _mixed(
    answer: Influence,
    means: FloatArray,
    parts: tuple[FloatArray, FloatArray],
    bend: FloatArray,
    wanted: tuple[float, float],
) -> FloatArray:
    """Mix two patterns of turns so that tension is as uneven and the rim as far out as wanted, or nearly."""
    first, second = (part * wanted[1] / np.ptp(answer.lateral_mm @ part) for part in parts)
    one, other = (axis.ravel() for axis in np.meshgrid(np.linspace(0, 2, 60), np.linspace(0, 2, 60)))
    turned = first[:, None] * one + second[:, None] * other
    uneven = np.sqrt(np.mean((answer.tension_n @ turned / means[:, None]) ** 2, axis=0))
    lateral = np.ptp(answer.lateral_mm @ turned + bend[:, None], axis=0)
    miss = (uneven / wanted[0] - 1) ** 2 + (lateral / wanted[1] - 1) ** 2
    mixed: FloatArray = turned[:, np.argmin(miss)]
    return mixed


def _scaled(start: FloatArray, added: FloatArray, reading: float) -> float:
    """How much of `added` brings the full indicator reading to `reading`, or as near to it as can be."""
    factors = np.linspace(0, 4 * reading / np.ptp(added), 400)
    readings = np.ptp(start[:, None] + added[:, None] * factors, axis=0)
    return float(factors[np.argmin(np.abs(readings - reading))])


def other_stiffness(wheel: Wheel, random: np.random.Generator) -> Wheel:
    """The wheel as it may truly be, rim and spokes up to a fifth stiffer or softer than believed."""
    factors = random.uniform(1 - STIFFNESS_SPREAD, 1 + STIFFNESS_SPREAD, 4)
    rim = replace(
        wheel.rim,
        lateral_bending_n_m2=wheel.rim.lateral_bending_n_m2 * factors[0],
        radial_bending_n_m2=wheel.rim.radial_bending_n_m2 * factors[1],
        torsion_n_m2=wheel.rim.torsion_n_m2 * factors[2],
    )
    thickness = float(np.sqrt(factors[3]))
    spoke = replace(
        wheel.spoke,
        right_diameter_mm=wheel.spoke.right_diameter_mm * thickness,
        left_diameter_mm=wheel.spoke.left_diameter_mm * thickness,
    )
    return replace(wheel, rim=rim, spoke=spoke)


def _waves(angle: FloatArray, orders: tuple[int, ...], random: np.random.Generator) -> FloatArray:
    """A random smooth shape of full indicator reading 1."""
    shape = np.sum(
        [random.normal() / order * np.cos(order * angle + random.uniform(0, 7)) for order in orders], axis=0
    )
    waves: FloatArray = shape / np.ptp(shape)
    return waves
