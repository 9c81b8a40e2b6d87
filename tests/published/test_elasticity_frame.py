"""Four wheels against a general-purpose frame library, each built there bar by bar.

The library knows nothing of rings or wheels: the rim is a polygon of straight beams, each spoke a bar without
tension, and a turn of a nipple is the force that would shorten its spoke by the thread's pitch.
"""

from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from rimgauge.records import FloatArray, Wheel
from rimgauge.wheel import complete_wheel, influence

Pynite = pytest.importorskip("Pynite", reason="PyNiteFEA, of the test extra, is not installed")

STEEL_N_PER_MM2 = 200e3  # common practice
SEGMENTS = 8
"""Straight beams between neighbouring nipples."""
WITHIN = 0.01
"""Share of the largest value; the polygon alone is off by about a thousandth."""
NEARLY_SLACK = {"right_n": 1.0, "left_n": 1.0, "limit_n": 1000.0}

BUILDS: dict[str, dict[str, Any]] = {
    "dished rear": {"spokes": 32, "crossings": 3, "kind": "box-section alloy, dished rear"},
    "disc, thinner on the left": {
        "spokes": 28,
        "crossings": 2,
        "kind": "disc-brake alloy",
        "spoke": {"right_diameter_mm": 2.0, "left_diameter_mm": 1.6},
    },
    "paired holes, small": {
        "spokes": 20,
        "crossings": 1,
        "kind": "small-wheel alloy",
        "spoke_angles_deg": [18.0 * k + (5.0 if k % 2 == 0 else 1.0) for k in range(20)],
    },
    "two right spokes for each left one": {
        "spokes": 24,
        "crossings": 0,
        "side_pattern": "RRL",
        "kind": "box-section alloy, dished rear",
    },
}


@pytest.mark.parametrize("name", BUILDS)
def test_a_turn_of_a_nipple_does_what_a_frame_of_bars_does(name: str) -> None:
    wheel = complete_wheel({**BUILDS[name], "tension": NEARLY_SLACK})
    ours = influence(wheel)
    for nipple, (lateral_mm, radial_mm, tension_n) in frame_answers(wheel, (0, 1)).items():
        for got, wanted in (
            (ours.lateral_mm[:, nipple], lateral_mm),
            (ours.radial_mm[:, nipple], radial_mm),
            (ours.tension_n[:, nipple], tension_n),
        ):
            assert_allclose(got, wanted, rtol=0, atol=WITHIN * np.abs(wanted).max())


def frame_answers(
    wheel: Wheel, nipples: tuple[int, ...]
) -> dict[int, tuple[FloatArray, FloatArray, FloatArray]]:
    """Lateral, radial movement and tension of every spoke (n,) for a turn of each of the nipples."""
    frame, places, holes = Pynite.FEModel3D(), *_places(wheel)
    frame.add_material("any", STEEL_N_PER_MM2, STEEL_N_PER_MM2 / 2.6, 0.3, 0.0)
    _add_rim(frame, wheel)
    run = holes - places
    length = np.linalg.norm(run, axis=1)
    diameter = np.where(
        np.array(wheel.flanges) == "right", wheel.spoke.right_diameter_mm, wheel.spoke.left_diameter_mm
    )
    rate = STEEL_N_PER_MM2 * np.pi * diameter**2 / 4 / length
    for number, hole in enumerate(holes):
        frame.add_node(f"hole {number}", *hole)
        frame.def_support(f"hole {number}", *[True] * 6)
        frame.add_section(f"wire {number}", np.pi * diameter[number] ** 2 / 4, 1e-6, 1e-6, 1e-6)
        frame.add_member(f"spoke {number}", f"hole {number}", f"rim {number}.0", "any", f"wire {number}")
    for nipple in nipples:
        force = rate[nipple] * wheel.spoke.turn_mm * run[nipple] / length[nipple]
        for axis, size in zip("XYZ", force, strict=True):
            frame.add_node_load(f"rim {nipple}.0", f"F{axis}", size, f"turn {nipple}")
        frame.add_load_combo(f"turn {nipple}", {f"turn {nipple}": 1.0})
    frame.analyze_linear(check_stability=False)
    outward = places * [1, 0, 1] / np.hypot(places[:, 0], places[:, 2])[:, None]
    answers = {}
    for nipple in nipples:
        ends = [frame.nodes[f"rim {number}.0"] for number in range(len(places))]
        moved = np.array([[getattr(end, f"D{axis}")[f"turn {nipple}"] for axis in "XYZ"] for end in ends])
        tension = -rate * np.einsum("ij,ij->i", moved, run) / length
        tension[nipple] += rate[nipple] * wheel.spoke.turn_mm
        answers[nipple] = moved[:, 1], np.einsum("ij,ij->i", moved, outward), tension
    return answers


def _places(wheel: Wheel) -> tuple[FloatArray, FloatArray]:
    """Nipples and flange holes (n, 3); the axle is the library's Y, + to the right."""
    n, hub = len(wheel.flanges), wheel.hub
    right = np.array(wheel.flanges) == "right"
    angle = np.radians(wheel.spoke_angles_deg)
    leaning = np.where(np.arange(n) // 2 % 2 == 0, 1.0, -1.0)  # in turn on each flange, the first forward
    hole = angle + leaning * np.radians(720.0 * wheel.crossings / n)
    radius = np.where(right, hub.right_flange_diameter_mm, hub.left_flange_diameter_mm) / 2
    offset = np.where(right, hub.right_flange_offset_mm, -hub.left_flange_offset_mm)
    rim = wheel.rim.effective_diameter_mm / 2
    nipples = np.stack([rim * np.cos(angle), np.zeros(n), rim * np.sin(angle)], axis=1)
    return nipples, np.stack([radius * np.cos(hole), offset, radius * np.sin(hole)], axis=1)


def _add_rim(frame: Any, wheel: Wheel) -> None:
    """A polygon with a corner at every nipple; a member's z lies in the wheel's plane, its y along the axle."""
    rim, n = wheel.rim, len(wheel.flanges)
    modulus = STEEL_N_PER_MM2
    section = rim.axial_n / modulus, rim.radial_bending_n_m2 * 1e6 / modulus
    torsion = rim.torsion_n_m2 * 1e6 / (modulus / 2.6)
    frame.add_section("rim", *section, rim.lateral_bending_n_m2 * 1e6 / modulus, torsion)
    corners = np.append(wheel.spoke_angles_deg, wheel.spoke_angles_deg[0] + 360)
    names = []
    for number in range(n):
        for part in range(SEGMENTS):
            at = np.radians(np.interp(number + part / SEGMENTS, np.arange(n + 1), corners))
            names.append(f"rim {number}.{part}")
            radius = rim.effective_diameter_mm / 2
            frame.add_node(names[-1], radius * np.cos(at), 0.0, radius * np.sin(at))
    for place, (one, other) in enumerate(zip(names, names[1:] + names[:1], strict=True)):
        frame.add_member(f"beam {place}", one, other, "any", "rim")
