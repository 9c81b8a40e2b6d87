"""How well the scale comes out from a shim, a coin and a card: `python -m tests.benchmarks.scale_things [pictures] [seed]`.

Drawn before crops of the bundled frames and of the outside photographs and scenes (RIMGAUGE_SHARED), where they
are there: spokes, rims, hubs, checkerboards.
"""

from __future__ import annotations

import math
import os
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from rimgauge.capture.card import card_px
from rimgauge.capture.coin import find_coin
from rimgauge.capture.shim import pointer_moved_px
from rimgauge.errors import RimgaugeError
from rimgauge.records import Edge, FloatArray, View
from rimgauge.signal.scale import CARD_MM, CARD_SPREAD_MM, COIN_MM

ROOT = Path(__file__).resolve().parents[2]
WIDE, HIGH, FINE = 640, 360, 4
NOISE, JPEG_QUALITY = 2.0, 88
VIEW = View(
    direction="lateral",
    image_size=(WIDE, HIGH),
    positive=np.array([1.0, 0.0]),
    forward=np.array([0.0, 1.0]),
    edges=(Edge(side="right", pointer_box=(331, 153, 45, 53), rim_box=(299, 140, 36, 81)),),
)


def backgrounds() -> list[Any]:
    """Read pictures to draw before, all of one size."""
    paths = sorted((ROOT / "sample_frames").glob("*/*.jpg"))[::60]
    shared = os.environ.get("RIMGAUGE_SHARED")
    if shared:
        paths += sorted(Path(shared).glob("photos/checkerboard/*.jpg"))[::2]
        paths += sorted(Path(shared).glob("scenes/*/frames/*.jpg"))[::80]
    read = (cv2.imread(str(path)) for path in paths)
    return [cv2.resize(picture, (WIDE, HIGH)) for picture in read if picture is not None]


def photographed(
    rng: np.random.Generator, cover: FloatArray, shade: FloatArray, behind: FloatArray, blur: float
) -> Any:
    """Lay a thing over a background (h, w, 3), with blur, noise and JPEG; cover and shade are finer by FINE."""
    share = cv2.GaussianBlur(cover.reshape(HIGH, FINE, WIDE, FINE).mean(axis=(1, 3)), (0, 0), blur)[..., None]
    grey = cv2.GaussianBlur(shade.reshape(HIGH, FINE, WIDE, FINE).mean(axis=(1, 3)), (0, 0), blur)[..., None]
    picture = share * grey * np.array([0.96, 1.0, 1.03]) + (1.0 - share) * behind
    picture = (
        picture
        + rng.normal(0.0, 0.8 * NOISE, (HIGH, WIDE, 1))
        + rng.normal(0.0, 0.6 * NOISE, (HIGH, WIDE, 3))
    )
    _, data = cv2.imencode(
        ".jpg", np.clip(picture + 0.5, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY]
    )
    return cv2.imdecode(data, cv2.IMREAD_COLOR)


def fine_grid() -> tuple[FloatArray, FloatArray]:
    """Places x, y of the points that a pixel is the mean of."""
    offsets = (np.arange(FINE) + 0.5) / FINE - 0.5
    x, y = np.meshgrid(*((np.arange(size)[:, None] + offsets).ravel() for size in (WIDE, HIGH)))
    return x, y


def shim(rng: np.random.Generator, pictures: list[Any]) -> tuple[float, float] | None:
    """Relative error and relative standard error of a pointer's move; None where it is refused."""
    x, y = fine_grid()
    whole = pictures[rng.integers(len(pictures))]
    turned = np.roll(whole, tuple(rng.integers(0, 300, 2)), axis=(0, 1))
    behind = cv2.GaussianBlur(turned, (0, 0), 0.8).astype(np.float64)
    behind[:, :322] = 225.0  # the rim
    level = rng.uniform(20.0, 90.0) if rng.random() < 0.6 else rng.uniform(150.0, 230.0)
    tip, moved = rng.uniform(336.0, 341.0), rng.uniform(2.5, 9.0)
    radius, blur = rng.uniform(5.0, 16.0), rng.uniform(0.7, 1.6)
    shots = []
    for place in (tip, tip + moved):
        inside = (np.abs(y - 179.7) < radius) & (x > place + radius)
        inside |= np.hypot(x - place - radius, y - 179.7) < radius
        shots.append(
            photographed(rng, inside.astype(float), level + 6.0 * np.sin((x - place) / 9.0), behind, blur)
        )
    try:
        found = pointer_moved_px(shots[0], shots[1], VIEW, VIEW.edges[0])
    except RimgaugeError:
        return None
    return found.px / moved - 1.0, found.standard_error_px / moved


