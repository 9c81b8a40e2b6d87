"""How hands turn wheels, drawn at random with exact truth: the angle of the wheel at any time."""

from dataclasses import dataclass

import numpy as np

STEP_S = 1.0 / 480.0
SLOWEST, FASTEST = 0.05, 1.5
"""Revolutions a second, as the aim for the angle says."""
KINDS = ("spin", "pushed", "stops", "reversals", "rocking", "steady", "backward")


@dataclass(frozen=True)
class Motion:
    """Angle (m,) unwrapped [deg] at times (m,) [s]; 0 modulo 360 is the mark at the pointer."""

    kind: str
    clock_s: np.ndarray
    angle_deg: np.ndarray

    def at(self, time_s: np.ndarray) -> np.ndarray:
        """Angle at times (n,)."""
        return np.interp(time_s, self.clock_s, self.angle_deg)

    def speed_at(self, time_s: np.ndarray) -> np.ndarray:
        """Speed at times (n,) [deg/s]."""
        return (self.at(time_s + STEP_S) - self.at(time_s - STEP_S)) / (2.0 * STEP_S)


def draw_motion(kind: str, rng: np.random.Generator, turns: float | None = None) -> Motion:
    """One run of a kind, from anywhere on the rim, long enough for so many turns.

    Where not told, 1.6 to 3, and more in a fast run: nobody films for less than six seconds.
    """
    usual = float(np.exp(rng.uniform(np.log(0.12), np.log(FASTEST * 0.9))))
    turns = max(rng.uniform(1.6, 3.0), usual * rng.uniform(6.0, 9.0)) if turns is None else turns
    speed = _spin(turns, rng) if kind == "spin" else _pieces(kind, usual, turns, rng)
    angle = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1])))) * STEP_S * 360.0
    if kind == "backward":
        angle = -angle
    return Motion(kind, np.arange(len(angle)) * STEP_S, angle + rng.uniform(0.0, 360.0))


def _spin(turns: float, rng: np.random.Generator) -> np.ndarray:
    """Let go at a speed and slowed by friction and a little by air; the end of the film comes before it stops."""
    first = rng.uniform(0.35, FASTEST)
    friction = rng.uniform(0.005, 0.03)
    drag_per_s = rng.uniform(0.0, 0.03)
    clock = np.arange(0.0, 40.0, STEP_S)
    speed = (first + friction / max(drag_per_s, 1e-6)) * np.exp(-drag_per_s * clock) - friction / max(
        drag_per_s, 1e-6
    )
    travelled = np.cumsum(speed) * STEP_S
    long_enough = (travelled < turns) & (speed > 2.0 * SLOWEST)
    return speed[: max(int(np.argmin(long_enough)), 2)]


def _pieces(kind: str, usual: float, turns: float, rng: np.random.Generator) -> np.ndarray:
    """Stretches of speed one after the other, smoothed as a hand does."""
    wanted: list[tuple[float, float]] = []
    travelled = 0.0
    while travelled < turns:
        speed = np.clip(usual * np.exp(rng.normal(0.0, 0.25)), SLOWEST, FASTEST)
        lasts = rng.uniform(0.5, 2.0) if kind != "steady" else 100.0
        lasts = min(lasts, (turns - travelled) / speed + 0.05)
        wanted.append((speed, lasts))
        travelled += speed * lasts
        if kind == "stops" and rng.random() < 0.5:
            wanted.append((0.0, rng.uniform(0.3, 1.2)))
        if kind == "reversals" and rng.random() < 0.4:
            back = min(rng.uniform(0.1, 0.5), 0.4 * travelled)
            wanted.append((-speed, back / speed))
            travelled -= back
    speed = np.concatenate([np.full(max(int(lasts / STEP_S), 1), value) for value, lasts in wanted])
    clock = np.arange(len(speed)) * STEP_S
    width = int(rng.uniform(0.12, 0.4) / STEP_S)
    kernel = np.hanning(width + 2)[1:-1]
    speed = np.convolve(np.pad(speed, width // 2, mode="edge"), kernel / kernel.sum(), mode="same")
    speed = speed[width // 2 :][: len(clock)]
    if kind in ("pushed", "stops", "reversals", "backward"):
        wave = 1.0 + sum(
            size * np.sin(2.0 * np.pi * rng.uniform(low, high) * clock + rng.uniform(0.0, 6.3))
            for low, high, size in ((0.25, 0.5, 0.12), (0.6, 1.2, 0.08), (1.5, 2.5, 0.03))
        )
        speed = np.clip(speed * wave, -FASTEST, FASTEST)
    return speed + _rocking(clock, rng) if kind == "rocking" else speed


def _rocking(clock: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Speed of going to and fro by 5 to 30° in two places [rev/s]."""
    result = np.zeros_like(clock)
    for _ in range(2):
        middle, rate = rng.uniform(0.15, 0.85) * clock[-1], rng.uniform(0.6, 1.6)
        swing = min(rng.uniform(5.0, 30.0) / 360.0, 0.8 / (2.0 * np.pi * rate))
        window = np.exp(-(((clock - middle) / rng.uniform(0.4, 0.9)) ** 4))
        result += window * swing * 2.0 * np.pi * rate * np.sin(2.0 * np.pi * rate * (clock - middle))
    return result
