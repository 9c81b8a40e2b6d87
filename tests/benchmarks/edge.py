"""The edge fit as the tracker runs it, beside general-purpose ways, against the Cramér–Rao limit.

    python -m tests.benchmarks.edge [frames]

Every condition draws its own frames with a known edge; the shape is learnt from the first dozen of them, as in a
pass. The limit is worked out from the noise-free picture: noise over the root of the summed squared slopes.
What a fit can have that is told more than the tracker is stands beside: "told" knows blur, tilt and light, has the
whole width of the picture, begins at the true place, and fits brightness and contrast of each row.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr
from skimage.registration import phase_cross_correlation

from rimgauge.capture.edge import fit_edge
from rimgauge.capture.outline import Outline, learn_outline, nearest_edge, outline_scores
from rimgauge.capture.tracker import TOGETHER
from rimgauge.records import FloatArray

Picture = NDArray[np.float64]
ROWS, COLUMNS, MIDDLE, ROOM_PX = 100, 90, 45.0, 30
LEARNT_FRAMES = 12
ROW_PX = (ROWS - 1) / 2.0
# ITU-T T.81 (1992), table K.1, at quality 50.
LUMINANCE_STEPS = np.array(
    [
        [16, 11, 10, 16, 24, 40, 51, 61],
        [12, 12, 14, 19, 26, 58, 60, 55],
        [14, 13, 16, 24, 40, 57, 69, 56],
        [14, 17, 22, 29, 51, 87, 80, 62],
        [18, 22, 37, 56, 68, 109, 103, 77],
        [24, 35, 55, 64, 81, 104, 113, 92],
        [49, 64, 78, 87, 103, 121, 120, 101],
        [72, 92, 95, 98, 112, 100, 103, 99],
    ]
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    name: str
    blur_px: float = 1.0
    contrast: float = 100.0
    noise: float = 2.0
    slope: float = 0.03
    gamma: float = 1.0
    uneven: float = 0.0
    jpeg: int | None = None

    def clean(self, place_px: float) -> Picture:
        """The picture without noise: step, light that varies over the band, camera curve."""
        dv = np.arange(ROWS) - ROW_PX
        distance = np.arange(COLUMNS) - (place_px + self.slope * dv)[:, None]
        base = 30.0 if self.contrast > 0.0 else 30.0 - self.contrast
        light = 1.0 + self.uneven * (dv[:, None] / ROWS + (np.arange(COLUMNS) - MIDDLE) / COLUMNS)
        grey = (base + self.contrast * ndtr(distance / self.blur_px)) * light
        return np.asarray(255.0 * (np.clip(grey, 0.0, 255.0) / 255.0) ** self.gamma)

    def frame(self, rng: np.random.Generator, place_px: float) -> NDArray[np.uint8]:
        noisy = self.clean(place_px) + rng.normal(0.0, self.noise, (ROWS, COLUMNS))
        picture = np.rint(np.clip(noisy, 0.0, 255.0)).astype(np.uint8)
        if self.jpeg is not None:
            packed = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, self.jpeg])[1]
            picture = np.asarray(cv2.imdecode(packed, cv2.IMREAD_GRAYSCALE), dtype=np.uint8)
        return picture

    def limit_px(self) -> float:
        # Rounding to whole grey levels adds 1/12 to the variance.
        return math.sqrt((self.noise**2 + 1.0 / 12.0) / float(np.sum(self.slopes() ** 2)))

    def slopes(self) -> Picture:
        """Change of each pixel with the edge's place [grey levels per px]."""
        return (self.clean(MIDDLE + 0.01) - self.clean(MIDDLE - 0.01)) / 0.02

    def told_px(self, frame: NDArray[np.uint8], place_px: float) -> float:
        """Error of a linear fit of a frame that is told all but brightness and contrast of each row, from the true place."""
        distance = np.arange(COLUMNS) - (place_px + self.slope * (np.arange(ROWS) - ROW_PX))[:, None]
        step = ndtr(distance / self.blur_px)
        step -= step.mean(axis=1, keepdims=True)
        slopes = (self.clean(place_px + 0.01) - self.clean(place_px - 0.01)) / 0.02
        slopes -= slopes.mean(axis=1, keepdims=True)
        slopes -= step * (np.sum(slopes * step, axis=1) / np.sum(step**2, axis=1))[:, None]
        return float(np.sum(slopes * (frame - self.clean(place_px))) / np.sum(slopes**2))

    def coded_limit_px(self, quality: int) -> float:
        """The limit with what a JPEG's coefficients lose by rounding to multiples of q: q²/12 each."""
        scale = 200 - 2 * quality
        step = np.maximum((LUMINANCE_STEPS * scale + 50) // 100, 1)
        variance = self.noise**2 + 1.0 / 12.0 + step**2 / 12.0
        slopes = np.pad(self.slopes(), ((0, -ROWS % 8), (0, -COLUMNS % 8)), mode="edge")
        blocks = slopes.reshape(len(slopes) // 8, 8, -1, 8).transpose(0, 2, 1, 3).reshape(-1, 8, 8)
        return float(sum(np.sum(cv2.dct(block) ** 2 / variance) for block in blocks) ** -0.5)


CONDITIONS = [
    Condition(name="plain: blur 1, contrast 100, noise 2"),
    *(Condition(name=f"blur {b}", blur_px=b) for b in (0.6, 1.5, 2.0, 3.0)),
    *(Condition(name=f"contrast {c:g}", contrast=c) for c in (25.0, 50.0, 200.0)),
    *(Condition(name=f"noise {n:g}", noise=n) for n in (1.0, 4.0, 6.0)),
    Condition(name="contrast 25, noise 6, blur 3", contrast=25.0, noise=6.0, blur_px=3.0),
    Condition(name="tilt +10°", slope=math.tan(math.radians(10.0))),
    Condition(name="tilt −10°", slope=-math.tan(math.radians(10.0))),
    Condition(name="no tilt", slope=0.0),
    Condition(name="bright to dark", contrast=-100.0),
    Condition(name="camera curve, gamma 0.45", gamma=0.45),
    Condition(name="light falls off by 30 %", uneven=0.3),
    Condition(name="light falls off, blur 3", uneven=0.3, blur_px=3.0),
    Condition(name="light falls off, noise 6", uneven=0.3, noise=6.0),
    Condition(name="JPEG 85", jpeg=85),
]


def ours(frames: list[NDArray[np.uint8]], slope: float) -> tuple[FloatArray, FloatArray, float, float]:
    """Places, stated standard errors, and milliseconds of processor time a frame: finding and fitting, fitting."""
    patches = np.array(frames, dtype=np.float32)
    outline: Outline = learn_outline(patches[:LEARNT_FRAMES], slope, ROW_PX, ROOM_PX)
    places, stated, last, fitting = [], [], math.nan, 0.0
    start = time.process_time()
    for first in range(0, len(patches), TOGETHER):
        part = patches[first : first + TOGETHER]
        near = []
        for scores in outline_scores(part, outline):
            last = nearest_edge(scores, outline, last)
            near.append(last)
        before = time.process_time()
        fit = fit_edge(part, np.array(near), ROW_PX, outline.shape)
        fitting += time.process_time() - before
        places.append(fit.place_px)
        stated.append(fit.standard_error_px)
    per_frame = 1e3 / len(frames)
    spent = (time.process_time() - start) * per_frame
    return np.concatenate(places), np.concatenate(stated), spent, fitting * per_frame


def edge_map(frame: NDArray[np.uint8], _: NDArray[np.uint8]) -> float:
    """Mean column of a thresholded edge map, Canny's."""
    rows, columns = np.nonzero(cv2.Canny(frame, 40, 80))
    return float(np.mean(columns)) if len(rows) else math.nan


def gradient_centroid(frame: NDArray[np.uint8], _: NDArray[np.uint8]) -> float:
    """Centre of gravity of the slope of brightness within eight pixels of the middle, averaged over the rows."""
    steep = np.abs(np.gradient(frame.astype(np.float64), axis=1))[:, int(MIDDLE) - 8 : int(MIDDLE) + 9]
    return float(np.mean(steep @ np.arange(-8, 9) / np.maximum(steep.sum(axis=1), 1e-9)))


def registration(frame: NDArray[np.uint8], first: NDArray[np.uint8]) -> float:
    """Shift against the first frame by upsampled phase correlation."""
    return -float(
        phase_cross_correlation(first.astype(float), frame.astype(float), upsample_factor=100)[0][1]
    )


def corner(frame: NDArray[np.uint8], _: NDArray[np.uint8]) -> float:
    """Corner refinement started on the edge."""
    start = np.array([[[MIDDLE, ROW_PX]]], dtype=np.float32)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 40, 0.001)
    return float(cv2.cornerSubPix(frame, start, (8, 8), (-1, -1), stop)[0, 0, 0])


PEERS: dict[str, Callable[[NDArray[np.uint8], NDArray[np.uint8]], float]] = {
    "slope centroid": gradient_centroid,
    "edge map": edge_map,
    "registration": registration,
    "corner": corner,
}


def measured(condition: Condition, count: int) -> list[str]:
    """One line of the table."""
    rng = np.random.default_rng(sum(condition.name.encode()))
    truth = MIDDLE + rng.uniform(-0.5, 0.5, count)
    frames = [condition.frame(rng, float(place)) for place in truth]
    places, stated, spent_ms, fitting_ms = ours(frames, condition.slope)
    errors = places - truth
    told = [condition.told_px(frame, float(place)) for frame, place in zip(frames, truth, strict=True)]
    limit = condition.limit_px()
    by_phase = [errors[(truth - MIDDLE + 0.5) // 0.125 == k].mean() for k in range(8)]
    cells = [
        condition.name,
        f"{limit:.4f}",
        f"{np.std(errors) / limit:.2f}",
        f"{np.std(told) / limit:.2f}",
        f"{np.mean(stated) / np.std(errors):.2f}",
        f"{np.mean(errors):+.4f}",
        f"{np.ptp(by_phase):.4f}",
        f"{spent_ms:.2f}",
        f"{fitting_ms:.2f}",
    ]
    for find in PEERS.values():
        wrong = np.array([find(frame, frames[0]) for frame in frames]) - truth
        cells.append(f"{np.nanstd(wrong) / limit:.0f}")
    return cells


def decoding_ms() -> float:
    """Processor time to decode one 640 × 360 JPEG, the yardstick for the milliseconds."""
    rng = np.random.default_rng(0)
    picture = cv2.GaussianBlur(rng.integers(0, 255, (360, 640, 3), dtype=np.uint8), (0, 0), 3.0)
    packed = cv2.imencode(".jpg", picture)[1]
    start = time.process_time()
    for _ in range(100):
        cv2.imdecode(packed, cv2.IMREAD_COLOR)
    return (time.process_time() - start) * 10.0


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    head = [
        "condition",
        "limit px",
        "sd / limit",
        "told / limit",
        "stated / sd",
        "bias px",
        "phase px",
        "ms",
        "fit ms",
        *PEERS,
    ]
    print("| " + " | ".join(head) + " |")
    print("|" + "---|" * len(head))
    for condition in CONDITIONS:
        print("| " + " | ".join(measured(condition, count)) + " |", flush=True)
    coded = CONDITIONS[-1]
    ratio = coded.coded_limit_px(85) / coded.limit_px()
    print(
        f"\nWith the rounding of its coefficients counted, the limit of JPEG 85 is {ratio:.3f} times as wide."
    )
    print(f"Decoding one 640 × 360 JPEG in the same run: {decoding_ms():.2f} ms of processor time.")


if __name__ == "__main__":
    main()
