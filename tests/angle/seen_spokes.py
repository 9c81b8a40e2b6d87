"""Spokes and valve as a pinhole camera sees them cross its picture: rods in space, cut by strips along the rim's path.

Axes: x along the axle to the right, y the way the rim moves at the pointer, z outward; the origin lies in the rim's
centre plane at its outer edge, by the pointer. Sizes of rim and hub are common ones, from memory.
"""

from dataclasses import dataclass, replace

import numpy as np

STRIPS, COLUMNS = 4, 3
"""As the program cuts them; and so many lines within each, since a rod that leans is smeared across it."""
RIM_MM, BED_MM, HALF_RIM_MM = 311.0, 20.0, 11.0
FLANGE_RADIUS_MM, FLANGE_AT_MM, HEAD_MM = 22.0, 31.0, 1.5
VALVE_MM, VALVE_LENGTH_MM, VALVE_GREY = 6.0, 35.0, -50.0
CONTRAST = {False: (12.0, 60.0), True: (30.0, 90.0)}
"""Of spokes against what is behind them, in grey levels, in a lateral and a radial view: as in ray-traced pictures."""
STRAY_DEG, STRAY_GREY = 0.05, 0.15
TURN_DEG = 0.1
"""Over which it is told how fast a rod moves in the picture."""


@dataclass(frozen=True)
class Sight:
    """From where the wheel is looked at.

    radial: along the axle, else along its plane, tilted by tilt_deg. distance_mm: from lens to rim's edge.
    across_mm: the spokes' box, from the rim's edge on, as a person would draw it. averaged: by how much the noise of a
    bin is less than a pixel's. crossings: how the wheel is laced.
    """

    radial: bool = False
    distance_mm: float = 170.0
    tilt_deg: float = 0.0
    across_mm: tuple[float, float] = (1.0, 9.0)
    averaged: float = 5.0
    crossings: int = 3

    def project(self, points: np.ndarray) -> np.ndarray:
        """Points (…, 3) to places (…, 2) across and along the picture, in mm at the rim's edge, from the edge on."""
        tilt = np.radians(self.tilt_deg)
        out = np.array([1.0, 0.0, 0.0] if self.radial else [np.sin(tilt), 0.0, np.cos(tilt)])
        across = np.array([0.0, 0.0, -1.0] if self.radial else [np.cos(tilt), 0.0, -np.sin(tilt)])
        seen = points - np.array([HALF_RIM_MM, 0.0, 0.0])
        scale = self.distance_mm / (self.distance_mm - seen @ out)
        return np.stack([seen @ across * scale, seen[..., 1] * scale], axis=-1)


ALONG_THE_PLANE = Sight()
ALONG_THE_AXLE = Sight(True, 170.0, 0.0, (BED_MM + 2.0, BED_MM + 4.8), 3.0)


def look_on(count: int, radial: bool, rng: np.random.Generator) -> Sight:
    """Draw a place for the camera, and how a wheel of so many spokes is laced."""
    crossings = {12: 1, 16: 2, 18: 0, 20: 2, 24: 2}.get(count, 3)
    distance_mm = rng.uniform(130.0, 400.0)
    if radial:
        return replace(ALONG_THE_AXLE, distance_mm=distance_mm, crossings=crossings)
    tilt_deg = rng.uniform(0.0, 30.0)
    # Seen from above, spokes come out from behind the rim over a wider stretch.
    return Sight(False, distance_mm, tilt_deg, (1.0, 9.0 + tilt_deg / 4.0), 5.0, crossings)