def coin(rng: np.random.Generator, pictures: list[Any]) -> tuple[float, float] | None:
    """Relative error and relative standard error of a coin's diameter, some held slantwise, some with a finger."""
    x, y = fine_grid()
    behind = pictures[rng.integers(len(pictures))].astype(np.float64)
    radius, slant = rng.uniform(50.0, 130.0), math.radians(rng.uniform(0.0, 22.0))
    toward, middle = rng.uniform(0.0, math.pi), (rng.uniform(260.0, 380.0), rng.uniform(150.0, 210.0))
    u = (x - middle[0]) * math.cos(toward) + (y - middle[1]) * math.sin(toward)
    v = ((y - middle[1]) * math.cos(toward) - (x - middle[0]) * math.sin(toward)) / math.cos(slant)
    r, level = np.hypot(u, v) / radius, rng.uniform(120.0, 220.0)
    shade = np.where(r < rng.uniform(0.65, 0.8), level, level + rng.uniform(-60.0, 60.0))
    shade = (
        shade + 12.0 * np.sin(27.0 * u / radius) * np.cos(21.0 * v / radius) * (r < 0.6) - 25.0 * (r > 0.98)
    )
    shot = photographed(rng, (r < 1.0).astype(float), shade, behind, rng.uniform(0.6, 1.5))
    if rng.random() < 0.5:
        around = rng.uniform(0.0, 2.0 * math.pi)
        ends = [
            (
                round(middle[0] + far * radius * math.cos(around)),
                round(middle[1] + far * radius * math.sin(around)),
            )
            for far in (0.9, 3.0)
        ]
        cv2.line(shot, *ends, (130, 160, 215), round(0.5 * radius), cv2.LINE_AA)
    true_px = 2.0 * radius / math.hypot(math.cos(toward), math.sin(toward) / math.cos(slant))
    try:
        found = find_coin(shot, np.array([1.0, 0.0]), "coin").across
    except RimgaugeError:
        return None
    # As the scale's budget has it: the fit, and the coin's rounded border on 24 mm.
    return found.px / true_px - 1.0, math.hypot(found.standard_error_px / true_px, COIN_MM / 24.0)


def card(rng: np.random.Generator, pictures: list[Any]) -> tuple[float, float] | None:
    """Relative error and relative standard error of a printed card, a little turned, whole or cut by the picture."""
    x, y = fine_grid()
    behind = pictures[rng.integers(len(pictures))].astype(np.float64)
    half, turn = rng.uniform(110.0, 240.0), math.radians(rng.uniform(-4.0, 4.0))
    half_long, corner = half * 85.60 / 53.98, half * 3.18 / 26.99
    middle = (rng.uniform(280.0, 360.0), rng.uniform(60.0, 120.0) + half_long)
    u = (x - middle[0]) * math.cos(turn) + (y - middle[1]) * math.sin(turn)
    v = (y - middle[1]) * math.cos(turn) - (x - middle[0]) * math.sin(turn)
    over = np.hypot(
        np.maximum(np.abs(u) - half + corner, 0.0), np.maximum(np.abs(v) - half_long + corner, 0.0)
    )
    level = rng.uniform(30.0, 220.0)
    shade = level + 40.0 * (np.abs(v + 0.6 * half) < 0.1 * half) * (np.abs(u) < 0.8 * half)
    shade = shade - 50.0 * (np.hypot(u + 0.4 * half, v + 0.9 * half) < 0.2 * half) + 8.0 * v / half_long
    shot = photographed(rng, (over < corner).astype(float), shade, behind, rng.uniform(0.6, 1.5))
    place = np.array([320.0, 180.0])
    try:
        found, _ = card_px(shot, np.array([1.0, 0.0]), place, "card")
    except RimgaugeError:
        return None
    error = math.hypot(found.standard_error_px / (2.0 * half), CARD_SPREAD_MM / CARD_MM)
    return found.px / (2.0 * half) - 1.0, error


def main(count: int, seed: int) -> None:
    """Print the table of docs/benchmarks.md."""
    pictures = backgrounds()
    print(
        "| scale from | pictures | refused | error %, median | rms | largest | beyond 2 standard uncertainties |"
    )
    print("|---|---|---|---|---|---|---|")
    for what, draw in (("shim", shim), ("coin", coin), ("card", card)):
        rng = np.random.default_rng(seed)
        answers = [draw(rng, pictures) for _ in range(count)]
        error, stated = np.array([answer for answer in answers if answer is not None]).T
        size = 100.0 * np.abs(error)
        print(
            f"| {what} | {count} | {sum(answer is None for answer in answers) / count:.0%} | "
            f"{np.median(size):.2f} | {math.sqrt(float(np.mean(size**2))):.2f} | {size.max():.2f} | "
            f"{np.mean(np.abs(error) > 2.0 * stated):.0%} |"
        )


if __name__ == "__main__":
    numbers = [int(each) for each in sys.argv[1:]]
    main(*(numbers + [100, 20260201][len(numbers) :]))