def spoke_strips(
    sight: Sight,
    spoke_angles_deg: np.ndarray,
    along_mm: np.ndarray,
    angle: np.ndarray,
    smear: np.ndarray,
    rng: np.random.Generator,
) -> np.ndarray:
    """Brightness (n, bins, STRIPS) between edges (bins + 1,) along the box, at angles (n,) smeared over so much (n,)."""
    bins = len(along_mm) - 1
    still = 120.0 + 30.0 * np.cos(np.linspace(0.0, 5.0, bins) + rng.uniform(0.0, 6.0))
    picture = np.tile(still[:, None], (len(angle), 1, STRIPS))
    count = len(spoke_angles_deg)
    contrast = rng.uniform(*CONTRAST[sight.radial], 2) * rng.choice([-1.0, 1.0], 2)
    width_mm = np.array([2.0, 2.0 + rng.uniform(0.0, 1.5)])
    columns = np.linspace(*sight.across_mm, 2 * STRIPS * COLUMNS + 1)[1::2].reshape(STRIPS, COLUMNS)
    for index, spoke in enumerate(spoke_angles_deg):
        flange, head = index % 2, index // 2 % 2
        side, lean = 1.0 - 2.0 * flange, 1.0 - 2.0 * head
        # An odd number of spokes a flange can't take turns.
        lean = lean if count % 4 == 0 else 1.0
        hub = (
            side * (FLANGE_AT_MM + lean * HEAD_MM),
            FLANGE_RADIUS_MM,
            lean * sight.crossings * 720.0 / count,
        )
        at = spoke + rng.normal(0.0, STRAY_DEG)
        grey = contrast[flange] * rng.uniform(1.0 - STRAY_GREY, 1.0 + STRAY_GREY)
        rod = ((0.8 * side, RIM_MM - BED_MM, 0.0), hub)
        _lay(picture, sight, rod, angle - at, smear, along_mm, columns, width_mm[flange], grey)
    valve = ((0.0, RIM_MM - BED_MM, 0.0), (0.0, RIM_MM - BED_MM - VALVE_LENGTH_MM, 0.0))
    _lay(picture, sight, valve, angle, smear, along_mm, columns, VALVE_MM, VALVE_GREY)
    return picture


def _lay(picture, sight, rod, past_deg, smear, along_mm, columns, width_mm, grey) -> None:
    """Lay a rod between two points (x, radius, angle past its rim end) over the frames in which it is in front."""
    past_deg = (past_deg + 180.0) % 360.0 - 180.0
    near = np.flatnonzero(np.abs(past_deg) < 107.0)
    rim, hub = (_end(sight, end, past_deg[near]) for end in rod)
    rim_later, hub_later = (_end(sight, end, past_deg[near] + TURN_DEG) for end in rod)
    for strip, inside in enumerate(columns):
        for column in inside:
            share, place, slope = _cut(rim, hub, column)
            _, place_later, _ = _cut(rim_later, hub_later, column)
            wide = width_mm * sight.distance_mm / (sight.distance_mm + BED_MM) * np.hypot(1.0, slope)
            moved = np.abs(place_later - place) / TURN_DEG * smear[near]
            there = (share >= 0.0) & (share <= 1.0)
            there &= np.abs(place - along_mm.mean()) < np.ptp(along_mm) / 2.0 + wide + moved
            bar = _bar(along_mm, place[there], wide[there], moved[there])
            picture[near[there], :, strip] += grey * bar / len(inside)


def _end(sight: Sight, end: tuple[float, float, float], past_deg: np.ndarray) -> np.ndarray:
    x, radius, more_deg = end
    turned = np.radians(past_deg + more_deg)
    points = np.stack(
        [np.full(len(turned), x), radius * np.sin(turned), radius * np.cos(turned) - RIM_MM], axis=-1
    )
    return sight.project(points)


def _cut(rim: np.ndarray, hub: np.ndarray, column: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where rods (n, 2) to (n, 2) cross a line along the picture: share of their length, place along it, and slope."""
    length = hub - rim
    share = (column - rim[:, 0]) / length[:, 0]
    return share, rim[:, 1] + share * length[:, 1], length[:, 1] / length[:, 0]


def _bar(edges: np.ndarray, at: np.ndarray, width: np.ndarray, moved: np.ndarray) -> np.ndarray:
    """How much (n, bins) of each bin a bar covers, on average while it moves by so much: a box smeared by a box."""
    step = edges[1] - edges[0]
    moved = np.maximum(moved, 1e-6)

    def covered(edge: np.ndarray) -> np.ndarray:
        """Integral up to an edge of how long the bar's own side has passed it."""
        off = np.clip(edge / moved[:, None], -0.5, 0.5)
        return moved[:, None] * (0.5 * (off + 0.5) ** 2 + np.maximum(edge / moved[:, None] - 0.5, 0.0))

    past = edges[None, :] - at[:, None]
    total = covered(past + width[:, None] / 2.0) - covered(past - width[:, None] / 2.0)
    return np.diff(total, axis=1) / step
